#ifndef SM_CLI_MEMORY_H
#define SM_CLI_MEMORY_H

/* Prepares the heap of a program that uses all of it at once; to be called before anything else. A
 * library has no such right over its caller's heap, so only the program does it. */
void sm_cli_prepare_memory(void);

#endif

/* What a user of the installed library writes first. */
#include <stdio.h>
#include <stillmount/status.h>
#include <stillmount/version.h>
#include <string.h>

int main(void)
{
    printf("stillmount %s\n", sm_version());
    return strcmp(sm_version(), SM_VERSION) != 0;
}

/* Files: read whole small ones, write output beside the target and rename it into place. */
#ifndef SM_CORE_FILE_H
#define SM_CORE_FILE_H

#include "stillmount/file.h"

#endif

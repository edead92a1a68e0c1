/* Reading one [limit NAME] section. */
#ifndef SM_BUDGET_LIMIT_H
#define SM_BUDGET_LIMIT_H

#include "stillmount/budget.h"
#include "stillmount/ini.h"

sm_status sm_limit_from_ini(const sm_ini *ini, const sm_ini_section *s, double reserve_db,
                            sm_limit *out, sm_error *err);

#endif

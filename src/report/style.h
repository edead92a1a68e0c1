/* The style sheet of every page. */
#ifndef SM_REPORT_STYLE_H
#define SM_REPORT_STYLE_H

extern const char sm_page_style[];

#endif

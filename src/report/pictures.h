/* The pictures: each fills a plot from the document; false = no data for it, nothing to draw. */
#ifndef SM_REPORT_PICTURES_H
#define SM_REPORT_PICTURES_H

#include "report/plot.h"
#include "report/record.h"

bool sm_picture_margin(const sm_json *root, sm_plot *p);
bool sm_picture_map(const sm_json *root, sm_plot *p);
bool sm_picture_spectrum(const sm_json *root, sm_plot *p);
bool sm_picture_orders(const sm_json *root, sm_plot *p);

#endif

/* The pictures: each fills a plot from the document; false = no data for it, nothing to draw. */
#ifndef SM_REPORT_PICTURES_H
#define SM_REPORT_PICTURES_H

#include "report/plot.h"
#include "report/record.h"

bool sm_picture_margin(const sm_json *root, sm_plot *p);
bool sm_picture_before_after(const sm_json *root, sm_plot *p);
bool sm_picture_change(const sm_json *root, sm_plot *p);
bool sm_picture_swing(const sm_json *root, sm_plot *p);
bool sm_picture_deflection(const sm_json *root, sm_plot *p);
bool sm_picture_coning(const sm_json *root, sm_plot *p);
bool sm_picture_ranking(const sm_json *root, sm_plot *p);
bool sm_picture_isolator(const sm_json *root, sm_plot *p);
bool sm_picture_balance(const sm_json *root, sm_plot *p);
bool sm_picture_weights(const sm_json *root, sm_plot *p);

/* Several of a kind: the i-th, false past the last. */
bool sm_picture_map(const sm_json *root, size_t i, sm_plot *p);
bool sm_picture_spectrum(const sm_json *root, size_t i, sm_plot *p);
bool sm_picture_orders(const sm_json *root, size_t i, sm_plot *p);
bool sm_picture_across(const sm_json *root, size_t i, sm_plot *p);
bool sm_picture_allan(const sm_json *root, size_t i, sm_plot *p);

#endif

/* The pre-pass of a run whose log carries no speed: log, notes or vibration -> speed points. */
#include "stillmount/estimate.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

sm_status sm_rpm_notes_read(const sm_source_info *info, sm_rpm_log *out, sm_error *err)
{
    sm_status status = sm_rpm_notes_parse(info->rpm_notes, out, err);
    if (status != SM_OK && err && info->rpm_notes_line > 0) {
        (void)snprintf(err->source, sizeof err->source, "%s", info->rpm_notes_file);
        err->line = info->rpm_notes_line;
    }
    return status;
}

sm_status sm_rpm_given_check(const char *rpm_log_path, const sm_source_info *info, sm_error *err)
{
    sm_rpm_log unused = {0};
    sm_status status = rpm_log_path ? sm_rpm_log_read(rpm_log_path, &unused, err) : SM_OK;
    sm_rpm_log_free(&unused);
    if (status == SM_OK && info && info->rpm_notes[0]) {
        status = sm_rpm_notes_read(info, &unused, err);
        sm_rpm_log_free(&unused);
    }
    return status;
}

static sm_status pick(const sm_estimate_request *q, const sm_source_info *info,
                      sm_estimate_options *opt, sm_rpm_log *log, sm_error *err)
{
    *opt = sm_estimate_options_default(q->powertrain, q->budget_lo_rpm, q->budget_hi_rpm);
    if (q->rpm_log_path) {
        opt->source = SM_SPEED_LOG;
        opt->log = log;
        return sm_rpm_log_read(q->rpm_log_path, log, err);
    }
    if (!q->vibration_only && info->rpm_notes && info->rpm_notes[0]) {
        opt->source = SM_SPEED_NOTES;
        opt->log = log;
        sm_status status = sm_rpm_notes_read(info, log, err);
        for (size_t i = 0; status == SM_OK && i < log->n; i++) { /* notes widen the search */
            opt->rpm_lo = fmin(opt->rpm_lo, 0.9 * log->rpm[i]);
            opt->rpm_hi = fmax(opt->rpm_hi, 1.1 * log->rpm[i]);
        }
        return status;
    }
    opt->source = SM_SPEED_ESTIMATE;
    return SM_OK;
}

sm_status sm_estimate_prepare(sm_source *source, const sm_estimate_request *q,
                              sm_findings *findings, sm_estimate_result *result,
                              sm_speed_options *speed, sm_error *err)
{
    const sm_source_info *info = sm_source_info_get(source);
    sm_rpm_log log = {0};
    sm_estimate *e = NULL;
    sm_estimate_result r = {0};
    sm_estimate_options opt;
    sm_status status = pick(q, info, &opt, &log, err);
    if (status == SM_OK) {
        status = sm_estimate_open(info->channels, info->n_channels, info->rate_hz, q->powertrain,
                                  &opt, &e, err);
    }
    if (status == SM_OK) {
        sm_sink sink = sm_estimate_sink(e);
        status = sm_source_pump(source, &sink, NULL, err);
    }
    if (status == SM_OK) {
        status = sm_estimate_finish(e, findings, &r, err);
    }
    if (status == SM_OK) {
        *result = r;
        *speed = (sm_speed_options){.source = opt.source,
                                    .points = r.points,
                                    .n_points = r.n_points,
                                    .clock_offset_s = r.clock_offset_s};
    }
    if (status != SM_OK && err &&
        !err->source[0]) { /* what is too short, and the like, has a name */
        (void)snprintf(err->source, sizeof err->source, "%s", info->name);
    }
    sm_estimate_close(&e);
    sm_rpm_log_free(&log);
    return status;
}

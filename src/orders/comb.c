/* The comb check: sums per channel, band and grid, and what follows from them. */
#include "stillmount/comb.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"
#include "orders/emission.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Orders are looked for in this range. */
#define HZ_LEAST 4.0
#define HZ_MOST 800.0
/* Floors are worked out so far apart, straight lines between: half of what each looks at. */
#define FLOOR_STEP_HZ 20.0
/* The claimed speed may be off by this much, beyond the bin and the smear. */
#define SPEED_OFF 0.003
/* A line this many times the noise in its bin stands >= 10 dB above it: mean of capped values. */
#define SEEN 9.0
#define SEEN_CAP 20.0
/* A grid that is better by less than this per frame is not told apart. */
#define MARGIN_LEAST 0.3
#define MARGIN_CONTRADICTS 2.0
#define MARGIN_BAND 1.0
#define MARGIN_SURE 4.0
/* Orders less likely than this to be strong say nothing about the speed: were they in the grid, a
 * slower one would explain every line. */
#define PRIOR_LEAST 0.2
/* A rival must itself fit this well per frame before it contradicts. */
#define EVIDENCE_CONTRADICTS 5.0
#define BANDS_SHARE 0.2
/* A line this far above the noise of its bin is no accident. */
#define CLEAR_DB 20.0
/* A line smeared over more bins than this in a frame is not looked at. */
#define SMEAR_MOST 8.0
/* So many frames of a band are all looked at, then every third: they overlap by half, so two thirds
 * of the time are still looked at. */
enum { ALL_FRAMES = 12, THEN_EVERY = 3 };
enum { FRAMES_LEAST = 3, BESIDE = 4, LN_BINS = 64 };

typedef struct line_sum {
    double capped; /* sum of min(SNR, SEEN_CAP) */
    double snr;
    long n;
    long n_apart; /* frames in which no other shaft's order was near */
    double capped_apart;
} line_sum;

typedef struct band_sum {
    long n_offered;
    long n; /* looked at */
    double l[SM_COMB_SCALES];
} band_sum;

typedef struct channel_sums {
    band_sum *bands; /* [n_bands] */
    line_sum *lines; /* [n_bands][n lines] */
    double *snr;     /* [n_bins] of the frame in work */
    double *scratch; /* [n_bins] */
} channel_sums;

struct sm_comb {
    sm_emission emission;
    const sm_powertrain *p;
    double scale[SM_COMB_SCALES];
    size_t n_scales;
    size_t n_channels;
    size_t n_bands;
    size_t n_bins; /* up to HZ_MOST */
    double bin_hz;
    double hz_per_rpm;       /* reference shaft */
    double ln_bins[LN_BINS]; /* what a maximum of n bins gains by chance: ln(n / 2), at least 0 */
    channel_sums *channels;
};

const char *sm_comb_check_text(sm_comb_check c)
{
    return c == SM_COMB_CONFIRMED      ? "confirmed"
           : c == SM_COMB_CONTRADICTED ? "contradicted"
                                       : "unconfirmed";
}

static void add_scale(sm_comb *c, double s)
{
    for (size_t i = 0; i < c->n_scales; i++) {
        if (fabs(log(s / c->scale[i])) < 0.02) {
            return;
        }
    }
    c->scale[c->n_scales++] = s;
}

void sm_comb_close(sm_comb **c)
{
    if (*c) {
        for (size_t i = 0; (*c)->channels && i < (*c)->n_channels; i++) {
            sm_free((*c)->channels[i].bands);
            sm_free((*c)->channels[i].lines);
            sm_free((*c)->channels[i].snr);
            sm_free((*c)->channels[i].scratch);
        }
        sm_free((*c)->channels);
        sm_free(*c);
        *c = NULL;
    }
}

sm_status sm_comb_open(const sm_powertrain *p, const sm_order_table *orders, size_t n_channels,
                       size_t n_bands, size_t n_bins, double bin_hz, sm_comb **out, sm_error *err)
{
    if (n_channels == 0 || n_bands == 0 || n_bins < 8 || !(bin_hz > 0)) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "comb: nothing to look at");
    }
    sm_status status = SM_E_NOMEM;
    sm_comb *c = sm_alloc_array(1, sizeof *c);
    if (!c) {
        goto done;
    }
    c->p = p;
    sm_emission_make(p, orders, 0, &c->emission);
    double gear = sm_powertrain_reference_per(p, SM_SHAFT_PROP) /
                  sm_powertrain_reference_per(p, SM_SHAFT_CRANK);
    const double scales[SM_COMB_SCALES] = {1, 0.5, 2, gear, 1 / gear, 2 / 3.0, 1.5, 3.0, 1 / 3.0};
    for (size_t i = 0; i < SM_COMB_SCALES; i++) {
        add_scale(c, scales[i]);
    }
    c->bin_hz = bin_hz;
    c->n_bins = (size_t)fmin((double)n_bins, HZ_MOST / bin_hz);
    c->n_bands = n_bands;
    c->hz_per_rpm = sm_powertrain_reference_per(p, p->rpm_of) / 60;
    for (size_t i = 0; i < LN_BINS; i++) {
        c->ln_bins[i] = log(fmax((double)i / 2, 1));
    }
    c->n_channels = n_channels;
    c->channels = sm_alloc_array(n_channels, sizeof *c->channels);
    for (size_t i = 0; c->channels && i < n_channels; i++) {
        channel_sums *s = &c->channels[i];
        s->bands = sm_alloc_array(n_bands, sizeof *s->bands);
        s->lines = sm_alloc_array(n_bands * (c->emission.n + 1), sizeof *s->lines);
        s->snr = sm_alloc_array(c->n_bins, sizeof *s->snr);
        s->scratch = sm_alloc_array(c->n_bins, sizeof *s->scratch);
        if (!s->bands || !s->lines || !s->snr || !s->scratch) {
            goto done;
        }
    }
    if (c->channels) {
        *out = c;
        c = NULL;
        status = SM_OK;
    }
done:
    sm_comb_close(&c);
    return status == SM_OK ? SM_OK : sm_error_set(err, status, NULL, 0, "out of memory");
}

/* Largest local maximum within tol_hz of hz; *n_bins: how many bins were looked at. */
static double peak_near(const sm_comb *c, const double *snr, double hz, double tol_hz,
                        double *n_bins)
{
    double lo = ceil((hz - tol_hz) / c->bin_hz);
    double hi = floor((hz + tol_hz) / c->bin_hz);
    double best = 0;
    *n_bins = hi - lo + 1;
    size_t last = (size_t)sm_min(hi, (double)c->n_bins - 2);
    for (size_t k = (size_t)sm_max(lo, 1); k <= last; k++) { /* noise: no branch can be guessed */
        double side = sm_max(snr[k - 1], snr[k + 1]);
        best = sm_max(best, snr[k] >= side ? snr[k] : 0);
    }
    return best;
}

static void sort_two(double *a, double *b)
{
    double low = sm_min(*a, *b);
    *b = sm_max(*a, *b);
    *a = low;
}

static void sort_four(double v[BESIDE])
{
    sort_two(&v[0], &v[1]);
    sort_two(&v[2], &v[3]);
    sort_two(&v[0], &v[2]);
    sort_two(&v[1], &v[3]);
    sort_two(&v[1], &v[2]);
}

/* A low one of the bins just beside the line's own, as a noise level: a hump of the structure is
 * no line. */
static double local_level(const sm_comb *c, const double *snr, double lo, double hi)
{
    if (lo - 1 - BESIDE < 1 || hi + 1 + BESIDE >= (double)c->n_bins) {
        return 1;
    }
    double a[BESIDE];
    double b[BESIDE];
    memcpy(a, snr + (size_t)lo - 1 - BESIDE, sizeof a);
    memcpy(b, snr + (size_t)hi + 2, sizeof b);
    sort_four(a);
    sort_four(b);
    double third = sm_min(sm_min(a[2], b[2]), sm_min(sm_max(a[0], b[1]), sm_max(a[1], b[0])));
    /* the third lowest of eight exponential values is 1/8 + 1/7 + 1/6 of their mean */
    return sm_max(third / 0.434, 1);
}

/* Power of the line in the bins around hz over the noise, as the peak of an unsmeared line. */
SM_WIDE static double lobe_snr(const sm_comb *c, const double *snr, double hz, double smear_hz)
{
    double half = 1.5 + 0.5 * smear_hz / c->bin_hz + SPEED_OFF * hz / c->bin_hz;
    double lo = sm_max(1, ceil(hz / c->bin_hz - half));
    double hi = sm_min((double)c->n_bins - 1, floor(hz / c->bin_hz + half));
    double level = local_level(c, snr, lo, hi);
    double sum = 0;
    double weight = 0;
    double moment = 0;
    for (size_t k = (size_t)lo; k <= (size_t)hi; k++) {
        double over = snr[k] / level - 1;
        sum += over;
        weight += sm_max(over, 0);
        moment += sm_max(over, 0) * ((double)k - hz / c->bin_hz);
    }
    /* a line beside the place is another line */
    if (fabs(moment) > weight * (0.6 + 0.25 * smear_hz / c->bin_hz + SPEED_OFF * hz / c->bin_hz)) {
        return 0;
    }
    /* a Hann line of peak P holds 1.5 P in its bins; two sigma of the noise in them are no line */
    return sm_max((sum - 2 * sqrt(hi - lo + 1)) / 1.5, 0);
}

SM_WIDE static double grid_fit(const sm_comb *c, const double *snr, double shaft_hz,
                               double change_hz)
{
    double ratio = 1; /* some thirty factors between 0.05 and e^10 */
    for (size_t i = 0; i < c->emission.n; i++) {
        const sm_emission_line *line = &c->emission.lines[i];
        if (line->prior < PRIOR_LEAST) {
            continue;
        }
        double hz = line->order * shaft_hz;
        double tol = c->bin_hz + SPEED_OFF * hz + 0.5 * line->order * fabs(change_hz);
        if (hz < HZ_LEAST || hz + tol > c->bin_hz * (double)(c->n_bins - 2)) {
            continue;
        }
        double n = 1;
        double peak = peak_near(c, snr, hz, tol, &n);
        double chance = n < LN_BINS ? c->ln_bins[(size_t)n] : log(n / 2);
        ratio *= sm_emission_ratio(line, sm_emission_height(&c->emission, peak - chance));
    }
    return log(ratio);
}

SM_WIDE void sm_comb_push(sm_comb *c, size_t i_channel, size_t i_band, const double *psd,
                          double rpm, double change_rpm)
{
    if (i_channel >= c->n_channels || i_band >= c->n_bands || !(rpm > 0)) {
        return;
    }
    channel_sums *s = &c->channels[i_channel];
    band_sum *b = &s->bands[i_band];
    if (b->n_offered++ >= ALL_FRAMES && b->n_offered % THEN_EVERY != 0) {
        return;
    }
    sm_whiten(psd, c->n_bins, c->bin_hz, FLOOR_STEP_HZ, s->snr, s->scratch);
    double shaft_hz = rpm * c->hz_per_rpm;
    double change_hz = fabs(change_rpm) * c->hz_per_rpm;
    b->n++;
    for (size_t i = 0; i < c->n_scales; i++) {
        b->l[i] += grid_fit(c, s->snr, shaft_hz * c->scale[i], change_hz * c->scale[i]);
    }
    for (size_t i = 0; i < c->emission.n; i++) {
        const sm_emission_line *line = &c->emission.lines[i];
        double hz = line->order * shaft_hz;
        double smear = line->order * change_hz;
        if (hz < HZ_LEAST || hz + smear > c->bin_hz * (double)(c->n_bins - 4) ||
            smear > SMEAR_MOST * c->bin_hz) {
            continue;
        }
        line_sum *sum = &s->lines[i_band * (c->emission.n + 1) + i];
        double snr = lobe_snr(c, s->snr, hz, smear);
        double capped = sm_min(snr, SEEN_CAP);
        sum->n++;
        sum->snr += snr;
        sum->capped += capped;
        if (line->apart * shaft_hz > 3 * c->bin_hz + smear + 3 * SPEED_OFF * hz) {
            sum->n_apart++;
            sum->capped_apart += capped;
        }
    }
}

typedef struct standing {
    long bands; /* with frames enough */
    long stands;
    long alone; /* of these, away from the orders of other shafts */
    double db;  /* in the band where it is strongest */
} standing;

/* How one line stands out in one channel, band by band. */
static standing stand(const sm_comb *c, size_t i_channel, size_t i_line, size_t b0, size_t b1)
{
    standing out = {.db = -INFINITY};
    for (size_t b = b0; b < b1; b++) {
        const line_sum *s = &c->channels[i_channel].lines[b * (c->emission.n + 1) + i_line];
        if (s->n < FRAMES_LEAST) {
            continue;
        }
        out.bands++;
        bool stands = s->capped >= SEEN * (double)s->n;
        out.stands += stands;
        out.alone += stands && s->n_apart >= FRAMES_LEAST && 4 * s->n_apart >= s->n &&
                     s->capped_apart >= SEEN * (double)s->n_apart;
        if (stands) {
            out.db = fmax(out.db, 10 * log10(s->snr / (double)s->n));
        }
    }
    return out;
}

static void look_at_lines(const sm_comb *c, const size_t *channels, size_t n, size_t b0, size_t b1,
                          sm_comb_result *out)
{
    bool geared = c->p->has_gearbox;
    for (size_t i = 0; i < c->emission.n; i++) {
        const sm_emission_line *line = &c->emission.lines[i];
        bool seen = false;
        for (size_t k = 0; k < n; k++) {
            standing s = stand(c, channels[k], i, b0, b1);
            /* in the run as a whole: in a fifth of its bands, one band alone is chance */
            long least = (long)ceil(BANDS_SHARE * (double)s.bands);
            bool stands = s.stands > 0 && s.stands >= least;
            seen = seen || stands;
            if (stands && !(s.db <= out->best_db)) {
                out->best_db = s.db;
                out->best_order = (long)line->i_order;
            }
            bool alone = line->own && line->prior >= PRIOR_LEAST && s.alone >= least;
            bool counts = stands && (alone || !geared);
            out->seen_crank = out->seen_crank || (counts && (line->shaft == SM_SHAFT_CRANK));
            out->seen_prop =
                out->seen_prop || (counts && (line->shaft == SM_SHAFT_PROP || !geared));
        }
        out->n_seen += seen;
    }
}

static void name_rival(const sm_comb *c, double scale, char *out, size_t capacity)
{
    bool half = fabs(scale - 0.5) < 1e-9;
    bool twice = fabs(scale - 2) < 1e-9;
    double gear = sm_powertrain_reference_per(c->p, SM_SHAFT_PROP) /
                  sm_powertrain_reference_per(c->p, SM_SHAFT_CRANK);
    bool other_shaft = fabs(scale - gear) < 1e-9 || fabs(scale - 1 / gear) < 1e-9;
    (void)snprintf(out, capacity,
                   half          ? "half the speed"
                   : twice       ? "twice the speed"
                   : other_shaft ? "%.4g x the speed (the other shaft)"
                                 : "%.4g x the speed",
                   scale);
}

static void compare_grids(const sm_comb *c, const size_t *channels, size_t n, size_t b0, size_t b1,
                          sm_comb_result *out)
{
    double l[SM_COMB_SCALES] = {0};
    double frames = 0;
    for (size_t k = 0; k < n; k++) {
        for (size_t b = b0; b < b1; b++) {
            const band_sum *x = &c->channels[channels[k]].bands[b];
            out->n_frames = k == 0 && b == b0 ? 0 : out->n_frames;
            frames += (double)x->n;
            out->n_frames += k == 0 ? x->n : 0;
            for (size_t i = 0; i < c->n_scales; i++) {
                l[i] += x->l[i];
            }
        }
    }
    out->evidence = frames > 0 ? l[0] / frames : (double)NAN;
    out->margin = INFINITY;
    out->rival = NAN;
    for (size_t k = 1; k < c->n_scales && frames > 0; k++) {
        size_t best = 1; /* of those not named yet */
        for (size_t i = 2; i < c->n_scales; i++) {
            best = l[i] > l[best] ? i : best;
        }
        double margin = (l[0] - l[best]) / frames;
        if (k == 1) {
            out->margin = margin;
            out->rival = c->scale[best];
        }
        if (!(margin < MARGIN_LEAST)) {
            break;
        }
        name_rival(c, c->scale[best], out->ambiguous[out->n_ambiguous++], sizeof *out->ambiguous);
        l[best] = -INFINITY;
    }
}

void sm_comb_result_get(const sm_comb *c, const size_t *channels, size_t n, size_t i_band,
                        sm_comb_result *out)
{
    *out = (sm_comb_result){.best_db = NAN, .best_order = -1, .margin = NAN, .rival = NAN};
    bool whole = i_band >= c->n_bands;
    size_t b0 = whole ? 0 : i_band;
    size_t b1 = whole ? c->n_bands : i_band + 1;
    compare_grids(c, channels, n, b0, b1, out);
    if (out->n_frames < FRAMES_LEAST) {
        return;
    }
    look_at_lines(c, channels, n, b0, b1, out);
    bool beaten =
        out->margin < -MARGIN_CONTRADICTS && out->evidence - out->margin > EVIDENCE_CONTRADICTS;
    /* a machine with few lines fits its table badly, but clear lines where they belong still count
     */
    bool fits = out->n_seen >= 1 && (out->evidence > 0 || out->best_db >= CLEAR_DB);
    if (whole) {
        fits = fits && out->n_seen >= 2 && out->margin >= MARGIN_LEAST;
    } else if (beaten || fits) {
        sm_comb_result run;
        sm_comb_result_get(c, channels, n, SIZE_MAX, &run);
        /* the surer the run, the less a band's few frames can shake it */
        double give = run.margin > MARGIN_SURE ? MARGIN_SURE : MARGIN_BAND;
        fits = fits && run.check == SM_COMB_CONFIRMED && out->margin > -give;
        beaten = beaten && run.check == SM_COMB_CONTRADICTED;
    }
    out->check = beaten ? SM_COMB_CONTRADICTED : fits ? SM_COMB_CONFIRMED : SM_COMB_UNCONFIRMED;
}

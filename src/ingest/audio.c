/* Audio containers through libsndfile: the only file that includes its header. */
#include "core/alloc.h"
#include "ingest/raw.h"

#include <errno.h>
#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

struct sm_audio {
    SNDFILE *file;
    SF_INFO info;
    FILE *spool; /* standard input, copied: containers need seeking */
    double *frames;
    uint64_t i_row;
    bool broken; /* nothing can be read behind i_row */
    char *path;
};

bool sm_audio_is(const char *data, size_t n)
{
    static const char *const magics[] = {"RIFF", "RIFX", "RF64", "riff", "caff",
                                         "fLaC", "FORM", ".snd", "OggS"};
    for (size_t i = 0; n >= 4 && i < sizeof magics / sizeof magics[0]; i++) {
        if (memcmp(data, magics[i], 4) == 0) {
            return true;
        }
    }
    return false;
}

static sm_status spool(sm_input *in, sm_audio *a, sm_error *err)
{
    a->spool = tmpfile();
    if (!a->spool) {
        return sm_error_set(err, SM_E_IO, a->path, 0, "no temporary file: %s", strerror(errno));
    }
    for (;;) {
        size_t n;
        const char *data = sm_input_data(in, &n);
        if (n && fwrite(data, 1, n, a->spool) != n) {
            return sm_error_set(err, SM_E_IO, a->path, 0, "cannot copy it: %s", strerror(errno));
        }
        sm_input_skip(in, n);
        if (sm_input_at_end(in)) {
            break;
        }
        sm_status st = sm_input_more(in, err);
        if (st != SM_OK) {
            return st;
        }
    }
    if (fflush(a->spool) != 0 || lseek(fileno(a->spool), 0, SEEK_SET) != 0) {
        return sm_error_set(err, SM_E_IO, a->path, 0, "cannot copy it: %s", strerror(errno));
    }
    return SM_OK;
}

/* What a lossy coder leaves out was chosen by ear; 8-bit logarithmic steps bury small lines. */
static sm_status refuse_lossy(const char *path, sm_error *err)
{
    return sm_error_set(err, SM_E_FORMAT, path, 0,
                        "audio that was compressed with loss: what it left out cannot be judged; "
                        "record WAV (16 bit or more) or FLAC");
}

static bool is_lossless(int format)
{
    static const int codings[] = {SF_FORMAT_PCM_S8,  SF_FORMAT_PCM_U8,  SF_FORMAT_PCM_16,
                                  SF_FORMAT_PCM_24,  SF_FORMAT_PCM_32,  SF_FORMAT_FLOAT,
                                  SF_FORMAT_DOUBLE,  SF_FORMAT_ALAC_16, SF_FORMAT_ALAC_20,
                                  SF_FORMAT_ALAC_24, SF_FORMAT_ALAC_32};
    for (size_t i = 0; i < sizeof codings / sizeof codings[0]; i++) {
        if ((format & SF_FORMAT_SUBMASK) == codings[i]) {
            return true;
        }
    }
    return false;
}

static sm_status open_file(sm_input *in, sm_audio *a, sm_error *err)
{
    size_t n;
    const char *data = sm_input_data(in, &n);
    if (n >= 4 && memcmp(data, "OggS", 4) == 0) {
        return refuse_lossy(a->path, err);
    }
    if (strcmp(a->path, "-") == 0) {
        sm_status st = spool(in, a, err);
        if (st != SM_OK) {
            return st;
        }
        a->file = sf_open_fd(fileno(a->spool), SFM_READ, &a->info, 0);
    } else {
        a->file = sf_open(a->path, SFM_READ, &a->info);
    }
    if (!a->file) {
        return sm_error_set(err, SM_E_FORMAT, a->path, 0,
                            "an audio container that cannot be read: %s", sf_strerror(NULL));
    }
    if (!is_lossless(a->info.format)) {
        return refuse_lossy(a->path, err);
    }
    if (a->info.channels < 1 || a->info.channels > SM_MAX_CHANNELS || a->info.samplerate < 1) {
        return sm_error_set(err, SM_E_FORMAT, a->path, 0,
                            "%d channels at %d Hz: 1 to %d can be read", a->info.channels,
                            a->info.samplerate, SM_MAX_CHANNELS);
    }
    if (a->info.frames < 1) {
        return sm_error_set(err, SM_E_SHORT, a->path, 0, "no samples in it");
    }
    a->frames = sm_alloc_array((size_t)a->info.channels * SM_BLOCK_ROWS, sizeof *a->frames);
    return a->frames ? SM_OK : sm_error_set(err, SM_E_NOMEM, a->path, 0, "out of memory");
}

static sm_status find_columns(sm_audio *a, const sm_channels_file *f, sm_raw_info *info,
                              sm_error *err)
{
    if (!f->given) {
        return sm_error_set(err, SM_E_FORMAT, a->path, 0,
                            "an audio container does not say what its channels are; write a "
                            "channels file: [column 1] and below it: role = accel.x, unit = g, "
                            "scale = g at full scale; then give it with --channels");
    }
    sm_column_in in[SM_MAX_CHANNELS];
    size_t n = (size_t)a->info.channels;
    for (size_t i = 0; i < n; i++) {
        in[i] = (sm_column_in){.name = "", .unit_row = ""};
    }
    sm_status st = sm_columns_find(in, n, a->path, 0, f, &info->columns, err);
    if (st != SM_OK) {
        return st;
    }
    info->exact_clock = true;
    info->nominal_rate_hz = f->nominal_rate_hz;
    info->rate_hz = f->rate_hz > 0 ? f->rate_hz : a->info.samplerate;
    info->rate_from = f->rate_hz > 0 ? "the channels file" : "the container";
    info->stamp_to_s = 1 / info->rate_hz;
    sm_text head = {0};
    sm_text_addf(&head, "audio container, %d channels, ", a->info.channels);
    sm_text_add_number(&head, info->rate_hz, 9);
    sm_text_addf(&head, " Hz from %s\n%s", info->rate_from,
                 info->columns.decided.s ? info->columns.decided.s : "");
    sm_text_free(&info->columns.decided);
    info->columns.decided = head;
    return head.failed ? sm_error_set(err, SM_E_NOMEM, a->path, 0, "out of memory") : SM_OK;
}

sm_status sm_audio_open(sm_input *in, const sm_channels_file *f, sm_raw_info *info, sm_audio **out,
                        sm_error *err)
{
    sm_audio *a = sm_alloc_array(1, sizeof *a);
    char *path = sm_alloc_text(sm_input_path(in));
    if (!a || !path) {
        sm_free(a);
        sm_free(path);
        return sm_error_set(err, SM_E_NOMEM, sm_input_path(in), 0, "out of memory");
    }
    a->path = path;
    sm_status st = open_file(in, a, err);
    if (st == SM_OK) {
        st = find_columns(a, f, info, err);
    }
    if (st == SM_OK) {
        *out = a;
    } else {
        sm_audio_close(&a);
    }
    return st;
}

sm_status sm_audio_next(sm_audio *a, const sm_raw_info *info, sm_rows *rows, bool *cut_short,
                        sm_error *err)
{
    sf_count_t got = a->broken ? 0 : sf_readf_double(a->file, a->frames, SM_BLOCK_ROWS);
    a->broken = a->broken || got < 0 || sf_error(a->file) != SF_ERR_NO_ERROR;
    got = got > 0 ? got : 0;
    *cut_short = a->broken;
    if (a->broken && a->i_row == 0 && got == 0) {
        return sm_error_set(err, SM_E_FORMAT, a->path, 0, "broken after %g s: %s",
                            (double)a->i_row * info->stamp_to_s, sf_strerror(a->file));
    }
    rows->n = (size_t)got;
    size_t n_columns = (size_t)a->info.channels;
    for (size_t k = 0; k < n_columns; k++) {
        int t = info->columns.target[k];
        if (t < 0) {
            continue;
        }
        const sm_channel *ch = &info->columns.channels[t];
        for (size_t i = 0; i < rows->n; i++) {
            double v = a->frames[i * n_columns + k];
            rows->x[t][i] = isfinite(v) ? v * ch->gain + ch->offset_si : (double)NAN;
        }
    }
    for (size_t i = 0; i < rows->n; i++) {
        rows->stamp[i] = (double)(a->i_row + i) * info->stamp_to_s;
        rows->line[i] = 0;
    }
    a->i_row += rows->n;
    return SM_OK;
}

sm_status sm_audio_rewind(sm_audio *a, sm_error *err)
{
    a->i_row = 0;
    a->broken = false;
    return sf_seek(a->file, 0, SEEK_SET) == 0
               ? SM_OK
               : sm_error_set(err, SM_E_IO, a->path, 0, "cannot be read again from its start");
}

void sm_audio_close(sm_audio **a)
{
    if (!*a) {
        return;
    }
    if ((*a)->file) {
        (void)sf_close((*a)->file);
    }
    if ((*a)->spool) {
        (void)fclose((*a)->spool);
    }
    sm_free((*a)->frames);
    sm_free((*a)->path);
    sm_free(*a);
    *a = NULL;
}

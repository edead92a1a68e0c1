/* Audio container for a log: the only file of the simulator that knows libsndfile. */
#include "core/alloc.h"
#include "simulate/internal.h"

#include <math.h>
#include <sndfile.h>
#include <string.h>

struct sm_sim_audio {
    SNDFILE *file;
    char *path;
    int channels;
};

static const struct {
    const char *ending;
    int format;
} formats[] = {
    {".wav", SF_FORMAT_WAV | SF_FORMAT_PCM_24},   {".w64", SF_FORMAT_W64 | SF_FORMAT_PCM_24},
    {".rf64", SF_FORMAT_RF64 | SF_FORMAT_PCM_24}, {".caf", SF_FORMAT_CAF | SF_FORMAT_PCM_24},
    {".flac", SF_FORMAT_FLAC | SF_FORMAT_PCM_24},
};

static int format_of(const char *path)
{
    size_t n = strlen(path);
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        size_t k = strlen(formats[i].ending);
        if (n > k && strcmp(path + n - k, formats[i].ending) == 0) {
            return formats[i].format;
        }
    }
    return 0;
}

bool sm_sim_audio_name(const char *path)
{
    return format_of(path) != 0;
}

sm_status sm_sim_audio_open(const char *path, int descriptor, int channels, double rate_hz,
                            sm_sim_audio **out, sm_error *err)
{
    SF_INFO info = {
        .samplerate = (int)lround(rate_hz), .channels = channels, .format = format_of(path)};
    if (fabs(rate_hz - round(rate_hz)) > 1e-9) {
        return sm_error_set(err, SM_E_VALUE, path, 0,
                            "an audio file needs a whole number of samples per second: set [log] "
                            "rate_hz so, or write CSV");
    }
    if (!sf_format_check(&info)) {
        return sm_error_set(err, SM_E_VALUE, path, 0,
                            "this kind of file cannot hold %d channels at %g Hz (FLAC: at most 8): "
                            "write .wav, .w64 or .caf",
                            channels, rate_hz);
    }
    sm_sim_audio *a = sm_alloc_array(1, sizeof *a);
    char *copy = sm_alloc_text(path);
    if (!a || !copy) {
        sm_free(a);
        sm_free(copy);
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    a->path = copy;
    a->channels = channels;
    a->file = sf_open_fd(descriptor, SFM_WRITE, &info, SF_FALSE);
    if (!a->file) {
        sm_status st =
            sm_error_set(err, SM_E_IO, path, 0, "cannot write it: %s", sf_strerror(NULL));
        sm_free(a->path);
        sm_free(a);
        return st;
    }
    *out = a;
    return SM_OK;
}

sm_status sm_sim_audio_put(sm_sim_audio *a, const double *frames, size_t n, sm_error *err)
{
    sf_count_t done = sf_writef_double(a->file, frames, (sf_count_t)n);
    if (done != (sf_count_t)n) {
        return sm_error_set(err, SM_E_IO, a->path, 0, "cannot write it: %s", sf_strerror(a->file));
    }
    return SM_OK;
}

sm_status sm_sim_audio_close(sm_sim_audio **audio, sm_error *err)
{
    sm_sim_audio *a = *audio;
    *audio = NULL;
    if (!a) {
        return SM_OK;
    }
    sm_status st = SM_OK;
    if (sf_close(a->file) != 0) {
        st = sm_error_set(err, SM_E_IO, a->path, 0, "cannot finish writing it");
    }
    sm_free(a->path);
    sm_free(a);
    return st;
}

/* SHA-256 through OpenSSL's EVP, which uses the processor's SHA instructions where there are any.
 */
#include "core/alloc.h"
#include "stillmount/file.h"
#include "stillmount/number.h"

#include <errno.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <string.h>

struct sm_digest {
    EVP_MD_CTX *ctx;
};

sm_status sm_digest_open(sm_digest **out)
{
    sm_digest *d = sm_alloc_array(1, sizeof *d);
    if (d) {
        d->ctx = EVP_MD_CTX_new();
    }
    if (!d || !d->ctx || EVP_DigestInit_ex(d->ctx, EVP_sha256(), NULL) != 1) {
        if (d) {
            EVP_MD_CTX_free(d->ctx);
        }
        sm_free(d);
        return SM_E_NOMEM;
    }
    *out = d;
    return SM_OK;
}

void sm_digest_push(sm_digest *d, const void *data, size_t n)
{
    (void)EVP_DigestUpdate(d->ctx, data, n);
}

sm_status sm_digest_close(sm_digest **d, char hex[65])
{
    unsigned char raw[EVP_MAX_MD_SIZE];
    unsigned n = 0;
    int good = EVP_DigestFinal_ex((*d)->ctx, raw, &n);
    EVP_MD_CTX_free((*d)->ctx);
    sm_free(*d);
    *d = NULL;
    if (good != 1 || n != 32) {
        return SM_E_NOMEM;
    }
    for (unsigned i = 0; i < n; i++) {
        (void)snprintf(hex + (size_t)2 * i, 3, "%02x", raw[i]);
    }
    return SM_OK;
}

sm_status sm_file_identify(const char *path, sm_file_identity *out, sm_error *err)
{
    sm_file_identity id = {0};
    const char *name = sm_file_name(path);
    sm_text_inert(name, strlen(name), id.name, sizeof id.name);
    FILE *f = fopen(path, "rb");
    if (!f) {
        return sm_error_set(err, SM_E_IO, path, 0, "cannot open it: %s", strerror(errno));
    }
    sm_status st = SM_OK;
    sm_digest *d = NULL;
    unsigned char *buf = sm_alloc_array(65536, 1);
    if (!buf || sm_digest_open(&d) != SM_OK) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
        goto done;
    }
    size_t n;
    while ((n = fread(buf, 1, 65536, f)) > 0) {
        sm_digest_push(d, buf, n);
        id.bytes += n;
    }
    if (ferror(f)) {
        st = sm_error_set(err, SM_E_IO, path, 0, "cannot read it: %s", strerror(errno));
    }
    if (sm_digest_close(&d, id.sha256) != SM_OK && st == SM_OK) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
done:
    sm_free(buf);
    (void)fclose(f);
    if (st == SM_OK) {
        *out = id;
    }
    return st;
}

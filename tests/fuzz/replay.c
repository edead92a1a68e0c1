/* Runs every file of the folders given through a fuzz target, in place of libFuzzer's own main. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static int replay(const char *path)
{
    FILE *f = fopen(path, "rb");
    if (!f) {
        return 0; /* "." and ".." */
    }
    static uint8_t buf[1 << 20];
    size_t n = fread(buf, 1, sizeof buf, f);
    (void)fclose(f);
    uint8_t *exact = malloc(n ? n : 1); /* so that reading past its end is noticed */
    if (!exact) {
        return 0;
    }
    for (size_t i = 0; i < n; i++) {
        exact[i] = buf[i];
    }
    (void)LLVMFuzzerTestOneInput(exact, n);
    free(exact);
    return 1;
}

int main(int argc, char **argv)
{
    int count = 0;
    for (int i = 1; i < argc; i++) {
        DIR *folder = opendir(argv[i]);
        for (struct dirent *e; folder && (e = readdir(folder)) != NULL;) {
            char path[4096];
            if (e->d_name[0] != '.') {
                (void)snprintf(path, sizeof path, "%s/%s", argv[i], e->d_name);
                count += replay(path);
            }
        }
        if (folder) {
            (void)closedir(folder);
        }
    }
    (void)printf("%d inputs\n", count);
    return count ? 0 : 1;
}

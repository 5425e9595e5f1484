/* Texts of masks, applied to a small map of odd numbers. */
#include "fuzz.h"
#include "review/mask.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { NY = 3, NX = 4, N = NY * NX };

static const float plane[N] = {1, -1, 0, NAN, INFINITY, -INFINITY, 1e30f, 1e-30f, 2, 3, 3, 3};
static const double y_m[NY] = {0, 1e-6, 4e-6}, x_m[NX] = {-1e-6, 0, 1e-6, 2e-6};

static void apply(struct mask *m)
{
    struct report rep = {""};
    struct mask_grid g = {.ny = NY, .nx = NX, .y_m = y_m, .x_m = x_m};
    uint64_t flags[N];
    uint8_t state[N], out[N];
    for (int i = 0; i < MAP_COUNT; i += 2) /* every other map is not there */
        g.map[i] = g.error[i] = plane, g.factor[i] = 1e-9;
    for (size_t i = 0; i < N; i++)
        flags[i] = i, state[i] = (uint8_t)(i % STATE_COUNT);
    g.flags = flags;
    g.state = state;
    for (size_t i = 0; i < mask_sources(m); i++) {
        double *value = calloc(N, sizeof *value);
        mask_source(m, i)->value = value;
        if (value) value[N - 1] = NAN, value[0] = 2;
    }
    memset(out, 7, sizeof out);
    enum status st = mask_apply(m, &g, out, &rep);
    fuzz_check_status(st, &rep);
    for (size_t i = 0; st == ST_OK && i < N; i++)
        if (out[i] > 1) fuzz_wrong("a pixel that is neither in the mask nor outside");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct report rep = {""};
    struct mask *m = NULL;
    char *text = calloc(size + 1, 1);
    if (!text) return 0;
    memcpy(text, data, size);
    enum status st = mask_parse(&m, text, &rep);
    fuzz_check_status(st, &rep);
    if ((st == ST_OK) != (m != NULL)) fuzz_wrong("a mask without, or with, an error");
    if (m) apply(m);
    mask_free(&m);
    free(text);
    return 0;
}

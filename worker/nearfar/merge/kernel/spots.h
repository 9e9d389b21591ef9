/* Spots: places of the sensor that tell nothing of the scene (hot pixels, dust). What a frame has there is filled, and
   its score is lower there, so that another frame gives the place if one can. */
#ifndef NEARFAR_SPOTS_H
#define NEARFAR_SPOTS_H
#include "nearfar.h"

#define NF_SPOT .25f              /* factor of a frame's score on a spot */
#define NF_MOST_REACH 96          /* pixels around its middle that a spot may lower at the most */

/* The first run whose row is not before `at`. */
static inline int64_t nf_first_run(const int32_t *runs, int64_t count, int32_t at) {
    int64_t lo = 0, hi = count;
    while (lo < hi) {
        int64_t middle = (lo + hi) / 2;
        if (runs[4 * middle] < at) lo = middle + 1;
        else hi = middle;
    }
    return lo;
}

/* Fills n values of all three colours of the frame's row y (inside the frame) from column x on, mirrored outside. */
static inline void nf_fill_row(const nf_pixels *f, int x, int y, int n, float *r, float *g, float *b) {
    const float scale = f->bits == 8 ? 1.f / 255 : 1.f / 65535;
    float *o[3] = {r, g, b};
    for (int64_t k = nf_first_run(f->runs, f->run_count, y); k < f->run_count && f->runs[4 * k] == y; k++) {
        const int32_t from = f->runs[4 * k + 1], length = f->runs[4 * k + 2];
        const uint16_t *fill = f->fill + 3 * (int64_t)f->runs[4 * k + 3];
        for (int i = 0; i < n; i++) {
            const int at = nf_mirror(x + i, f->width) - from;
            if (at < 0 || at >= length) continue;
            for (int c = 0; c < 3; c++) o[c][i] = f->table ? f->table[fill[3 * at + c]] : (float)fill[3 * at + c] * scale;
        }
    }
}
#endif

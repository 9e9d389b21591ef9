/* What the kernel's files share: where pixels lie, and how a sample becomes a number. */
#ifndef NEARFAR_H
#define NEARFAR_H
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* Pixels of one frame as they lie in memory (mapped file). Strides count samples, not bytes. */
typedef struct {
    const void *base;     /* red sample of the top left pixel */
    int64_t row;          /* from a row to the next */
    int64_t pixel;        /* from a pixel to its right neighbour: 1 where rows are planar, 3 where interleaved */
    int64_t plane;        /* from red to green, and from green to blue */
    int32_t width, height;
    int32_t bits;         /* 8 or 16 */
    int32_t reserved;
    const float *table;   /* sample -> value, 256 or 65536 entries */
} nf_pixels;

static inline int nf_clampi(int v, int lo, int hi) { return v < lo ? lo : (v > hi ? hi : v); }
static inline float nf_minf(float a, float b) { return a < b ? a : b; }
static inline float nf_maxf(float a, float b) { return a > b ? a : b; }

/* Index mirrored at the picture's edges, edge pixel repeated (-1 -> 0, n -> n-1), clamped beyond one width. */
static inline int nf_mirror(int j, int n) {
    if (j < 0) j = -j - 1;
    if (j >= n) j = 2 * n - 1 - j;
    return nf_clampi(j, 0, n - 1);
}
#endif

/* What the kernel's files share: where pixels lie, and how a sample becomes a number. */
#ifndef NEARFAR_H
#define NEARFAR_H
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define NF_BLOCK 64               /* edge of the blocks of a frame that was laid out in scratch */

/* Pixels of one frame as they lie in memory (mapped file). Strides count samples, not bytes.

   With blocks, the picture is cut into blocks of 64 x 64 pixels that lie one after the other, row by row of blocks,
   each with its red, green and blue plane: a window of the picture then lies in few pages. `row` is the stride from
   one row of blocks to the next, `plane` that from red to green, and `pixel` is 1. With `chroma` as well, each block has
   luma, 64 x 64, and then blue's and red's difference from it, of half the width or half of both. */
typedef struct {
    const void *base;     /* red sample of the top left pixel */
    int64_t row;          /* from a row to the next */
    int64_t pixel;        /* from a pixel to its right neighbour: 1 where rows are planar, 3 where interleaved */
    int64_t plane;        /* from red to green, and from green to blue */
    int32_t width, height;
    int32_t bits;         /* 8 or 16 */
    int32_t blocks;       /* 1 where the pixels lie in blocks */
    int32_t chroma;       /* 1 or 2 where blocks hold luma and chroma: see planes.h; 1: halved across, 2: down as well */
    const float *table;   /* sample -> value, 256 or 65536 entries */
    const int32_t *runs;  /* pixels that are filled, sorted by row: row, column, length, place of the first in fill */
    const uint16_t *fill; /* the samples to take there: red, green, blue of each pixel */
    int64_t run_count;
} nf_pixels;

/* Offset in samples of column x, and of row y: their sum is that of a pixel's red sample. */
static inline int64_t nf_column(const nf_pixels *p, int x) {
    return p->blocks ? (int64_t)(x / NF_BLOCK) * 3 * p->plane + x % NF_BLOCK : x * p->pixel;
}
static inline int64_t nf_row(const nf_pixels *p, int y) {
    return p->blocks ? (int64_t)(y / NF_BLOCK) * p->row + (int64_t)(y % NF_BLOCK) * NF_BLOCK : y * p->row;
}

static inline int nf_clampi(int v, int lo, int hi) { return v < lo ? lo : (v > hi ? hi : v); }
static inline float nf_minf(float a, float b) { return a < b ? a : b; }
static inline float nf_maxf(float a, float b) { return a > b ? a : b; }

/* Index mirrored at the picture's edges, edge pixel repeated (-1 -> 0, n -> n-1), clamped beyond one width. */
static inline int nf_mirror(int j, int n) {
    if (j < 0) j = -j - 1;
    if (j >= n) j = 2 * n - 1 - j;
    return nf_clampi(j, 0, n - 1);
}

/* Beyond its pose a frame may be bent: a displacement in its own pixels, cubic in the picture's x and y. Ten coefficients
   each for x and y, of 1, X, Y, XX, XY, YY, XXX, XXY, XYY, YYY, where X = (x - centre_x) per and Y likewise. */
typedef struct {
    double centre_x, centre_y, per;
    double largest;       /* px: no displacement within |X|, |Y| <= 1 is larger; 0 where the frame is not bent */
    double steep;         /* nor changes by more from a pixel to the next */
    double x[10], y[10];
} nf_bend;

static inline double nf_bent(const nf_bend *b, const double *p, double x, double y) {
    const double X = (x - b->centre_x) * b->per, Y = (y - b->centre_y) * b->per;
    const double r0 = p[0] + Y * (p[2] + Y * (p[5] + Y * p[9])), r1 = p[1] + Y * (p[4] + Y * p[8]), r2 = p[3] + Y * p[7];
    return r0 + X * (r1 + X * (r2 + X * p[6]));
}

/* Where a frame has the picture's (x, y): by its pose, and by what it is bent beyond that (null: not at all). */
static inline double nf_u(const double *pose, const nf_bend *bend, double x, double y) {
    const double u = pose[0] * x + (pose[1] * y + pose[2]);
    return bend ? u + nf_bent(bend, bend->x, x, y) : u;
}
static inline double nf_v(const double *pose, const nf_bend *bend, double x, double y) {
    const double v = pose[3] * x + (pose[4] * y + pose[5]);
    return bend ? v + nf_bent(bend, bend->y, x, y) : v;
}
#endif

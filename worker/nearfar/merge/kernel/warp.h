/* One frame carried into a window of the picture, with what the scores need from it. */
#ifndef NEARFAR_WARP_H
#define NEARFAR_WARP_H
#include "nearfar.h"

#define NF_WIDEST 384             /* widest window in pixels */
#define NF_UNIT 24576.f           /* colours are held as 16-bit integers, NF_UNIT for 1.0: room for the overshoot of the cubic */
#define NF_RING 32                /* source rows held at a time: enough for a roll of 4 degrees in a window of 320 */
#define NF_RING_ROLLED 128        /* the same where a frame is rolled more, up to 20 degrees */

/* Planes of one frame in a window. Pointers are to the window's top left pixel; full planes have stride `width`,
   half-size planes stride `width / 2`. */
typedef struct {
    int16_t *colour;              /* 3 planes */
    float *fine;                  /* finest luma band, y - B5 y */
    float *square;                /* half size: mean of fine squared */
    float *half_luma;             /* half size */
} nf_planes;

/* Box inside a window, window pixels: x in x0..x1-1, y in y0..y1-1. x0, x1 multiples of 16, y0, y1 even. */
typedef struct { int x0, y0, x1, y1; } nf_box;

/* Of each half row of a window, the columns from start to end - 1 at half size in which a frame can matter, multiples of 8.
   Half rows of one row of cells have the same. */
typedef struct { const int16_t *start, *end; } nf_rows;

typedef struct {
    float source[3][2 * NF_WIDEST + 64];
    float ring[NF_RING_ROLLED][3][NF_WIDEST];
    float row[3][NF_WIDEST];
    float luma[8][NF_WIDEST + 16];
    float across[8][NF_WIDEST];
    float band[2][NF_WIDEST];
    double places[NF_WIDEST + 1];
} nf_warp_work;

/* `bend` is null for a frame that lies as its pose says. Outside of `rows` (null: nowhere) bands and half luma are 0, and
   colours are not written; near their ends, filters repeat the edge as they do at the box's. */
void nf_warp_window(const nf_pixels *frame, const double pose[6], const nf_bend *bend, int left, int top, int width, int height,
                    nf_box box, const nf_rows *rows, nf_planes to, nf_warp_work *work);

/* B5 of one row: five rows that are blurred across, or one row with two samples of margin. */
static inline void nf_b5_across(const float *restrict s, float *restrict o, int n) {
    for (int i = 0; i < n; i++) o[i] = .375f * s[i] + .25f * (s[i - 1] + s[i + 1]) + .0625f * (s[i - 2] + s[i + 2]);
}
static inline void nf_b5_down(const float *restrict a, const float *restrict b, const float *restrict c, const float *restrict d,
                              const float *restrict e, float *restrict o, int n) {
    for (int i = 0; i < n; i++) o[i] = .375f * c[i] + .25f * (b[i] + d[i]) + .0625f * (a[i] + e[i]);
}
#endif

/* Red, green and blue of a frame that lies in scratch as its JPEG has it: luma, and both colour differences at half width,
   or half width and height. They become what libjpeg makes of them, bit for bit: between samples of chroma by its triangle
   filter (ITU-T T.81 leaves the way open), then ITU-T T.871 in 16 fractional bits. Specification: planes.py. */
#ifndef NEARFAR_PLANES_H
#define NEARFAR_PLANES_H
#include "nearfar.h"

#define NF_RUN 256                /* pixels that are worked on at a time; their bytes stay in the first cache */
#define NF_HALF (NF_BLOCK / 2)

static inline int64_t nf_chroma_rows(const nf_pixels *p) { return p->chroma == 2 ? NF_HALF : NF_BLOCK; }
static inline int64_t nf_plane_block(const nf_pixels *p) { return NF_BLOCK * NF_BLOCK + 2 * NF_HALF * nf_chroma_rows(p); }

/* Whole blocks of a row of chroma to o, from block `first` on; the columns beside the picture repeat its edge. */
static inline void nf_chroma_row(const nf_pixels *p, int ring, int which, int y, int first, int last, uint8_t *restrict o) {
    const int64_t rows = nf_chroma_rows(p), step = nf_plane_block(p);
    const int64_t down = ring ? y / rows % ring : y / rows, edge = (p->width - 1) / 2 - (int64_t)first * NF_HALF;
    const uint8_t *from = (const uint8_t *)p->base + down * p->row + first * step + NF_BLOCK * NF_BLOCK
        + which * NF_HALF * rows + y % rows * NF_HALF;
    for (int b = first; b <= last; b++, from += step) memcpy(o + (int64_t)(b - first) * NF_HALF, from, NF_HALF);
    if (!first) o[-1] = o[0];
    if (edge < (int64_t)(last - first + 1) * NF_HALF) o[edge + 1] = o[edge];
}

/* 2 n values between samples of chroma: n samples from `near` on, whose row is nearer than that of `other`. Sums stay below
   2^12, so 16 bits do, of which twice as many go into a register. */
static inline void nf_between(const uint8_t *restrict near, const uint8_t *restrict other, int down, int n, int16_t *restrict o) {
    int16_t sums[NF_RUN / 2 + 4], *restrict s = sums + 1;
    if (down) {
        for (int i = -1; i <= n; i++) s[i] = (int16_t)(3 * near[i] + other[i]);
        for (int i = 0; i < n; i++) {
            o[2 * i] = (int16_t)((int16_t)(3 * s[i] + s[i - 1] + 8) >> 4);
            o[2 * i + 1] = (int16_t)((int16_t)(3 * s[i] + s[i + 1] + 7) >> 4);
        }
    } else {
        for (int i = -1; i <= n; i++) s[i] = near[i];
        for (int i = 0; i < n; i++) {
            o[2 * i] = (int16_t)((int16_t)(3 * s[i] + s[i - 1] + 1) >> 2);
            o[2 * i + 1] = (int16_t)((int16_t)(3 * s[i] + s[i + 1] + 2) >> 2);
        }
    }
}

static inline int16_t nf_high(int16_t a, int16_t b) { return (int16_t)((int32_t)a * b >> 16); }
static inline uint8_t nf_byte(int16_t v) { return (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v); }

/* T.871, section 7, with factors in 65536ths, rounded: red y + (91881 cr + 32768 >> 16), green y - (22554 cb + 46802 cr -
   32768 >> 16), blue y + (116130 cb + 32768 >> 16). Whole parts of the factors are set apart, and 2 a f >> 16, plus one,
   halved, is a f + 32768 >> 16: again 16 bits do. */
static inline void nf_colours(const uint8_t *restrict luma, const int16_t *restrict blue, const int16_t *restrict red, int n,
                              uint8_t *restrict r, uint8_t *restrict g, uint8_t *restrict b) {
    for (int i = 0; i < n; i++) {
        const int16_t y = luma[i], cb = (int16_t)(blue[i] - 128), cr = (int16_t)(red[i] - 128);
        const int16_t more_r = (int16_t)((int16_t)(nf_high((int16_t)(2 * cr), 26345) + 1) >> 1);
        const int16_t more_g = (int16_t)((18734 * cr - 22554 * cb + 32768) >> 16);
        const int16_t more_b = (int16_t)((int16_t)(nf_high((int16_t)(2 * cb), -14942) + 1) >> 1);
        r[i] = nf_byte((int16_t)(y + cr + more_r));
        g[i] = nf_byte((int16_t)(y - cr + more_g));
        b[i] = nf_byte((int16_t)(y + 2 * cb + more_b));
    }
}

static inline void nf_short_run(const nf_pixels *p, int ring, int x, int y, int n, uint8_t *r, uint8_t *g, uint8_t *b) {
    enum { ROOM = NF_RUN / 2 + 4 * NF_HALF };
    uint8_t chroma[2][ROOM], luma[NF_RUN + 2 * NF_BLOCK];
    int16_t full[2][NF_RUN + 8];
    const int down = p->chroma == 2, most = down ? (p->height - 1) / 2 : p->height - 1, own = down ? y / 2 : y;
    const int other = down ? nf_clampi(y & 1 ? own + 1 : own - 1, 0, most) : own;
    const int c = x / 2, count = (x + n - 1) / 2 - c + 1, end = (p->width - 1) / 2;
    const int first = (c ? c - 1 : 0) / NF_HALF, last = (c + count < end ? c + count : end) / NF_HALF;
    for (int k = 0; k < 2; k++) {
        uint8_t *near = chroma[0] + NF_HALF, *far = chroma[1] + NF_HALF;
        nf_chroma_row(p, ring, k, own, first, last, near);
        if (down) nf_chroma_row(p, ring, k, other, first, last, far);
        nf_between(near + c - first * NF_HALF, far + c - first * NF_HALF, down, count, full[k]);
    }
    const int64_t rows = ring ? y / NF_BLOCK % ring : y / NF_BLOCK;
    const uint8_t *from = (const uint8_t *)p->base + rows * p->row + x / NF_BLOCK * nf_plane_block(p) + y % NF_BLOCK * NF_BLOCK;
    for (int at = 0; at < n + x % NF_BLOCK; at += NF_BLOCK, from += nf_plane_block(p)) memcpy(luma + at, from, NF_BLOCK);
    nf_colours(luma + x % NF_BLOCK, full[0] + (x & 1), full[1] + (x & 1), n, r, g, b);
}

/* n pixels of row y from column x on, all inside the picture. ring: see nf_measure. */
static inline void nf_rgb_run(const nf_pixels *p, int ring, int x, int y, int n, uint8_t *r, uint8_t *g, uint8_t *b) {
    for (int i = 0; i < n; i += NF_RUN) nf_short_run(p, ring, x + i, y, n - i < NF_RUN ? n - i : NF_RUN, r + i, g + i, b + i);
}

/* Pixels in memory of rows of nf_rgb_run, red, green and blue `stride` apart, as a frame. */
static inline nf_pixels nf_rows_view(const nf_pixels *p, const uint8_t *rows, int64_t stride) {
    nf_pixels v = *p;
    v.base = rows;
    v.row = 3 * stride;
    v.pixel = 1;
    v.plane = stride;
    v.blocks = v.chroma = 0;
    return v;
}
#endif

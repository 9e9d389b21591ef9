/* Linear luma of a frame's pixels, wherever they lie, for registration: of a JPEG's planes the luma that it has, made linear as
   if it were grey. Specification: twin_register.py. */
#ifndef NEARFAR_LUMA_H
#define NEARFAR_LUMA_H
#include "planes.h"

/* Where the luma of a column begins, from its row on: in planes or in colours. */
static inline int64_t luma_column(const nf_pixels *p, int x) {
    return p->chroma ? x / NF_BLOCK * nf_plane_block(p) + x % NF_BLOCK : nf_column(p, x);
}

static float luma_of(const nf_pixels *p, int64_t at) {
    const float *t = p->table;
    if (p->bits == 8) {
        const uint8_t *s = (const uint8_t *)p->base + at;
        if (p->chroma) return t[s[0]];
        return .299f * t[s[0]] + .587f * t[s[p->plane]] + .114f * t[s[2 * p->plane]];
    }
    const uint16_t *s = (const uint16_t *)p->base + at;
    return .299f * t[s[0]] + .587f * t[s[p->plane]] + .114f * t[s[2 * p->plane]];
}

/* A row of luma, each value the mean of q x q pixels; xs holds the q * n mirrored column offsets. */
static void luma_row(const nf_pixels *p, const int64_t *rows, const int64_t *xs, int q, int n, float *out) {
    for (int i = 0; i < n; i++) {
        float s = 0.f;
        for (int v = 0; v < q; v++)
            for (int u = 0; u < q; u++) s += luma_of(p, rows[v] + xs[i * q + u]);
        out[i] = q == 1 ? s : s / (float)(q * q);
    }
}

/* Luma of n pixels of a row that lie side by side. */
static void luma_run(const nf_pixels *p, int64_t at, int n, float *restrict out) {
    const float *restrict t = p->table;
    int i = 0;
    if (p->chroma) {
        const uint8_t *restrict s = (const uint8_t *)p->base + at;
        for (; i < n; i++) out[i] = t[s[i]];
        return;
    }
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    if (p->bits == 8) {
        const uint8_t *base = (const uint8_t *)p->base + at;
        for (; i + 8 <= n; i += 8) {   /* eight at a time: reading samples one by one costs as much as the table */
            uint64_t r, g, b;
            memcpy(&r, base + i, 8);
            memcpy(&g, base + i + p->plane, 8);
            memcpy(&b, base + i + 2 * p->plane, 8);
            for (int j = 0; j < 8; j++, r >>= 8, g >>= 8, b >>= 8)
                out[i + j] = .299f * t[r & 255] + .587f * t[g & 255] + .114f * t[b & 255];
        }
    }
#endif
    for (; i < n; i++) out[i] = luma_of(p, at + i);
}

/* A row of luma from column x on, all inside the picture. */
static void luma_inside(const nf_pixels *p, int x, int64_t row, int n, float *out) {
    for (int i = 0; i < n;) {
        int count = p->blocks ? NF_BLOCK - (x + i) % NF_BLOCK : n;
        if (count > n - i) count = n - i;
        luma_run(p, row + luma_column(p, x + i), count, out + i);
        i += count;
    }
}
#endif

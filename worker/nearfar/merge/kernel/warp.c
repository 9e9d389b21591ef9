/* A frame's window in the picture's geometry: cubic interpolation from six samples in two one-dimensional passes.

   Every position is computed from the absolute pixel coordinates, so that a pixel gets the same bits in whatever
   window it lies. Sixteen neighbours (fewer the stronger scale or roll) share one whole-number offset, taken in their
   middle, which keeps the loops free of gathers; the cubic's pieces are used a little beyond their interval for it. */
#include "warp.h"
#include "spots.h"
#include "planes.h"

#define TAPS 6
static const float NEAR = .8f, FAR = -.2f; /* of the slope at a sample: NEAR (f1 - f-1) + FAR (f2 - f-2) */

/* Weights of the samples at -2..3: the cubic that has the samples at 0 and 1, and the slopes there. */
static inline void weights_at(float t, float *restrict w, const int N) {
    const float u = 1 - t, t2 = t * t, u2 = u * u, p = t * u2, q = t2 * u, np = NEAR * p, nq = NEAR * q, fp = FAR * p, fq = FAR * q;
    w[0] = -fp;
    w[N] = fq - np;
    w[2 * N] = u2 * (1 + 2 * t) + nq;
    w[3 * N] = t2 * (1 + 2 * u) + np;
    w[4 * N] = fp - nq;
    w[5 * N] = -fq;
}

static void convert8(const uint8_t *restrict s, int64_t step, const float *restrict table, float *restrict o, int n) {
    const float scale = 1.f / 255;
    if (table) for (int i = 0; i < n; i++) o[i] = table[s[step * i]];
    else if (step == 1) for (int i = 0; i < n; i++) o[i] = (float)s[i] * scale;
    else for (int i = 0; i < n; i++) o[i] = (float)s[step * i] * scale;
}

static void convert16(const uint16_t *restrict s, int64_t step, const float *restrict table, float *restrict o, int n) {
    const float scale = 1.f / 65535;
    if (table) for (int i = 0; i < n; i++) o[i] = table[s[step * i]];
    else if (step == 1) for (int i = 0; i < n; i++) o[i] = (float)s[i] * scale;
    else for (int i = 0; i < n; i++) o[i] = (float)s[step * i] * scale;
}

static void convert(const nf_pixels *f, int64_t at, int64_t step, float *restrict o, int n) {
    if (f->bits == 8) convert8((const uint8_t *)f->base + at, step, f->table, o, n);
    else convert16((const uint16_t *)f->base + at, step, f->table, o, n);
}

/* Of a frame in planes: what lies inside, n from x on, is made for all columns, also those that are mirrored. */
static void plane_row(const nf_pixels *f, int x, int y, int n, int first, int last, float (*o)[2 * NF_WIDEST + 64]) {
    uint8_t colours[3][2 * NF_WIDEST + 64];
    nf_pixels view = nf_rows_view(f, colours[0], sizeof colours[0]);
    if (last > first) nf_rgb_run(f, 0, x + first, y, last - first, colours[0] + first, colours[1] + first, colours[2] + first);
    for (int i = 0; i < n; i++) {
        if (i >= first && i < last) { i = last - 1; continue; }
        const int from = nf_mirror(x + i, f->width), there = from - x;
        if (there < first || there >= last) nf_rgb_run(f, 0, from, y, 1, colours[0] + i, colours[1] + i, colours[2] + i);
        else for (int c = 0; c < 3; c++) colours[c][i] = colours[c][there];
    }
    for (int c = 0; c < 3; c++) convert(&view, c * view.plane, 1, o[c], n);
}

/* n samples of all three colours of row y from column x on, as values 0..1; mirrored outside the frame. */
static void source_row(const nf_pixels *f, int x, int y, int n, float (*o)[2 * NF_WIDEST + 64]) {
    const int first = x < 0 ? nf_clampi(-x, 0, n) : 0, last = nf_clampi(f->width - x, first, n);
    const int64_t at = nf_row(f, nf_mirror(y, f->height));
    if (f->chroma) {
        plane_row(f, x, nf_mirror(y, f->height), n, first, last, o);
        if (f->run_count) nf_fill_row(f, x, nf_mirror(y, f->height), n, o[0], o[1], o[2]);
        return;
    }
    for (int i = first; i < last;) {
        int count = f->blocks ? NF_BLOCK - (x + i) % NF_BLOCK : last - i;
        if (count > last - i) count = last - i;
        for (int c = 0; c < 3; c++) convert(f, at + f->plane * c + nf_column(f, x + i), f->pixel, o[c] + i, count);
        i += count;
    }
    for (int i = 0; i < n; i++) {
        if (i >= first && i < last) { i = last - 1; continue; }
        int64_t b = at + nf_column(f, nf_mirror(x + i, f->width));
        for (int c = 0; c < 3; c++) convert(f, b + f->plane * c, 1, o[c] + i, 1);
    }
    if (f->run_count) nf_fill_row(f, x, nf_mirror(y, f->height), n, o[0], o[1], o[2]);
}

static inline void weights_of(double at, double rate, int whole, float *restrict w, const int N) {
    float t0 = (float)(at - whole), dt = (float)rate;
    for (int i = 0; i < N; i++) weights_at(t0 + dt * (float)i, w + i, N);
}

/* A block of N columns from x on, out of a source row and out of rows of the ring, whose weights are known. */
static inline void across_block(float (*s)[2 * NF_WIDEST + 64], int at, const float *restrict w, int x, float (*o)[NF_WIDEST],
    const int N) {
    for (int c = 0; c < 3; c++) {
        const float *restrict p = s[c] + at;
        float *restrict q = o[c] + x;
        for (int i = 0; i < N; i++)
            q[i] = w[i] * p[i - 2] + w[N + i] * p[i - 1] + w[2 * N + i] * p[i] + w[3 * N + i] * p[i + 1] + w[4 * N + i] * p[i + 2]
                + w[5 * N + i] * p[i + 3];
    }
}

static inline void down_block(nf_warp_work *k, int mask, int whole, const float *restrict w, int x, float (*o)[NF_WIDEST], const int N) {
    for (int c = 0; c < 3; c++) {
        const float *restrict a = k->ring[(whole - 2) & mask][c] + x, *restrict b = k->ring[(whole - 1) & mask][c] + x;
        const float *restrict d = k->ring[whole & mask][c] + x, *restrict e = k->ring[(whole + 1) & mask][c] + x;
        const float *restrict f = k->ring[(whole + 2) & mask][c] + x, *restrict g = k->ring[(whole + 3) & mask][c] + x;
        float *restrict q = o[c] + x;
        for (int i = 0; i < N; i++)
            q[i] = w[i] * a[i] + w[N + i] * b[i] + w[2 * N + i] * d[i] + w[3 * N + i] * e[i] + w[4 * N + i] * f[i]
                + w[5 * N + i] * g[i];
    }
}

/* One source row resampled along x, in columns a..b-1. u = rate * X + offset is the source column of picture column X. */
static inline void across_blocks(float (*s)[2 * NF_WIDEST + 64], int s_from, double rate, double offset, int left, int a, int b,
                                 float (*o)[NF_WIDEST], const int N) {
    float w[TAPS * 16];
    for (int x = a; x < b; x += N) {
        double u = rate * (left + x) + offset;
        int whole = (int)floor(u + (rate - 1) * (.5 * (N - 1)));
        weights_of(u, rate - 1, whole, w, N);
        across_block(s, whole - s_from, w, x, o, N);
    }
}

/* One picture row from the ring. v = slope * X + offset is the source row at picture column X. */
static inline void down_blocks(nf_warp_work *k, int mask, double slope, double offset, int left, int a, int b,
    float (*o)[NF_WIDEST], const int N) {
    float w[TAPS * 16];
    for (int x = a; x < b; x += N) {
        double v = slope * (left + x) + offset;
        int whole = (int)floor(v + slope * (.5 * (N - 1)));
        weights_of(v, slope, whole, w, N);
        down_block(k, mask, whole, w, x, o, N);
    }
}

/* The same where a frame is bent: `at` has the places at which blocks begin, in between they go on straight. */
static inline void across_bent(float (*s)[2 * NF_WIDEST + 64], int s_from, const double *at, int a, int b,
    float (*o)[NF_WIDEST], const int N) {
    float w[TAPS * 16];
    for (int x = a; x < b; x += N, at++) {
        const double more = (at[1] - at[0]) / N - 1;
        const int whole = (int)floor(at[0] + more * (.5 * (N - 1)));
        weights_of(at[0], more, whole, w, N);
        across_block(s, whole - s_from, w, x, o, N);
    }
}

static inline void down_bent(nf_warp_work *k, int mask, const double *at, int a, int b, float (*o)[NF_WIDEST], const int N) {
    float w[TAPS * 16];
    for (int x = a; x < b; x += N, at++) {
        const double slope = (at[1] - at[0]) / N;
        const int whole = (int)floor(at[0] + slope * (.5 * (N - 1)));
        weights_of(at[0], slope, whole, w, N);
        down_block(k, mask, whole, w, x, o, N);
    }
}

/* Neighbours that share an offset: the cubic is then used at most .16 beyond its interval. */
static int block_of(double rate, double d, double e, double steep) {
    const double most = fmax(fmax(fabs(rate - 1), fabs(d)), fabs(e - 1)) + steep;
    return most <= .02 ? 16 : most <= .04 ? 8 : most <= .08 ? 4 : 1;
}

static void across(nf_warp_work *k, int block, int from, double rate, double offset, int left, int a, int b, float (*o)[NF_WIDEST]) {
    if (block == 16) across_blocks(k->source, from, rate, offset, left, a, b, o, 16);
    else if (block == 8) across_blocks(k->source, from, rate, offset, left, a, b, o, 8);
    else if (block == 4) across_blocks(k->source, from, rate, offset, left, a, b, o, 4);
    else across_blocks(k->source, from, rate, offset, left, a, b, o, 1);
}

static void down(nf_warp_work *k, int block, int mask, double slope, double offset, int left, int a, int b, float (*o)[NF_WIDEST]) {
    if (block == 16) down_blocks(k, mask, slope, offset, left, a, b, o, 16);
    else if (block == 8) down_blocks(k, mask, slope, offset, left, a, b, o, 8);
    else if (block == 4) down_blocks(k, mask, slope, offset, left, a, b, o, 4);
    else down_blocks(k, mask, slope, offset, left, a, b, o, 1);
}

/* Source columns at which blocks of source row j begin: picture row y has it where d x + e y + f + bend = j. */
static void columns_of(const double pose[6], const nf_bend *bend, int j, int left, int n, int block, double *o) {
    for (int x = 0; x <= n; x += block) {
        const double X = left + x, flat = (j - pose[5] - pose[3] * X) / pose[4];
        *o++ = nf_u(pose, bend, X, flat - nf_bent(bend, bend->y, X, flat) / pose[4]);
    }
}

static void rows_of(const double pose[6], const nf_bend *bend, int y, int left, int n, int block, double *o) {
    for (int x = 0; x <= n; x += block) *o++ = nf_v(pose, bend, left + x, y);
}

static void span(const double *a, int n, double *low, double *high) {
    *low = *high = a[0];
    for (int i = 1; i <= n; i++) {
        *low = fmin(*low, a[i]);
        *high = fmax(*high, a[i]);
    }
}

/* Columns a..b-1 of source row j of a bent frame into the ring. */
static void bent_source(nf_warp_work *k, const nf_pixels *frame, const double pose[6], const nf_bend *bend, int j, int left, int a, int b,
                        int block, float (*o)[NF_WIDEST]) {
    double low, high;
    columns_of(pose, bend, j, left + a, b - a, block, k->places);
    span(k->places, (b - a) / block, &low, &high);
    const int from = (int)floor(low) - 5;
    source_row(frame, from, j, (int)ceil(high - low) + 12, k->source);
    if (block == 16) across_bent(k->source, from, k->places, a, b, o, 16);
    else if (block == 8) across_bent(k->source, from, k->places, a, b, o, 8);
    else if (block == 4) across_bent(k->source, from, k->places, a, b, o, 4);
    else across_bent(k->source, from, k->places, a, b, o, 1);
}

static void bent_row(nf_warp_work *k, int block, int mask, int a, int b, float (*o)[NF_WIDEST]) {
    if (block == 16) down_bent(k, mask, k->places, a, b, o, 16);
    else if (block == 8) down_bent(k, mask, k->places, a, b, o, 8);
    else if (block == 4) down_bent(k, mask, k->places, a, b, o, 4);
    else down_bent(k, mask, k->places, a, b, o, 1);
}

static void store16(const float *restrict s, int16_t *restrict o, int n) {
    for (int i = 0; i < n; i++) {
        float v = nf_minf(nf_maxf(s[i] * NF_UNIT, -32767.f), 32767.f);
        o[i] = (int16_t)((int)(v + 32768.5f) - 32768);
    }
}

static void halve_rows(const float *restrict a, const float *restrict b, float *restrict o, int n) {
    for (int i = 0; i < n; i++) o[i] = .25f * (a[2 * i] + a[2 * i + 1] + b[2 * i] + b[2 * i + 1]);
}

static void square_rows(const float *restrict a, const float *restrict b, float *restrict o, int n) {
    for (int i = 0; i < n; i++)
        o[i] = .25f * (a[2 * i] * a[2 * i] + a[2 * i + 1] * a[2 * i + 1] + b[2 * i] * b[2 * i] + b[2 * i + 1] * b[2 * i + 1]);
}

static void luma_row(float (*c)[NF_WIDEST], float *restrict o, int a, int b) {
    const float *restrict red = c[0], *restrict green = c[1], *restrict blue = c[2];
    for (int i = a; i < b; i++) o[i] = .299f * red[i] + .587f * green[i] + .114f * blue[i];
}

/* Finest band of row y of the box (rows 0..h-1) in columns a..b-1, once the luma two rows further down is there. */
static void fine_row(nf_warp_work *k, int y, int h, int a, int b, float *fine) {
    const float *r[5];
    for (int j = 0; j < 5; j++) r[j] = k->across[nf_clampi(y + j - 2, 0, h - 1) & 7] + a;
    nf_b5_down(r[0], r[1], r[2], r[3], r[4], k->band[0], b - a);
    const float *restrict l = k->luma[y & 7] + 8 + a, *restrict wide = k->band[0];
    for (int i = 0; i < b - a; i++) fine[a + i] = l[i] - wide[i];
}

typedef struct { int a, b; } nf_columns;

/* Columns of a box, from its left edge on, in which any of the window's rows y0..y1 matters, as far as they are in the box. */
static nf_columns columns_in(const nf_rows *rows, nf_box box, int y0, int y1) {
    nf_columns c = {0, box.x1 - box.x0};
    if (!rows) return c;
    c = (nf_columns){box.x1 - box.x0, 0};
    for (int y = y0;; y += 16) {
        const int half = nf_clampi(y < y1 ? y : y1, box.y0, box.y1 - 1) >> 1, a = 2 * rows->start[half] - box.x0,
            b = 2 * rows->end[half] - box.x0;
        if (a < b && a < c.a) c.a = a;
        if (a < b && b > c.b) c.b = b;
        if (y >= y1) break;
    }
    if (c.a > c.b) c.a = c.b = 0;
    return c;
}

static void clear_beside(float *row, nf_columns c, int n) {
    memset(row, 0, (size_t)c.a * 4);
    memset(row + c.b, 0, (size_t)(n - c.b) * 4);
}

#define BESIDE 4 /* rows above and below in which a row's filters look, with some to spare */

void nf_warp_window(const nf_pixels *frame, const double pose[6], const nf_bend *bend, int left, int top, int width, int height,
                    nf_box box, const nf_rows *rows, nf_planes to, nf_warp_work *k) {
    const double a = pose[0], b = pose[1], c = pose[2], d = pose[3], e = pose[4], f = pose[5];
    /* on source row j the picture's column X lies at u = rate X + skew j + shift */
    const double rate = a - b * d / e, skew = b / e, shift = c - b * f / e;
    const int x0 = box.x0, n = box.x1 - box.x0, h = box.y1 - box.y0, X = left + x0;
    const double steep = bend ? bend->steep : 0, apart = fabs(d) * n + (bend ? fmin(2 * bend->largest, steep * n) : 0);
    const int block = block_of(rate, d, e, steep), mask = (apart + 8 > NF_RING ? NF_RING_ROLLED : NF_RING) - 1;
    const int64_t plane = (int64_t)width * height, half = width / 2;
    if (e - steep < .5) rows = 0;
    const int ahead = rows ? (int)((apart + 8) / (e - steep)) + 2 : 0; /* rows further down that need a source row as well */
    int done = 0, started = 0;
    for (int y = 0; y < h + 2; y++) {
        const int at_row = box.y0 + y;
        const nf_columns own = columns_in(rows, box, at_row - BESIDE, at_row + BESIDE);
        if (y < h) {
            const int Y = top + at_row;
            double v0 = d * X + (e * Y + f), v1 = d * (X + n - 1) + (e * Y + f);
            if (bend) {
                rows_of(pose, bend, Y, X, n, block, k->places);
                span(k->places, n / block, &v0, &v1);
            }
            int lowest = (int)floor((v0 < v1 ? v0 : v1) - .5) - 2, highest = (int)floor((v0 < v1 ? v1 : v0) + .5) + 3;
            if (!started) { done = lowest - 1; started = 1; }
            const nf_columns all = columns_in(rows, box, at_row - BESIDE, at_row + ahead + BESIDE);
            for (int j = done + 1; j <= highest && all.a < all.b; j++) {
                if (bend) {
                    bent_source(k, frame, pose, bend, j, X, all.a, all.b, block, k->ring[j & mask]);
                    continue;
                }
                double offset = skew * j + shift, u0 = rate * (X + all.a) + offset, u1 = rate * (X + all.b - 1) + offset;
                int from = (int)floor(u0 < u1 ? u0 : u1) - 5, count = (int)ceil(fabs(u1 - u0)) + 12;
                source_row(frame, from, j, count, k->source);
                across(k, block, from, rate, offset, X, all.a, all.b, k->ring[j & mask]);
            }
            if (highest > done) done = highest;
            const int64_t at = (int64_t)at_row * width + x0, half_at = (int64_t)(at_row >> 1) * half + x0 / 2;
            float (*row)[NF_WIDEST] = k->row, *l = k->luma[y & 7] + 8;
            if (own.a < own.b) {
                if (bend) {
                    rows_of(pose, bend, Y, X + own.a, own.b - own.a, block, k->places);
                    bent_row(k, block, mask, own.a, own.b, row);
                } else down(k, block, mask, d, e * Y + f, X, own.a, own.b, row);
                for (int q = 0; q < 3; q++) store16(row[q] + own.a, to.colour + q * plane + at + own.a, own.b - own.a);
                luma_row(row, l, own.a, own.b);
                l[own.a - 1] = l[own.a - 2] = l[own.a];
                l[own.b] = l[own.b + 1] = l[own.b - 1];
                nf_b5_across(l + own.a, k->across[y & 7] + own.a, own.b - own.a);
                if (y & 1) halve_rows(k->luma[(y - 1) & 7] + 8 + own.a, l + own.a, to.half_luma + half_at + own.a / 2, (own.b - own.a) / 2);
            }
            if (y & 1) clear_beside(to.half_luma + half_at, (nf_columns){own.a / 2, own.b / 2}, n / 2);
        }
        if (y < 2) continue;
        const nf_columns now = columns_in(rows, box, at_row - 2, at_row - 2);
        float *fine = to.fine + (int64_t)(at_row - 2) * width + x0, *square = to.square + (int64_t)((at_row - 2) >> 1) * half + x0 / 2;
        if (now.a < now.b) fine_row(k, y - 2, h, now.a, now.b, fine);
        clear_beside(fine, now, n);
        if (!(y & 1)) continue;
        square_rows(fine - width + now.a, fine + now.a, square + now.a / 2, (now.b - now.a) / 2);
        clear_beside(square, (nf_columns){now.a / 2, now.b / 2}, n / 2);
    }
}

/* Registration: linear luma, band-passed pictures and windows, and each block's normal equations.
   Sums run in a fixed order (sixteen lanes, one a column, then lane after lane in double), so that every
   processor, compiler and number of threads gives the same bits. The specification is twin_register.py. */
#include "luma.h"

#define NARROW 5            /* taps beside the middle one of the narrow Gaussian */
#define WIDE 8              /* the same of the wide one: the reach of the band-pass */
#define BLOCK 16
#define RING (BLOCK + 2)    /* a block with the ring that its derivatives need */
#define LARGEST 64          /* side of the largest window */
#define LANES 16
#define MOMENTS 21
#define AFTER .25f           /* px^2: variance of what pixel, filter and interpolation of colours blur after the lens */

/* Both Gaussians down the columns. rows[WIDE] is the middle one of 2 * WIDE + 1 rows. */
static void down(const float *const *rows, const float *taps, int n, float *restrict a, float *restrict b) {
    const float *wide = taps + NARROW + 1;
    const float *middle = rows[WIDE];
    for (int x = 0; x < n; x++) { a[x] = taps[0] * middle[x]; b[x] = wide[0] * middle[x]; }
    for (int t = 1; t <= WIDE; t++) {
        const float *u = rows[WIDE - t], *v = rows[WIDE + t];
        float kb = wide[t];
        if (t <= NARROW) {
            float ka = taps[t];
            for (int x = 0; x < n; x++) { float s = u[x] + v[x]; a[x] += ka * s; b[x] += kb * s; }
        } else
            for (int x = 0; x < n; x++) b[x] += kb * (u[x] + v[x]);
    }
}

/* The same along a row, narrow minus wide. a and b hold n + 2 * WIDE values. */
static void along(const float *a, const float *b, const float *taps, int n, float *restrict out, float *restrict low) {
    const float *wide = taps + NARROW + 1;
    a += WIDE;
    b += WIDE;
    for (int x = 0; x < n; x++) { out[x] = taps[0] * a[x]; low[x] = wide[0] * b[x]; }
    for (int t = 1; t <= NARROW; t++) {
        float k = taps[t];
        for (int x = 0; x < n; x++) out[x] += k * (a[x - t] + a[x + t]);
    }
    for (int t = 1; t <= WIDE; t++) {
        float k = wide[t];
        for (int x = 0; x < n; x++) low[x] += k * (b[x - t] + b[x + t]);
    }
    for (int x = 0; x < n; x++) out[x] -= low[x];
}

/* LANES neighbours at once. */
typedef float nf_lanes __attribute__((vector_size(4 * LANES)));

static inline nf_lanes lanes_at(const float *p) {
    nf_lanes v;
    memcpy(&v, p, sizeof v);
    return v;
}

/* down and along for the few columns of a window: the same sums in the same order, kept in registers. The rows must be
   there LANES - 1 values beyond n, and so must a, b and out. */
static void down_lanes(const float *const *rows, const float *taps, int n, float *restrict a, float *restrict b) {
    const float *wide = taps + NARROW + 1;
    for (int x = 0; x < n; x += LANES) {
        nf_lanes m = lanes_at(rows[WIDE] + x), na = taps[0] * m, nb = wide[0] * m;
        for (int t = 1; t <= WIDE; t++) {
            nf_lanes s = lanes_at(rows[WIDE - t] + x) + lanes_at(rows[WIDE + t] + x);
            if (t <= NARROW) na += taps[t] * s;
            nb += wide[t] * s;
        }
        memcpy(a + x, &na, sizeof na);
        memcpy(b + x, &nb, sizeof nb);
    }
}

static void along_lanes(const float *a, const float *b, const float *taps, int n, float *restrict out) {
    const float *wide = taps + NARROW + 1;
    for (int x = 0; x < n; x += LANES) {
        const float *p = a + WIDE + x, *q = b + WIDE + x;
        nf_lanes na = taps[0] * lanes_at(p), nb = wide[0] * lanes_at(q);
        for (int t = 1; t <= NARROW; t++) na += taps[t] * (lanes_at(p - t) + lanes_at(p + t));
        for (int t = 1; t <= WIDE; t++) nb += wide[t] * (lanes_at(q - t) + lanes_at(q + t));
        na -= nb;
        memcpy(out + x, &na, sizeof na);
    }
}

/* Linear luma of a whole picture, mean of q x q pixels; out is (height / q, width / q). */
int32_t nf_register_luma(const nf_pixels *p, int32_t q, float *out) {
    int w = p->width / q, h = p->height / q;
    int64_t *xs = malloc(sizeof(int64_t) * (size_t)(w * q + 1)), rows[16];
    if (!xs || q > 16) { free(xs); return 1; }
    for (int x = 0; x < w * q; x++) xs[x] = luma_column(p, x);
    for (int y = 0; y < h; y++) {
        for (int v = 0; v < q; v++) rows[v] = nf_row(p, y * q + v);
        luma_row(p, rows, xs, q, w, out + (int64_t)y * w);
    }
    free(xs);
    return 0;
}

/* Band-pass of a whole picture, edges mirrored. taps: NARROW + 1 of the narrow Gaussian, WIDE + 1 of the wide. */
int32_t nf_register_bandpass(const float *in, int32_t w, int32_t h, const float *taps, float *out) {
    float *a = malloc(sizeof(float) * (size_t)(3 * w + 4 * WIDE));
    if (!a) return 1;
    float *b = a + w + 2 * WIDE, *low = b + w + 2 * WIDE;
    const float *rows[2 * WIDE + 1];
    for (int y = 0; y < h; y++) {
        for (int t = -WIDE; t <= WIDE; t++) rows[t + WIDE] = in + (int64_t)nf_mirror(y + t, h) * w;
        down(rows, taps, w, a + WIDE, b + WIDE);
        for (int t = 1; t <= WIDE; t++) {
            int left = WIDE + nf_mirror(-t, w), right = WIDE + nf_mirror(w - 1 + t, w);
            a[WIDE - t] = a[left];
            b[WIDE - t] = b[left];
            a[WIDE + w - 1 + t] = a[right];
            b[WIDE + w - 1 + t] = b[right];
        }
        along(a, b, taps, w, out + (int64_t)y * w, low);
    }
    free(a);
    return 0;
}

/* What div(b grad in) adds, where b rises from 0 in the middle by (bx, by) a pixel: blurs one side and sharpens the
   other, as a tilted surface is. The lens does so before the pixels blur by AFTER, so their blur is passed over. The two
   outermost rings are left as they are. */
static void level(const float *restrict in, int side, float bx, float by, float *restrict bend, float *restrict out) {
    const float middle = .5f * (float)(side - 1);
    memcpy(out, in, sizeof(float) * (size_t)(side * side));
    for (int y = 1; y < side - 1; y++) {
        const float *up = in + (y - 1) * side, *at = in + y * side, *dn = in + (y + 1) * side;
        float *to = bend + y * side;
        for (int x = 1; x < side - 1; x++) to[x] = (at[x - 1] + at[x + 1]) + (up[x] + dn[x]) - 4.f * at[x];
    }
    for (int y = 2; y < side - 2; y++) {
        const float *up = in + (y - 1) * side, *at = in + y * side, *dn = in + (y + 1) * side;
        const float *bu = bend + (y - 1) * side, *ba = bend + y * side, *bd = bend + (y + 1) * side;
        float *to = out + y * side;
        const float rise = by * ((float)y - middle);
        for (int x = 2; x < side - 2; x++) {
            float gx = .5f * (at[x + 1] - at[x - 1]) + AFTER * (.5f * (ba[x + 1] - ba[x - 1]));
            float gy = .5f * (dn[x] - up[x]) + AFTER * (.5f * (bd[x] - bu[x]));
            float b = bx * ((float)x - middle) + rise;
            to[x] = at[x] + (b * ba[x] + (bx * gx + by * gy));
        }
    }
}

/* Band-passed windows cut out of full-size pixels. corner: (count, 2) x and y of each window's first pixel, in
   pixels reduced q times; lean: null, or (count, 2) what each is levelled by before the band-pass; out is (count,
   size, size). */
int32_t nf_register_windows(const nf_pixels *p, int32_t q, int32_t count, const int32_t *corner, const float *lean,
                            int32_t size, const float *taps, float *out) {
    enum { SIDE = LARGEST + 2 * WIDE, ROW = SIDE + 2 * LANES };
    static const int most = 4;
    if (size > LARGEST || q > most || q < 1) return 1;
    float *luma = calloc(3 * SIDE * SIDE + 5 * ROW, sizeof(float));
    if (!luma) return 1;
    float *flat = luma + SIDE * SIDE, *bend = flat + SIDE * SIDE, *a = bend + SIDE * SIDE + ROW, *b = a + ROW, *low = b + ROW;
    int64_t xs[4 * SIDE], ys[4];
    const float *rows[2 * WIDE + 1];
    int side = size + 2 * WIDE, w = p->width / q * q, h = p->height / q * q;
    for (int k = 0; k < count; k++) {
        int x0 = (corner[2 * k] - WIDE) * q, y0 = (corner[2 * k + 1] - WIDE) * q;
        if (q == 1 && x0 >= 0 && x0 + side <= w && (p->blocks || p->pixel == 1)) {
            for (int y = 0; y < side; y++) luma_inside(p, x0, nf_row(p, nf_mirror(y0 + y, h)), side, luma + y * side);
        } else {
            for (int x = 0; x < side * q; x++) xs[x] = luma_column(p, nf_mirror(x0 + x, w));
            for (int y = 0; y < side; y++) {
                for (int v = 0; v < q; v++) ys[v] = nf_row(p, nf_mirror(y0 + y * q + v, h));
                luma_row(p, ys, xs, q, side, luma + y * side);
            }
        }
        const float *from = luma;
        if (lean && (lean[2 * k] != 0.f || lean[2 * k + 1] != 0.f)) {
            level(luma, side, lean[2 * k], lean[2 * k + 1], bend, flat);
            from = flat;
        }
        for (int y = 0; y < size; y++) {
            for (int t = 0; t <= 2 * WIDE; t++) rows[t] = from + (y + t) * side;
            down_lanes(rows, taps, side, a, b);
            along_lanes(a, b, taps, size, low);
            memcpy(out + ((int64_t)k * size + y) * size, low, sizeof(float) * (size_t)size);
        }
    }
    free(luma);
    return 0;
}

/* Bilinear warp of a picture: out(x, y) = in(pose(x, y)), fill where the pose leaves the picture. */
void nf_register_warp(const float *in, int32_t w, int32_t h, const double *pose, float fill, int32_t ow, int32_t oh,
                      float *out) {
    for (int y = 0; y < oh; y++)
        for (int x = 0; x < ow; x++) {
            double u = pose[0] * x + (pose[1] * y + pose[2]), v = pose[3] * x + (pose[4] * y + pose[5]);
            float value = fill;
            if (u >= 0 && v >= 0 && u < w - 1 && v < h - 1) {
                int iu = (int)u, iv = (int)v;
                float f = (float)(u - iu), g = (float)(v - iv);
                const float *s = in + (int64_t)iv * w + iu;
                float top = s[0] + f * (s[1] - s[0]), bottom = s[w] + f * (s[w + 1] - s[w]);
                value = top + g * (bottom - top);
            }
            out[(int64_t)y * ow + x] = value;
        }
}

/* Weights of the four pixels around fraction f, RING apart: the cubic through all four (Lagrange). */
static inline void cubic(float f, float *w) {
    float below = f + 1.f, above = f - 1.f, beyond = f - 2.f;
    w[0] = f * above * beyond * (-1.f / 6.f);
    w[RING] = below * above * beyond * .5f;
    w[2 * RING] = below * f * beyond * -.5f;
    w[3 * RING] = below * f * above * (1.f / 6.f);
}

/* One pixel of a block from the 4 x 4 around it; s is the first of them. */
static inline void mix(const float *s, int stride, float (*p)[RING], float (*q)[RING], int x, float *out) {
    float row[4];
    for (int r = 0; r < 4; r++, s += stride)
        row[r] = (p[0][x] * s[0] + p[1][x] * s[1]) + (p[2][x] * s[2] + p[3][x] * s[3]);
    *out = (q[0][x] * row[0] + q[1][x] * row[1]) + (q[2][x] * row[2] + q[3][x] * row[3]);
}

/* The second frame's block with its ring, warped. Returns 0 where it leaves the window (w, h). Linear interpolation
   and smooth cubics alike make a shift of .1 px seem .109, and a slow stack adds that up; this one .102. */
static int warp_block(const float *b, int stride, int w, int h, const double *m, float out[RING][RING]) {
    double far = RING - 1;
    for (int c = 0; c < 4; c++) {
        double x = (c & 1) ? far : 0., y = (c & 2) ? far : 0.;
        double u = m[0] * x + (m[1] * y + m[2]), v = m[3] * x + (m[4] * y + m[5]);
        if (!(u >= 1 && v >= 1 && u < w - 2 && v < h - 2)) return 0;
    }
    for (int y = 0; y < RING; y++) {
        double bu = m[1] * y + m[2], bv = m[4] * y + m[5];
        int32_t at[RING];
        float p[4][RING], q[4][RING];
        for (int x = 0; x < RING; x++) {
            double u = m[0] * x + bu, v = m[3] * x + bv;
            int iu = nf_clampi((int)u, 1, w - 3), iv = nf_clampi((int)v, 1, h - 3);
            at[x] = (iv - 1) * stride + iu - 1;
            cubic((float)(u - iu), &p[0][x]);
            cubic((float)(v - iv), &q[0][x]);
        }
        int apart = 0;
        for (int x = 0; x < RING; x++) apart |= at[x] ^ (at[0] + x);
        if (!apart) {   /* the usual case: they lie side by side. In two parts that overlap, each as wide as a block */
            for (int x = 0; x < BLOCK; x++) mix(b + at[0] + x, stride, p, q, x, &out[y][x]);
            for (int x = RING - BLOCK; x < RING; x++) mix(b + at[0] + x, stride, p, q, x, &out[y][x]);
        } else
            for (int x = 0; x < RING; x++) mix(b + at[x], stride, p, q, x, &out[y][x]);
    }
    return 1;
}

/* Upper triangle of the moments of (d/dx, d/dy, Laplacian, mean, 1, difference) over the block. */
static void moments(const float *a, int stride, const float wb[RING][RING], double *out) {
    float m[RING][RING], lane[MOMENTS][BLOCK];
    memset(lane, 0, sizeof lane);
    for (int y = 0; y < RING; y++)
        for (int x = 0; x < RING; x++) m[y][x] = .5f * (a[(int64_t)y * stride + x] + wb[y][x]);
    for (int y = 1; y <= BLOCK; y++) {
        const float *up = m[y - 1], *at = m[y], *dn = m[y + 1], *ra = a + (int64_t)y * stride, *rb = wb[y];
        for (int i = 0; i < BLOCK; i++) {
            float gx = .5f * (at[i + 2] - at[i]), gy = .5f * (dn[i + 1] - up[i + 1]), c = at[i + 1];
            float l = (at[i] + at[i + 2]) + (up[i + 1] + dn[i + 1]) - 4.f * c, d = rb[i + 1] - ra[i + 1];
            lane[0][i] += gx * gx;
            lane[1][i] += gx * gy;
            lane[2][i] += gx * l;
            lane[3][i] += gx * c;
            lane[4][i] += gx;
            lane[5][i] += gx * d;
            lane[6][i] += gy * gy;
            lane[7][i] += gy * l;
            lane[8][i] += gy * c;
            lane[9][i] += gy;
            lane[10][i] += gy * d;
            lane[11][i] += l * l;
            lane[12][i] += l * c;
            lane[13][i] += l;
            lane[14][i] += l * d;
            lane[15][i] += c * c;
            lane[16][i] += c;
            lane[17][i] += c * d;
            lane[18][i] += 1.f;
            lane[19][i] += d;
            lane[20][i] += d * d;
        }
    }
    for (int k = 0; k < MOMENTS; k++) {
        double s = 0.;
        for (int i = 0; i < BLOCK; i++) s += (double)lane[k][i];
        out[k] = s;
    }
}

/* Moments of every block. origin: (count, 2) x and y of each block's first pixel in the first frame; a_at, b_at:
   where the block's ring and the second frame's window start in a and b; b_corner: (count, 2) what pixel of the
   second frame that window starts at; w, h: extent of each window of b. A block that leaves its window gets zeros. */
void nf_register_sums(int32_t count, const int32_t *origin, const float *a, int32_t a_stride, const int64_t *a_at,
                      const float *b, int32_t b_stride, const int64_t *b_at, const int32_t *b_corner, int32_t w,
                      int32_t h, const double *pose, int32_t pose_step, double *out) {
    float wb[RING][RING];
    for (int k = 0; k < count; k++, pose += pose_step) {
        double x = origin[2 * k] - 1, y = origin[2 * k + 1] - 1;
        double m[6] = {pose[0], pose[1], (pose[0] * x + pose[1] * y) + (pose[2] - b_corner[2 * k]),
                       pose[3], pose[4], (pose[3] * x + pose[4] * y) + (pose[5] - b_corner[2 * k + 1])};
        if (warp_block(b + b_at[k], b_stride, w, h, m, wb))
            moments(a + a_at[k], a_stride, wb, out + (int64_t)k * MOMENTS);
        else
            memset(out + (int64_t)k * MOMENTS, 0, MOMENTS * sizeof(double));
    }
}

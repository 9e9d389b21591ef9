/* Registration: what is looked at cell by cell, or on reduced pictures, under a pose. The specification is
   twin_grids.py. */
#include "nearfar.h"

/* Where the pose takes (x, y), if that lies inside: the four pixels around it and the fractions between them. */
typedef struct { int64_t at; float f, g; } nf_spot;

static inline int spot_at(const double *pose, int x, int y, int w, int h, nf_spot *s) {
    double u = pose[0] * x + (pose[1] * y + pose[2]), v = pose[3] * x + (pose[4] * y + pose[5]);
    if (!(u >= 0 && v >= 0 && u < w - 1 && v < h - 1)) return 0;
    int iu = (int)u, iv = (int)v;
    *s = (nf_spot){(int64_t)iv * w + iu, (float)(u - iu), (float)(v - iv)};
    return 1;
}

static inline float blend(const float *in, int w, const nf_spot *s) {
    const float *p = in + s->at;
    float top = p[0] + s->f * (p[1] - p[0]), bottom = p[w] + s->f * (p[w + 1] - p[w]);
    return top + s->g * (bottom - top);
}

/* Mean of 2 x 2 pixels of a picture w wide; a is null, or else b is, whose samples count 1/65535 each. */
void nf_register_halve(const float *a, const uint16_t *b, int32_t w, int32_t ow, int32_t oh, float *out) {
    const float unit = 1.f / 65535;
    for (int y = 0; y < oh; y++, out += ow) {
        const int64_t at = (int64_t)2 * y * w;
        if (a) {
            const float *r = a + at, *s = r + w;
            for (int x = 0; x < ow; x++) out[x] = .25f * ((r[2 * x] + s[2 * x]) + (r[2 * x + 1] + s[2 * x + 1]));
        } else {
            const uint16_t *r = b + at, *s = r + w;
            for (int x = 0; x < ow; x++)
                out[x] = .25f * (((float)r[2 * x] * unit + (float)s[2 * x] * unit)
                                 + ((float)r[2 * x + 1] * unit + (float)s[2 * x + 1] * unit));
        }
    }
}

/* The lesser of two frames in two planes: sharpness and energy of the cells (w, h) under a pose; 0 where it leaves. */
void nf_register_shared(const float *sharp_a, const float *energy_a, const float *sharp_b, const float *energy_b,
                        int32_t w, int32_t h, const double *pose, float *sharp, float *energy) {
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            int64_t i = (int64_t)y * w + x;
            nf_spot s;
            if (!spot_at(pose, x, y, w, h, &s)) { sharp[i] = energy[i] = 0.f; continue; }
            sharp[i] = nf_minf(sharp_a[i], blend(sharp_b, w, &s));
            energy[i] = nf_minf(energy_a[i], blend(energy_b, w, &s));
        }
}

/* Energy above noise, and what share it is of the best that the stack has there (seen through the pose), less where
   noise hides it. */
void nf_register_relative(const float *raw, const float *best, int32_t w, int32_t h, const double *pose, float noise,
                          float *relative, float *energy) {
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            int64_t i = (int64_t)y * w + x;
            nf_spot s;
            float b = spot_at(pose, x, y, w, h, &s) ? blend(best, w, &s) : 0.f, e = nf_maxf(raw[i] - noise, 0.f);
            float r = e / nf_maxf(b, 1e-14f) * (b / (b + noise));
            energy[i] = e;
            relative[i] = nf_minf(r, 1.f);
        }
}

/* One frame's energy above noise (h, w), seen through its pose, into the largest that the stack has. */
void nf_register_best(const float *raw, int32_t w, int32_t h, const double *pose, float noise, float *moved, float *best) {
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            int64_t i = (int64_t)y * w + x;
            nf_spot s;
            float value = 0.f;
            if (spot_at(pose, x, y, w, h, &s)) {
                const float *p = raw + s.at;
                float four[4] = {p[0], p[1], p[w], p[w + 1]};
                for (int k = 0; k < 4; k++) four[k] = nf_maxf(four[k] - noise, 0.f);
                float top = four[0] + s.f * (four[1] - four[0]), bottom = four[2] + s.f * (four[3] - four[2]);
                value = top + s.g * (bottom - top);
            }
            moved[i] = value;
            best[i] = nf_maxf(best[i], value);
        }
}

/* Frame k of a stack into the peak of each cell: its energy (mean of 3 x 3 cells, the edge going on outside), the one
   before and the one after, and the frame that has it. last holds the energy of the frame before and takes this one's. */
void nf_register_peaks(const float *moved, int32_t w, int32_t h, int32_t k, float *best, float *before, float *after,
                       float *last, int32_t *place) {
    for (int y = 0; y < h; y++) {
        const float *a = moved + (int64_t)nf_clampi(y - 1, 0, h - 1) * w, *b = moved + (int64_t)y * w;
        const float *c = moved + (int64_t)nf_clampi(y + 1, 0, h - 1) * w;
        for (int x = 0; x < w; x++) {
            int64_t i = (int64_t)y * w + x;
            int l = x ? x - 1 : 0, r = x < w - 1 ? x + 1 : x;
            float soft = (((a[l] + b[l]) + c[l]) + ((a[x] + b[x]) + c[x]) + ((a[r] + b[r]) + c[r])) * (1.f / 9);
            if (place[i] == k - 1) after[i] = soft;
            if (soft > best[i]) { best[i] = soft; before[i] = last[i]; place[i] = k; }
            last[i] = soft;
        }
    }
}

/* Squares of n x n pixels of two pictures of one size, the second seen through a pose: sums, the largest value of
   either, and whether some pixel of the second is missing. */
void nf_register_squares(const float *a, const float *b, int32_t w, int32_t h, const double *pose, int32_t n,
                         double *sum_a, double *sum_b, float *top, uint8_t *missing) {
    const int columns = w / n;
    for (int y = 0; y < h / n * n; y++) {
        const int64_t row = (int64_t)(y / n) * columns;
        for (int c = 0; c < columns; c++) {
            const int64_t o = row + c;
            double sa = y % n ? sum_a[o] : 0., sb = y % n ? sum_b[o] : 0.;
            float most = y % n ? top[o] : 0.f;
            uint8_t gone = y % n ? missing[o] : 0;
            for (int x = c * n; x < (c + 1) * n; x++) {
                nf_spot s;
                float p = a[(int64_t)y * w + x], q = 0.f;
                if (spot_at(pose, x, y, w, h, &s)) q = blend(b, w, &s);
                else gone = 1;
                sa += (double)p;
                sb += (double)q;
                most = nf_maxf(most, nf_maxf(p, q));
            }
            sum_a[o] = sa;
            sum_b[o] = sb;
            top[o] = most;
            missing[o] = gone;
        }
    }
}

/* Sums over the pixels that two pictures of one size share under a pose: count, a, b, aa, bb, ab. */
void nf_register_alike(const float *a, const float *b, int32_t w, int32_t h, const double *pose, double *out) {
    double n = 0., sa = 0., sb = 0., aa = 0., bb = 0., ab = 0.;
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            nf_spot s;
            if (!spot_at(pose, x, y, w, h, &s)) continue;
            double p = (double)a[(int64_t)y * w + x], q = (double)blend(b, w, &s);
            n += 1.;
            sa += p;
            sb += q;
            aa += p * p;
            bb += q * q;
            ab += p * q;
        }
    const double all[6] = {n, sa, sb, aa, bb, ab};
    memcpy(out, all, sizeof all);
}

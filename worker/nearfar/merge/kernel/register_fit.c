/* Registration: what a block's moments say about its shift, and the similarity that fits many blocks robustly.
   Sums over blocks run in their order, in double, so that every processor and compiler gives the same bits. The
   specification is twin_fit.py. */
#include "nearfar.h"

#define MOMENTS 21
#define EQUATION 8          /* values of a block: xx, xy, yy, gx, gy, variance, blur, what is known of it */
#define ROUNDS 6
#define PIXELS 256
#define GAUGE 1099511627776. /* weights of the median are counted in so many parts of the largest: exact in any order */

typedef struct { double m2; int64_t weight; } nf_heard;

/* Takes one unknown out of the upper triangle, unless the others explain it already. */
static void eliminate(double m[6][6], int pivot, double scale) {
    double value = m[pivot][pivot], factor = value > 1e-9 * scale + 1e-30 ? 1. / value : 0.;
    double column[6];
    for (int i = 0; i < 6; i++) column[i] = i <= pivot ? m[i][pivot] : m[pivot][i];
    for (int i = 0; i < 6; i++)
        for (int j = i; j < 6; j++) m[i][j] -= column[i] * (column[j] * factor);
}

/* Equations of every block: offset, gain and change of blur eliminated. variance is -1 where nothing was measured. */
void nf_register_equations(int32_t count, const double *moments, double *out) {
    for (int k = 0; k < count; k++, moments += MOMENTS, out += EQUATION) {
        double m[6][6], scale[6];
        int at = 0;
        for (int i = 0; i < 6; i++)
            for (int j = i; j < 6; j++) m[i][j] = moments[at++];
        for (int i = 0; i < 6; i++) scale[i] = m[i][i];
        eliminate(m, 4, scale[4]);
        eliminate(m, 3, scale[3]);
        double power = m[2][2], blur = m[2][5] / fmax(power, 1e-30);
        eliminate(m, 2, scale[2]);
        double gx = -m[0][5], gy = -m[1][5], trace = m[0][0] + m[1][1], ridge = 1e-3 * trace + 1e-30;
        double xx = m[0][0] + ridge, yy = m[1][1] + ridge, xy = m[0][1];
        double det = (xx * yy - xy * xy) + 1e-60;
        double ux = (yy * gx - xy * gy) / det, uy = (xx * gy - xy * gx) / det;
        double spent = (m[0][0] * ux * ux + 2. * xy * ux * uy) + m[1][1] * uy * uy;
        double variance = fmax(m[5][5] - (2. * (ux * gx + uy * gy) - spent), 0.) / (PIXELS - 6);
        out[0] = m[0][0];
        out[1] = xy;
        out[2] = m[1][1];
        out[3] = gx;
        out[4] = gy;
        out[5] = moments[18] > 0. && trace > 1e-20 ? variance : -1.;
        out[6] = blur;
        out[7] = power / (variance + 1e-12);
    }
}

/* The least value that, with all below it, has half the weight. The list is put into another order. */
static double heavy_middle(nf_heard *list, int n, int64_t total) {
    int64_t before = 0;
    for (;;) {
        double a = list[0].m2, b = list[n / 2].m2, c = list[n - 1].m2;
        double pivot = a < b ? (b < c ? b : (a < c ? c : a)) : (a < c ? a : (b < c ? c : b));
        int less = 0, more = n;
        int64_t below = 0, equal = 0;
        for (int i = 0; i < more;) {
            nf_heard h = list[i];
            if (h.m2 < pivot) { list[i++] = list[less]; list[less++] = h; below += h.weight; }
            else if (h.m2 > pivot) { list[i] = list[--more]; list[more] = h; }
            else { i++; equal += h.weight; }
        }
        if (less && 2 * (before + below) >= total) { n = less; continue; }
        before += below + equal;
        if (more == n || 2 * before >= total) return pivot;
        list += more;
        n -= more;
    }
}

/* Solves a symmetric positive system of four; a and b are used up. Scaled by its diagonal, eliminated from the top. */
static void solve4(double a[4][4], double *b) {
    double d[4];
    for (int i = 0; i < 4; i++) d[i] = sqrt(a[i][i]);
    for (int i = 0; i < 4; i++) {
        b[i] = b[i] / d[i];
        for (int j = 0; j < 4; j++) a[i][j] = a[i][j] / (d[i] * d[j]);
    }
    for (int p = 0; p < 4; p++)
        for (int i = p + 1; i < 4; i++) {
            double f = a[i][p] / a[p][p];
            for (int j = p; j < 4; j++) a[i][j] -= f * a[p][j];
            b[i] -= f * b[p];
        }
    for (int i = 3; i >= 0; i--) {
        double s = b[i];
        for (int j = i + 1; j < 4; j++) s -= a[i][j] * b[j];
        b[i] = s / a[i][i];
    }
    for (int i = 0; i < 4; i++) b[i] = b[i] / d[i];
}

/* One block's share in the normal equations (upper triangle), its right-hand side, its own shift and its information. */
typedef struct { double normal[10], right[4], shift[2], xx, xy, yy, trace; } nf_told;

static void tell(const double *e, double x, double y, double weight, double q, double floor2, nf_told *to) {
    double scale = 1. / (e[5] + 1e-8) * weight, gs = scale / q, ss = scale / (q * q);
    double sxx = e[0] * ss, sxy = e[1] * ss, syy = e[2] * ss, gx = e[3] * gs, gy = e[4] * gs;
    double lx = 1. + floor2 * sxx, ly = 1. + floor2 * syy, lo = floor2 * sxy, det = lx * ly - lo * lo;
    double a = (ly * sxx - lo * sxy) / det, b = (ly * sxy - lo * syy) / det, c = (lx * syy - lo * sxy) / det;
    double px = (ly * gx - lo * gy) / det, py = (lx * gy - lo * gx) / det;
    double ridge = 1e-6 * (a + c), ar = a + ridge, cr = c + ridge, size = ar + cr, d2 = ar * cr - b * b;
    double f = d2 > 1e-14 * size * size ? 1. / d2 : 0.;
    double w2x = x * a + y * b, w2y = x * b + y * c, w3x = x * b - y * a, w3y = x * c - y * b;
    const double normal[10] = {a, b, w2x, w3x, c, w2y, w3y, x * w2x + y * w2y, x * w2y - y * w2x, x * w3y - y * w3x};
    memcpy(to->normal, normal, sizeof normal);
    to->right[0] = px;
    to->right[1] = py;
    to->right[2] = x * px + y * py;
    to->right[3] = x * py - y * px;
    to->shift[0] = (cr * px - b * py) * f;
    to->shift[1] = (ar * py - b * px) * f;
    to->xx = a;
    to->xy = b;
    to->yy = c;
    to->trace = a + c;
}

static void add_up(const nf_told *told, const double *weight, int n, double *total) {
    for (int e = 0; e < 14; e++) total[e] = 0.;
    for (int k = 0; k < n; k++) {
        for (int e = 0; e < 10; e++) total[e] += weight[k] * told[k].normal[e];
        for (int e = 0; e < 4; e++) total[10 + e] += weight[k] * told[k].right[e];
    }
}

static void spread_out(const double *upper, double full[4][4]) {
    for (int i = 0, at = 0; i < 4; i++)
        for (int j = i; j < 4; j++, at++) full[i][j] = full[j][i] = upper[at];
}

/* Fits (x, y, log scale, roll) to blocks at (x, y) from the centre. weights: null, or what multiplies each block's
   information; q: reduction of the pictures. Out: the step (4), what is known of it (16), each block's residual (count,
   2) and weight, and how many equal blocks would say as much. Returns 1 where the blocks say nothing. */
int32_t nf_register_fit(int32_t count, const double *equations, const double *x, const double *y, const double *weights,
                        double q, double *step, double *information, double *residual, double *weight,
                        double *effective) {
    static const double loose[4] = {2., 2., 2e-3, 2e-3};
    nf_told *told = malloc((sizeof(nf_told) + sizeof(nf_heard) + 3 * sizeof(double)) * (size_t)(count + 1));
    if (!told) return 2;
    nf_heard *heard = (nf_heard *)(told + count);
    double *trust = (double *)(heard + count), *m2 = trust + count, total[14], largest = 0., spread = 1.;
    int n = 0;
    int64_t gauge = 0;
    for (int k = 0; k < count; k++) {
        const double *e = equations + (int64_t)k * EQUATION;
        if (e[5] < 0.) continue;
        tell(e, x[k], y[k], weights ? weights[k] : 1., q, (.02 * q) * (.02 * q), told + n);
        largest = fmax(largest, told[n].trace);
        trust[n++] = 1.;
    }
    if (n < 2 || !(largest > 0.)) { free(told); return 1; }
    for (int k = 0; k < n; k++) gauge += (int64_t)(told[k].trace / largest * GAUGE);
    for (int round = 0; round < ROUNDS; round++) {
        double full[4][4];
        add_up(told, trust, n, total);
        spread_out(total, full);
        for (int i = 0; i < 4; i++) {
            double sigma = i < 2 ? loose[i] * q : loose[i];
            full[i][i] += fmax(spread, 1.) * (1. / (sigma * sigma));
            step[i] = total[10 + i];
        }
        solve4(full, step);
        for (int k = 0, b = 0; k < count; k++) {
            if (equations[(int64_t)k * EQUATION + 5] < 0.) continue;
            const nf_told *t = told + b;
            double rx = t->shift[0] - (step[0] + (x[k] * step[2] - y[k] * step[3]));
            double ry = t->shift[1] - (step[1] + (y[k] * step[2] + x[k] * step[3]));
            residual[2 * k] = rx;
            residual[2 * k + 1] = ry;
            m2[b] = rx * (t->xx * rx + t->xy * ry) + ry * (t->xy * rx + t->yy * ry);
            heard[b] = (nf_heard){m2[b], (int64_t)(t->trace / largest * GAUGE)};
            b++;
        }
        spread = fmax(heavy_middle(heard, n, gauge) / 1.386, .3);
        for (int k = 0; k < n; k++) {
            double t = 1. + m2[k] / (6. * spread);
            trust[k] = 1. / (t * t);
        }
    }
    double sum = 0., square = 0., full[4][4];
    for (int k = 0, b = 0; k < count; k++) {
        weight[k] = 0.;
        if (equations[(int64_t)k * EQUATION + 5] < 0.) { residual[2 * k] = residual[2 * k + 1] = 0.; continue; }
        weight[k] = trust[b] * told[b].trace;
        b++;
        sum += weight[k];
        square += weight[k] * weight[k];
    }
    *effective = sum * sum / fmax(square, 1e-300);
    spread_out(total, full);
    double share = 1. + 20. / fmax(*effective, 1.);
    for (int i = 0; i < 16; i++) information[i] = full[i / 4][i % 4] / spread / share;
    free(told);
    return 0;
}

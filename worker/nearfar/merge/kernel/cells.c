/* Small grids of cells: carried into the picture's geometry, and smoothed. Specification: twin_cells.py. */
#include "nearfar.h"

#define CELL 16                   /* edge of a cell in pixels */

/* to[y][x] = bilinear value of from at pose (x, y); the grid's edge goes on outside. pose: 2 x 3, in cells. bend: null, or
   what the frame is bent by, in pixels. */
void nf_grid_warp(const float *restrict from, float *restrict to, int rows, int cols, const double *pose, const nf_bend *bend) {
    for (int y = 0; y < rows; y++)
        for (int x = 0; x < cols; x++) {
            double u = nf_u(pose, 0, x, y), v = nf_v(pose, 0, x, y);
            if (bend) {
                const double X = CELL * x + (CELL - 1) * .5, Y = CELL * y + (CELL - 1) * .5;
                u += nf_bent(bend, bend->x, X, Y) / CELL;
                v += nf_bent(bend, bend->y, X, Y) / CELL;
            }
            u = u < 0 ? 0 : (u > cols - 1 ? cols - 1 : u);
            v = v < 0 ? 0 : (v > rows - 1 ? rows - 1 : v);
            int i = (int)u, j = (int)v, i1 = nf_clampi(i + 1, 0, cols - 1), j1 = nf_clampi(j + 1, 0, rows - 1);
            float fu = (float)(u - i), fv = (float)(v - j);
            const float *a = from + (int64_t)j * cols, *b = from + (int64_t)j1 * cols;
            float top = a[i] * (1 - fu) + a[i1] * fu, low = b[i] * (1 - fu) + b[i1] * fu;
            to[(int64_t)y * cols + x] = top * (1 - fv) + low * fv;
        }
}

/* Separable symmetric filter; taps[0] is the centre; the grid is mirrored at its edges. work: rows * cols. */
void nf_grid_blur(const float *restrict from, float *restrict to, int rows, int cols, const float *taps, int reach, float *restrict work) {
    for (int y = 0; y < rows; y++) {
        const float *s = from + (int64_t)y * cols;
        float *restrict o = work + (int64_t)y * cols;
        for (int x = 0; x < cols; x++) o[x] = taps[0] * s[x];
        for (int t = 1; t <= reach; t++) {
            int lo = t < cols ? t : cols, hi = cols - t > lo ? cols - t : lo;
            for (int x = 0; x < lo; x++) o[x] += taps[t] * (s[nf_mirror(x - t, cols)] + s[nf_mirror(x + t, cols)]);
            for (int x = lo; x < hi; x++) o[x] += taps[t] * (s[x - t] + s[x + t]);
            for (int x = hi; x < cols; x++) o[x] += taps[t] * (s[nf_mirror(x - t, cols)] + s[nf_mirror(x + t, cols)]);
        }
    }
    for (int y = 0; y < rows; y++) {
        float *restrict o = to + (int64_t)y * cols;
        const float *restrict c = work + (int64_t)y * cols;
        for (int x = 0; x < cols; x++) o[x] = taps[0] * c[x];
        for (int t = 1; t <= reach; t++) {
            const float *restrict a = work + (int64_t)nf_mirror(y - t, rows) * cols;
            const float *restrict b = work + (int64_t)nf_mirror(y + t, rows) * cols;
            for (int x = 0; x < cols; x++) o[x] += taps[t] * (a[x] + b[x]);
        }
    }
}

/* Largest of the 3 x 3 cells around, edges repeated: admission grown by one cell. */
void nf_grid_grow(const uint8_t *restrict from, uint8_t *restrict to, int rows, int cols) {
    for (int y = 0; y < rows; y++)
        for (int x = 0; x < cols; x++) {
            uint8_t m = 0;
            for (int j = -1; j <= 1; j++)
                for (int i = -1; i <= 1; i++) {
                    uint8_t v = from[(int64_t)nf_clampi(y + j, 0, rows - 1) * cols + nf_clampi(x + i, 0, cols - 1)];
                    m = v > m ? v : m;
                }
            to[(int64_t)y * cols + x] = m;
        }
}

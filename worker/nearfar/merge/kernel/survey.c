/* Survey of one frame: blocks for the scratch file, energy of three luma bands per cell, and the small
   picture that registration starts from. Specification: twin_survey.py. */
#include "nearfar.h"
#include "planes.h"

#define CELL 16
#define BLOCK_W 512               /* block of pixels that is worked on in one go; stays in the cache */
#define BLOCK_H 128
#define HALO 8                    /* a band of level 2 reaches 8 pixels; a multiple of 4 keeps the grids aligned */
#define ROW (BLOCK_W + 2 * HALO)
#define ROWS (BLOCK_H + 2 * HALO)
#define RING 8                    /* rows held for a blur of five; a power of two */
#define CURVE 16384               /* steps of the table from encoded to linear luma */

/* Up to 64 interleaved rows (rows, width, 3) to blocks of 64 x 64, planes of one block after the other. What lies beyond
   the picture repeats its edge. */
#define LAY_OUT(name, type)                                                                                            \
    void name(const type *restrict from, type *restrict to, int64_t width, int64_t rows) {                             \
        for (int64_t x0 = 0; x0 < width; x0 += NF_BLOCK)                                                               \
            for (int64_t y = 0; y < NF_BLOCK; y++) {                                                                   \
                const type *restrict s = from + 3 * ((y < rows ? y : rows - 1) * width + x0);                          \
                type *restrict r = to + 3 * NF_BLOCK * x0 + NF_BLOCK * y, *restrict g = r + NF_BLOCK * NF_BLOCK;       \
                type *restrict b = g + NF_BLOCK * NF_BLOCK;                                                            \
                int64_t n = width - x0 < NF_BLOCK ? width - x0 : NF_BLOCK;                                             \
                for (int64_t x = 0; x < n; x++) {                                                                      \
                    r[x] = s[3 * x];                                                                                   \
                    g[x] = s[3 * x + 1];                                                                               \
                    b[x] = s[3 * x + 2];                                                                               \
                }                                                                                                      \
                for (int64_t x = n; x < NF_BLOCK; x++) {                                                               \
                    r[x] = r[n - 1];                                                                                   \
                    g[x] = g[n - 1];                                                                                   \
                    b[x] = b[n - 1];                                                                                   \
                }                                                                                                      \
            }                                                                                                          \
    }
LAY_OUT(nf_lay_out8, uint8_t)
LAY_OUT(nf_lay_out16, uint16_t)

/* Up to 64 interleaved rows (rows, width, 3) of luma and chroma, whose chroma is repeated across (and down), to blocks. What
   lies beyond the picture repeats its edge. */
void nf_lay_out_planes(const uint8_t *restrict from, uint8_t *restrict to, int64_t width, int64_t rows, int down) {
    const int64_t high = down ? NF_HALF : NF_BLOCK, plane = NF_HALF * high;
    for (int64_t x0 = 0; x0 < width; x0 += NF_BLOCK, to += NF_BLOCK * NF_BLOCK + 2 * plane) {
        const int64_t n = width - x0 < NF_BLOCK ? width - x0 : NF_BLOCK;
        for (int64_t y = 0; y < NF_BLOCK; y++) {
            const uint8_t *restrict s = from + 3 * ((y < rows ? y : rows - 1) * width + x0);
            uint8_t *restrict luma = to + NF_BLOCK * y, blue[NF_BLOCK], red[NF_BLOCK];
            for (int64_t x = 0; x < n; x++) {
                luma[x] = s[3 * x];
                blue[x] = s[3 * x + 1];
                red[x] = s[3 * x + 2];
            }
            for (int64_t x = n; x < NF_BLOCK; x++) {
                luma[x] = luma[n - 1];
                blue[x] = blue[n - 1];
                red[x] = red[n - 1];
            }
            if (down && (y & 1)) continue;
            uint8_t *restrict b = to + NF_BLOCK * NF_BLOCK + NF_HALF * (y >> down), *restrict r = b + plane;
            for (int64_t x = 0; x < NF_HALF; x++) {
                b[x] = blue[2 * x];
                r[x] = red[2 * x];
            }
        }
    }
}

static inline float luma(float r, float g, float b) { return .299f * r + .587f * g + .114f * b; }

static void luma_run(const nf_pixels *p, int64_t at, float *restrict o, int n) {
    const float scale = p->bits == 8 ? 1.f / 255 : 1.f / 65535;
    const int64_t s = p->pixel;
    if (p->bits == 8) {
        const uint8_t *restrict r = (const uint8_t *)p->base + at, *restrict g = r + p->plane, *restrict b = g + p->plane;
        if (s == 1) for (int i = 0; i < n; i++) o[i] = luma(r[i] * scale, g[i] * scale, b[i] * scale);
        else if (s == 3) for (int i = 0; i < n; i++) o[i] = luma(r[3 * i] * scale, r[3 * i + 1] * scale, r[3 * i + 2] * scale);
        else for (int i = 0; i < n; i++) o[i] = luma(r[s * i] * scale, g[s * i] * scale, b[s * i] * scale);
    } else {
        const uint16_t *restrict r = (const uint16_t *)p->base + at, *restrict g = r + p->plane, *restrict b = g + p->plane;
        if (s == 1) for (int i = 0; i < n; i++) o[i] = luma(r[i] * scale, g[i] * scale, b[i] * scale);
        else for (int i = 0; i < n; i++) o[i] = luma(r[s * i] * scale, g[s * i] * scale, b[s * i] * scale);
    }
}

/* Luma as a JPEG has it, of which colours would be made and rounded first. */
static void coded_luma(const uint8_t *restrict s, float *restrict o, int n) {
    for (int i = 0; i < n; i++) o[i] = s[i] * (1.f / 255);
}

/* Encoded luma of n pixels of row y from column x; pixels beyond the edges repeat the edge. ring: see nf_measure. */
static void luma_row(const nf_pixels *p, int ring, int x, int y, int n, float *restrict out) {
    const int row = nf_clampi(y, 0, p->height - 1);
    const int64_t at = nf_row(p, ring ? row % (ring * NF_BLOCK) : row);
    int first = x < 0 ? -x : 0, last = x + n > p->width ? p->width - x : n;
    if (first > n - 1) first = n - 1;
    for (int i = first; i < last;) {
        int count = p->blocks ? NF_BLOCK - (x + i) % NF_BLOCK : last - i;
        if (count > last - i) count = last - i;
        if (p->chroma)
            coded_luma((const uint8_t *)p->base + at + (x + i) / NF_BLOCK * nf_plane_block(p) + (x + i) % NF_BLOCK, out + i, count);
        else luma_run(p, at + nf_column(p, x + i), out + i, count);
        i += count;
    }
    for (int i = 0; i < first; i++) out[i] = out[first];
    for (int i = last; i < n; i++) out[i] = out[last - 1];
}

static void blur_across(const float *restrict s, float *restrict o, int n) { /* two valid samples on both sides */
    for (int i = 0; i < n; i++) o[i] = .375f * s[i] + .25f * (s[i - 1] + s[i + 1]) + .0625f * (s[i - 2] + s[i + 2]);
}

/* Adds the squared band (y - B5 y) of n pixels to sum, from the luma row and five rows that are blurred across. */
static void add_band_squared(const float *restrict y, const float *restrict a, const float *restrict b, const float *restrict c,
                             const float *restrict d, const float *restrict e, float *restrict sum, int n) {
    for (int i = 0; i < n; i++) {
        float v = y[i] - (.375f * c[i] + .25f * (b[i] + d[i]) + .0625f * (a[i] + e[i]));
        sum[i] += v * v;
    }
}

/* Adds a row to sum. */
static void add_row(const float *restrict y, float *restrict sum, int n) {
    for (int i = 0; i < n; i++) sum[i] += y[i];
}

typedef struct {
    float y[3][ROWS][ROW];        /* luma at full, half and quarter size */
    float across[RING][ROW];      /* rows that are blurred across */
    float sum[ROW], light[ROW];   /* columns, summed down a row of cells: of a squared band, of luma */
    int32_t step[ROW];            /* of the curve */
} work_t;

int64_t nf_measure_bytes(void) { return (int64_t)sizeof(work_t); }

static void halve(float (*from)[ROW], float (*to)[ROW], int w, int h) {
    for (int y = 0; y < h / 2; y++) {
        const float *restrict a = from[2 * y], *restrict b = from[2 * y + 1];
        float *restrict o = to[y];
        for (int x = 0; x < w / 2; x++) o[x] = .25f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
    }
}

/* Sums of a row of cells: columns were summed first, which keeps the long loop free of carried sums. */
static void sum_cells(const float *restrict columns, int side, int level, int x0, int w, int width, float *restrict cells) {
    for (int c = 0; c < w / CELL && x0 + c * CELL < width; c++) {
        float sum = 0;
        int n = (width - x0 - c * CELL + (1 << level) - 1) >> level;
        for (int i = 0; i < (n < side ? n : side); i++) sum += columns[c * side + i];
        cells[c] = sum;
    }
}

/* Squared band of one level, summed over the cells of the block, and with level 0 luma as well. side: pixels of this
   level in a cell. */
static void level_energy(work_t *k, int level, int x0, int y0, int w, int h, int width, int height, float *energy, float *mean, int cols) {
    const int halo = HALO >> level, side = CELL >> level, n = w >> level;
    float (*const luma)[ROW] = k->y[level] + halo, (*const ring)[ROW] = k->across;
    for (int y = -2; y < 2; y++) blur_across(luma[y] + halo, ring[y & (RING - 1)] + halo, n);
    for (int top = 0; top < h >> level && y0 + (top << level) < height; top += side) {
        const int64_t cells = (int64_t)((y0 + (top << level)) / CELL) * cols + x0 / CELL;
        memset(k->sum, 0, (size_t)n * sizeof(float));
        memset(k->light, 0, (size_t)n * sizeof(float));
        for (int y = top; y < top + side && y0 + (y << level) < height; y++) {
            blur_across(luma[y + 2] + halo, ring[(y + 2) & (RING - 1)] + halo, n);
            const float *a[5];
            for (int j = 0; j < 5; j++) a[j] = ring[(y + j - 2) & (RING - 1)] + halo;
            add_band_squared(luma[y] + halo, a[0], a[1], a[2], a[3], a[4], k->sum, n);
            if (!level) add_row(luma[y] + halo, k->light, n);
        }
        sum_cells(k->sum, side, level, x0, w, width, energy + cells);
        if (!level) sum_cells(k->light, CELL, 0, x0, w, width, mean + cells);
    }
}

/* Linear-light mean of 4 x 4 pixels, in 65535ths: the curve is applied to the mean of 2 x 2. */
static void small_rows(work_t *k, const float *restrict curve, int x0, int y0, int w, int h, int sw, int sh, uint16_t *small) {
    for (int y = 0; y < h / 4 && y0 / 4 + y < sh; y++) {
        float *restrict light = k->sum;
        for (int j = 0; j < 2; j++) {
            const float *restrict s = k->y[1][HALO / 2 + 2 * y + j] + HALO / 2;
            int32_t *restrict step = k->step;
            for (int x = 0; x < w / 2; x++) step[x] = (int)nf_minf(nf_maxf(s[x] * CURVE + .5f, 0), CURVE);
            if (!j) for (int x = 0; x < w / 2; x++) light[x] = curve[step[x]];
            else for (int x = 0; x < w / 2; x++) light[x] += curve[step[x]];
        }
        uint16_t *restrict o = small + (int64_t)(y0 / 4 + y) * sw + x0 / 4;
        int n = sw - x0 / 4 < w / 4 ? sw - x0 / 4 : w / 4;
        for (int x = 0; x < n; x++) o[x] = (uint16_t)(int)(nf_minf((light[2 * x] + light[2 * x + 1]) * .25f, 1) * 65535.f + .5f);
    }
}

static int in_cell(int index, int size, int level) { /* pixels of the level along one side that lie in the picture */
    int n = (size - index * CELL + (1 << level) - 1) >> level, side = CELL >> level;
    return n < side ? n : side;
}

/* Measures the rows of cells from..to-1.
   energy: (3, cell_rows, cols) mean squared band; mean: (cell_rows, cols) mean encoded luma; small: (height/4, width/4).
   curve: CURVE + 1 values, encoded luma to linear light. work: nf_measure_bytes(). ring: where p holds so many rows of
   blocks only, each in place of the one that many before; 0 where it holds them all. */
void nf_measure(const nf_pixels *p, int ring, int from, int to, int cell_rows, int cols, const float *curve, float *energy, float *mean,
                uint16_t *small, void *work) {
    work_t *k = work;
    const int64_t plane = (int64_t)cell_rows * cols;
    for (int l = 0; l < 3; l++) memset(energy + l * plane + (int64_t)from * cols, 0, (size_t)(to - from) * cols * sizeof(float));
    memset(mean + (int64_t)from * cols, 0, (size_t)(to - from) * cols * sizeof(float));
    for (int y0 = from * CELL; y0 < to * CELL; y0 += BLOCK_H) {
        int h = to * CELL - y0 < BLOCK_H ? to * CELL - y0 : BLOCK_H;
        for (int x0 = 0; x0 < p->width; x0 += BLOCK_W) {
            int w = cols * CELL - x0 < BLOCK_W ? cols * CELL - x0 : BLOCK_W;
            for (int y = 0; y < h + 2 * HALO; y++) luma_row(p, ring, x0 - HALO, y0 - HALO + y, w + 2 * HALO, k->y[0][y]);
            for (int l = 1; l < 3; l++) halve(k->y[l - 1], k->y[l], (w + 2 * HALO) >> (l - 1), (h + 2 * HALO) >> (l - 1));
            for (int l = 0; l < 3; l++) level_energy(k, l, x0, y0, w, h, p->width, p->height, energy + l * plane, mean, cols);
            small_rows(k, curve, x0, y0, w, h, p->width / 4, p->height / 4, small);
        }
    }
    for (int cy = from; cy < to; cy++)
        for (int cx = 0; cx < cols; cx++) {
            int64_t at = (int64_t)cy * cols + cx;
            for (int l = 0; l < 3; l++) energy[l * plane + at] /= (float)(in_cell(cx, p->width, l) * in_cell(cy, p->height, l));
            mean[at] /= (float)(in_cell(cx, p->width, 0) * in_cell(cy, p->height, 0));
        }
}

/* A row of a frame in planes: (3, width), red, green and blue. */
void nf_colour_row(const nf_pixels *p, int y, uint8_t *out) {
    nf_rgb_run(p, 0, 0, y, p->width, out, out + p->width, out + 2 * (int64_t)p->width);
}

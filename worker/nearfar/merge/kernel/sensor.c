/* Isolated pixels: brighter than all sixteen around them at a distance of two, or darker. Specification: twin_sensor.py. */
#include "planes.h"

#define PAD 8
#define ROWS 5
#define PLANES (3 * ROWS + 3)     /* values and their extremes over five columns, for five rows; three of one row */

int64_t nf_isolated_bytes(int width) { return (int64_t)PLANES * (width + 2 * PAD) * (int64_t)sizeof(float); }

static void mean_run(const nf_pixels *p, int64_t at, float *restrict o, int n) {
    const int64_t s = p->pixel;
    if (p->bits == 8) {
        const uint8_t *restrict r = (const uint8_t *)p->base + at, *restrict g = r + p->plane, *restrict b = g + p->plane;
        if (s == 1) for (int i = 0; i < n; i++) o[i] = (float)(r[i] + g[i] + b[i]) * (1.f / 765);
        else for (int i = 0; i < n; i++) o[i] = (float)(r[s * i] + g[s * i] + b[s * i]) * (1.f / 765);
    } else {
        const uint16_t *restrict r = (const uint16_t *)p->base + at, *restrict g = r + p->plane, *restrict b = g + p->plane;
        if (s == 1) for (int i = 0; i < n; i++) o[i] = (float)(r[i] + g[i] + b[i]) * (1.f / 196605);
        else for (int i = 0; i < n; i++) o[i] = (float)(r[s * i] + g[s * i] + b[s * i]) * (1.f / 196605);
    }
}

/* Mean of the colours of a row, its ends repeated, and the largest and least of each pixel and two on both sides. */
static void read_row(const nf_pixels *p, int y, float *restrict m, float *restrict high, float *restrict low) {
    const int w = p->width, row = nf_clampi(y, 0, p->height - 1);
    const int64_t at = nf_row(p, row);
    for (int x = 0; x < w && p->chroma; x += NF_RUN) {
        uint8_t colours[3 * NF_RUN];
        const nf_pixels view = nf_rows_view(p, colours, NF_RUN);
        const int count = w - x < NF_RUN ? w - x : NF_RUN;
        nf_rgb_run(p, 0, x, row, count, colours, colours + NF_RUN, colours + 2 * NF_RUN);
        mean_run(&view, 0, m + x, count);
    }
    for (int x = 0; x < w && !p->chroma;) {
        int count = p->blocks && NF_BLOCK - x % NF_BLOCK < w - x ? NF_BLOCK - x % NF_BLOCK : w - x;
        mean_run(p, at + nf_column(p, x), m + x, count);
        x += count;
    }
    for (int i = 1; i <= PAD; i++) m[-i] = m[0], m[w - 1 + i] = m[w - 1];
    for (int x = 0; x < w; x++) {
        high[x] = nf_maxf(nf_maxf(nf_maxf(m[x - 2], m[x - 1]), nf_maxf(m[x], m[x + 1])), m[x + 2]);
        low[x] = nf_minf(nf_minf(nf_minf(m[x - 2], m[x - 1]), nf_minf(m[x], m[x + 1])), m[x + 2]);
    }
}

static int is_extreme(float *const *m, int x, int sign) {
    const float v = (float)sign * m[2][x];
    for (int y = 1; y < 4; y++)
        for (int i = -1; i < 2; i++)
            if ((float)sign * m[y][x + i] > v) return 0;
    return 1;
}

/* Finds what stands out by more than `least` (of 1) in the rows from..to-1. places: y * width + x; heights: by how much,
   negative where darker; both hold `room`. work: nf_isolated_bytes(). Returns how many there are; only `room` are told. */
int64_t nf_isolated(const nf_pixels *p, int from, int to, float least, int64_t *places, float *heights, int64_t room, void *work) {
    const int w = p->width, stride = w + 2 * PAD;
    float *planes[PLANES], *m[ROWS], *high[ROWS], *low[ROWS];
    int64_t found = 0;
    for (int i = 0; i < PLANES; i++) planes[i] = (float *)work + (int64_t)i * stride + PAD;
    float *restrict up = planes[3 * ROWS], *restrict down = planes[3 * ROWS + 1], *restrict by = planes[3 * ROWS + 2];
    for (int y = from - 4; y < to; y++) {
        const int ring = (y + 2 + 2 * ROWS) % ROWS;
        read_row(p, y + 2, planes[ring], planes[ROWS + ring], planes[2 * ROWS + ring]);
        if (y < from) continue;
        for (int i = 0; i < ROWS; i++) {
            const int at = (y - 2 + i + 2 * ROWS) % ROWS;
            m[i] = planes[at];
            high[i] = planes[ROWS + at];
            low[i] = planes[2 * ROWS + at];
        }
        for (int x = -2; x < w + 2; x++) {
            up[x] = nf_maxf(nf_maxf(m[1][x], m[2][x]), m[3][x]);
            down[x] = nf_minf(nf_minf(m[1][x], m[2][x]), m[3][x]);
        }
        for (int x = 0; x < w; x++) {
            const float top = nf_maxf(nf_maxf(high[0][x], high[4][x]), nf_maxf(up[x - 2], up[x + 2]));
            const float bottom = nf_minf(nf_minf(low[0][x], low[4][x]), nf_minf(down[x - 2], down[x + 2]));
            by[x] = nf_maxf(m[2][x] - top, bottom - m[2][x]);
        }
        for (int x0 = 0; x0 < w; x0 += 32) {
            const int x1 = x0 + 32 < w ? x0 + 32 : w;
            float most = 0;
            for (int x = x0; x < x1; x++) most = nf_maxf(most, by[x]);
            if (!(most > least)) continue;
            for (int x = x0; x < x1; x++) {
                if (!(by[x] > least)) continue;
                const int sign = m[2][x] > m[2][x + 2] ? 1 : -1;
                if (!is_extreme(m, x, sign)) continue;
                if (found < room) {
                    places[found] = (int64_t)y * w + x;
                    heights[found] = (float)sign * by[x];
                }
                found++;
            }
        }
    }
    return found;
}

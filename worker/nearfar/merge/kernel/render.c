/* One tile of the picture from the few frames that are admitted there. Specification: twin_render.py.

   Everything about scores and weights happens at half size; colours are merged once at full size and only luma's
   finest band is chosen apart; then frames that agree with the result within noise are averaged in. What a pixel
   becomes depends on at most HALO pixels around it, and on absolute coordinates only: tiles of any size, made in
   any order by any number of threads, have the same bits. */
#define _DEFAULT_SOURCE
#include <sys/mman.h>
#include <unistd.h>
#include "warp.h"
#include "spots.h"

#define HALO_X 32                 /* multiple of 16 */
#define HALO_Y 20                 /* even; the reach of all filters together */
#define MOST 4096                 /* frames in one window */
#define FIRST 4                   /* half-size rows and columns at the window's edge where scores are not complete */
#define MARGIN 16                 /* pixels around the admitted cells in which a frame is carried along */
#define PART 3                    /* frames that were not let in part two surfaces as well as a valley does */
#define FAINT .05f                /* relative energy below which nothing is a surface */
#define VALLEY .4f                /* a valley is this share of the peak before it */
#define CLEAR 8.f                 /* times the noise from which energy is believed */
#define RAMP 4.f                  /* pixels over which a frame fades towards its own border */
#define LEAST 1e-4f               /* score of any admitted frame: where nothing is to be seen, some frame must be taken */

typedef struct {
    int32_t frames, width, height, cols, rows;
    int32_t order;                /* 1: the first frame is focused nearest, -1: the last one, 0: not known */
    int32_t mapped;               /* 1 where all pixels are shared maps of files: their pages are given back after use */
    int32_t spot_count;
    const nf_pixels *pixels;
    const double *poses;          /* frames x 6 */
    const uint16_t *prior;        /* rows x frames x cols, in 8192ths */
    const uint8_t *admitted;      /* rows x frames x cols */
    const float *variance;        /* rows x cols: noise of one channel of a frame, squared */
    float channel, band0, band1;  /* what a warp leaves of that variance: in a channel, in luma's bands 0 and 1 */
    float prior_weight;           /* weight of the prior against the energies */
    float behind;                 /* least factor of a frame's score where something nearer is sharp as well */
    float agreement;              /* how far frames may differ and still be averaged, in units of noise */
    float quiet;                  /* energies count from this many times the noise on */
    float spread;                 /* variance of luma among frames from which a cell is given to the net */
    const float *net;             /* weights of the learned chooser, or null */
    const float *spots;           /* x, y, reach in frame pixels, sorted by y: the same places in every frame */
    const nf_bend *bends;         /* of every frame, or null where none is bent */
} nf_stack;

typedef struct {
    int index;                    /* the frame */
    nf_box box;
    nf_planes planes;
    float *band1, *weight, *detail, *admission;   /* half size */
    int16_t *from, *to;           /* per half row: where weights are above zero */
    float *mask, *prior, *second; /* half size, for the net: see choose.h; weight of luma's second band */
} member_t;

typedef struct {
    const nf_stack *stack;
    int left, top, width, height, half_width, half_height, count;
    member_t *members;
    float *best, *noise, *sum[3], *total, *fine, *fine_total, *luma, *blurred, *half_a, *half_b;
    nf_warp_work *warp;
    int halo_y;
    float *gain, *second_gain;    /* half size, for the net: of luma's two finest bands; the second is 0 where the net has no say */
    float *seen[3];               /* and sums of weights, of luma and of its square */
    struct net_work *net;
} window_t;

static int64_t net_bytes(int frames);

static inline const nf_bend *bend_of(const nf_stack *s, int k) { return s->bends && s->bends[k].largest > 0 ? s->bends + k : 0; }

/* ---- memory: one block, cut up by a bump pointer; a first pass with base 0 only counts ---- */

static void *take(char **at, int64_t bytes) {
    void *p = *at;
    *at += (bytes + 127) & ~(int64_t)63;
    return p;
}

static int64_t lay_out(window_t *w, char *base) {
    char *at = base;
    const int64_t full = (int64_t)w->width * w->height, half = (int64_t)w->half_width * w->half_height;
    w->warp = take(&at, sizeof(nf_warp_work));
    float **planes[] = {&w->best, &w->noise, &w->half_a, &w->half_b};
    for (int i = 0; i < 4; i++) *planes[i] = take(&at, half * 4);
    float **fulls[] = {&w->sum[0], &w->sum[1], &w->sum[2], &w->total, &w->fine, &w->fine_total, &w->luma, &w->blurred};
    for (int i = 0; i < 8; i++) *fulls[i] = take(&at, full * 4);
    const int net = w->halo_y != HALO_Y;
    if (net) {
        w->gain = take(&at, half * 4);
        w->second_gain = take(&at, half * 4);
        for (int i = 0; i < 3; i++) w->seen[i] = take(&at, half * 4);
        w->net = take(&at, net_bytes(w->count));
    }
    for (int i = 0; i < w->count; i++) {
        member_t m = {0};
        m.planes.colour = take(&at, full * 6);
        m.planes.fine = take(&at, full * 4);
        m.planes.square = take(&at, half * 4);
        m.planes.half_luma = take(&at, half * 4);
        m.band1 = take(&at, half * 4);
        m.weight = take(&at, half * 4);
        m.detail = take(&at, half * 4);
        m.admission = take(&at, half * 4);
        m.from = take(&at, w->half_height * 2);
        m.to = take(&at, w->half_height * 2);
        if (net) {
            m.mask = take(&at, half * 4);
            m.prior = take(&at, half * 4);
            m.second = take(&at, half * 4);
        }
        if (base) {
            m.index = w->members[i].index;
            m.box = w->members[i].box;
            w->members[i] = m;
        }
    }
    return at - base;
}

/* ---- which frames, and where in the window ---- */

static int floor_div(int a, int b) { return a >= 0 ? a / b : -((-a + b - 1) / b); }

static int admitted_box(const nf_stack *s, int k, int c0, int r0, int c1, int r1, nf_box *cells) {
    nf_box b = {1 << 30, 1 << 30, -1, -1};
    for (int r = r0; r < r1; r++) {
        const uint8_t *row = s->admitted + ((int64_t)r * s->frames + k) * s->cols;
        for (int c = c0; c < c1; c++)
            if (row[c]) {
                if (c < b.x0) b.x0 = c;
                if (c > b.x1) b.x1 = c;
                if (r < b.y0) b.y0 = r;
                b.y1 = r;
            }
    }
    *cells = b;
    return b.x1 >= 0;
}

/* Pixels of the window in which an admitted frame can matter; at the picture's edge the cells go on outside. */
static nf_box member_box(const nf_stack *s, const window_t *w, nf_box cells) {
    const int far = 1 << 28;
    int x0 = cells.x0 == 0 ? -far : cells.x0 * 16 - MARGIN, x1 = cells.x1 == s->cols - 1 ? far : cells.x1 * 16 + 16 + MARGIN;
    int y0 = cells.y0 == 0 ? -far : cells.y0 * 16 - MARGIN, y1 = cells.y1 == s->rows - 1 ? far : cells.y1 * 16 + 16 + MARGIN;
    nf_box b;
    b.x0 = nf_clampi(x0 - w->left, 0, w->width) & ~15;
    b.x1 = (nf_clampi(x1 - w->left, 0, w->width) + 15) & ~15;
    b.y0 = nf_clampi(y0 - w->top, 0, w->height) & ~1;
    b.y1 = (nf_clampi(y1 - w->top, 0, w->height) + 1) & ~1;
    return b;
}

static int choose_members(window_t *w) {
    const nf_stack *s = w->stack;
    int c0 = nf_clampi(floor_div(w->left, 16) - 1, 0, s->cols - 1), c1 = nf_clampi(floor_div(w->left + w->width - 1, 16) + 2, 1, s->cols);
    int r0 = nf_clampi(floor_div(w->top, 16) - 1, 0, s->rows - 1), r1 = nf_clampi(floor_div(w->top + w->height - 1, 16) + 2, 1, s->rows);
    w->count = 0;
    for (int k = 0; k < s->frames && w->count < MOST; k++) {
        nf_box cells;
        if (!admitted_box(s, k, c0, r0, c1, r1, &cells)) continue;
        nf_box b = member_box(s, w, cells);
        if (b.x0 >= b.x1 || b.y0 >= b.y1) continue;
        w->members[w->count].index = k;
        w->members[w->count++].box = b;
    }
    return w->count;
}

/* ---- rows of half-size helpers ---- */

/* B5 over a region of a plane, edges of the region repeated. */
static void blur_plane(const float *from, float *to, int stride, int w, int h, float (*ring)[NF_WIDEST]) {
    float pad[NF_WIDEST + 8];
    for (int y = -2; y < h + 2; y++) {
        const float *r = from + (int64_t)nf_clampi(y, 0, h - 1) * stride;
        memcpy(pad + 2, r, (size_t)w * 4);
        pad[0] = pad[1] = r[0];
        pad[w + 2] = pad[w + 3] = r[w - 1];
        nf_b5_across(pad + 2, ring[(y + 2) % 5], w);
        if (y < 2) continue;
        int a = (y - 2) % 5;
        nf_b5_down(ring[a], ring[(a + 1) % 5], ring[(a + 2) % 5], ring[(a + 3) % 5], ring[(a + 4) % 5], to + (int64_t)(y - 2) * stride, w);
    }
}

/* 3 x 3 with .15, .7, .15 both ways over a region of a plane, edges of the region repeated. */
static void soften_plane(const float *from, float *to, int stride, int w, int h) {
    float pad[NF_WIDEST + 2];
    for (int y = 0; y < h; y++) {
        const float *restrict a = from + (int64_t)(y ? y - 1 : 0) * stride, *restrict b = from + (int64_t)y * stride;
        const float *restrict c = from + (int64_t)(y < h - 1 ? y + 1 : y) * stride;
        float *restrict o = to + (int64_t)y * stride;
        for (int x = 0; x < w; x++) pad[x + 1] = .7f * b[x] + .15f * (a[x] + c[x]);
        pad[0] = pad[1];
        pad[w + 1] = pad[w];
        for (int x = 0; x < w; x++) o[x] = .7f * pad[x + 1] + .15f * (pad[x] + pad[x + 2]);
    }
}

/* Cell values of one cell row after vertical interpolation, spread over n half pixels from hx on (multiples of 8). */
static void spread(const float *cells, float *restrict o, int n) {
    for (int b = 0; b < n / 8; b++) {
        float l = cells[b], m = cells[b + 1], r = cells[b + 2], *restrict q = o + 8 * b;
        for (int i = 0; i < 4; i++) { float t = ((float)i + 4.5f) / 8; q[i] = l * (1 - t) + m * t; }
        for (int i = 0; i < 4; i++) { float t = ((float)i + .5f) / 8; q[4 + i] = m * (1 - t) + r * t; }
    }
}

/* Bilinear cell values of a frame along half row hy (absolute): admission and prior. */
static void cell_rows(const nf_stack *s, int k, int hy, int hx, int n, float *restrict admission, float *restrict prior) {
    float a[NF_WIDEST / 16 + 4], p[NF_WIDEST / 16 + 4];
    double at = (hy - 3.5) / 8;
    int row = (int)floor(at);
    float f = (float)(at - row);
    int64_t up = ((int64_t)nf_clampi(row, 0, s->rows - 1) * s->frames + k) * s->cols;
    int64_t low = ((int64_t)nf_clampi(row + 1, 0, s->rows - 1) * s->frames + k) * s->cols;
    for (int i = 0; i < n / 8 + 2; i++) {
        int c = nf_clampi(floor_div(hx, 8) - 1 + i, 0, s->cols - 1);
        a[i] = (float)s->admitted[up + c] * (1 - f) + (float)s->admitted[low + c] * f;
        p[i] = ((float)s->prior[up + c] * (1 - f) + (float)s->prior[low + c] * f) * (1.f / 8192);
    }
    spread(a, admission, n);
    spread(p, prior, n);
}

static double between(double v, double lo, double hi) { return v < lo ? lo : (v > hi ? hi : v); }

/* 1 inside the frame, falling to 0 over RAMP pixels at its border; returns 0 where all of the row is inside. Half
   pixels beyond the picture, and those of which half lies beyond, count as the nearest pixel inside. */
static int fade(const nf_stack *s, int k, int hy, int hx, int n, float *restrict o) {
    const double *p = s->poses + 6 * k, w = s->pixels[k].width - .5, h = s->pixels[k].height - .5;
    const double y = between(2 * hy + .5, 0, s->height - 1);
    const nf_bend *bend = bend_of(s, k);
    const double ramp = RAMP + (bend ? bend->largest : 0);
    int partly = 0;
    for (int e = 0; e < 2; e++) {
        double x = between(2 * (e ? hx + n - 1 : hx) + .5, 0, s->width - 1), u = nf_u(p, 0, x, y), v = nf_v(p, 0, x, y);
        partly |= u + .5 < ramp || w - u < ramp || v + .5 < ramp || h - v < ramp;
    }
    if (!partly) return 0;
    for (int i = 0; i < n; i++) {
        double x = between(2 * (hx + i) + .5, 0, s->width - 1), u = nf_u(p, bend, x, y), v = nf_v(p, bend, x, y);
        float near = (float)fmin(fmin(u + .5, w - u), fmin(v + .5, h - v)) * (1 / RAMP);
        o[i] = nf_minf(nf_maxf(near, 0), 1);
    }
    return 1;
}

/* Lowers the coverage along a half row on the frame's spots; returns 0 where nothing is lowered at all. */
static int dim_spots(const nf_stack *s, int k, int hy, int hx, int n, float *restrict o, int partly) {
    const double *p = s->poses + 6 * k, y = between(2 * hy + .5, 0, s->height - 1);
    const nf_bend *bend = bend_of(s, k);
    const double far = bend ? bend->largest : 0;
    const double v0 = p[3] * (2 * hx + .5) + p[4] * y + p[5], v1 = p[3] * (2 * (hx + n) + .5) + p[4] * y + p[5];
    const double low = fmin(v0, v1) - NF_MOST_REACH - 2 - far, high = fmax(v0, v1) + NF_MOST_REACH + 2 + far;
    float factor[NF_WIDEST / 2];
    int hit = 0, first = 0, end = s->spot_count;
    while (first < end) {
        const int middle = (first + end) / 2;
        if (s->spots[3 * middle + 1] < low) first = middle + 1;
        else end = middle;
    }
    for (int j = first; j < s->spot_count && s->spots[3 * j + 1] <= high; j++) {
        const double sx = s->spots[3 * j], sy = s->spots[3 * j + 1], reach = s->spots[3 * j + 2];
        const double middle = ((sx - p[1] * y - p[2]) / p[0] - .5) / 2 - hx, wide = (reach + far) / p[0] / 2 + 4 + fabs(p[3]) * reach;
        int from = nf_clampi((int)(middle - wide), 0, n), to = nf_clampi((int)(middle + wide) + 1, 0, n);
        if (2 * (hx + from) <= 0) from = 0; /* what lies beyond the picture counts as its edge */
        if (2 * (hx + to) + 1 >= s->width) to = n;
        for (int i = from; i < to; i++) {
            const double x = between(2 * (hx + i) + .5, 0, s->width - 1), u = nf_u(p, bend, x, y), v = nf_v(p, bend, x, y);
            if ((u - sx) * (u - sx) + (v - sy) * (v - sy) > reach * reach) continue;
            if (!hit) for (int q = 0; q < n; q++) factor[q] = 1;
            hit = 1;
            factor[i] = NF_SPOT;
        }
    }
    if (!hit) return partly;
    for (int i = 0; i < n; i++) o[i] = partly ? o[i] * factor[i] : factor[i];
    return 1;
}

/* How far a frame counts along a half row: 1 where it is whole, less at its border and on its spots; 0 is returned
   where all of the row counts fully. */
static int coverage(const nf_stack *s, int k, int hy, int hx, int n, float *restrict o) {
    const int partly = fade(s, k, hy, hx, n, o);
    return s->spot_count ? dim_spots(s, k, hy, hx, n, o, partly) : partly;
}

static int has_row(const member_t *m, int hy) { return 2 * hy >= m->box.y0 && 2 * hy < m->box.y1; }

/* ---- stages ---- */

/* Second band: half-size luma less its B5, squared, softened. */
static void second_band(window_t *w) {
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        int x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0, y0 = m->box.y0 / 2, h = m->box.y1 / 2 - y0;
        int64_t at = (int64_t)y0 * w->half_width + x0;
        blur_plane(m->planes.half_luma + at, w->half_a + at, w->half_width, n, h, w->warp->across);
        for (int y = 0; y < h; y++) {
            const float *restrict l = m->planes.half_luma + at + (int64_t)y * w->half_width, *restrict b = w->half_a + at + (int64_t)y * w->half_width;
            float *restrict o = w->half_b + at + (int64_t)y * w->half_width;
            for (int x = 0; x < n; x++) { float v = l[x] - b[x]; o[x] = v * v; }
        }
        soften_plane(w->half_b + at, m->band1 + at, w->half_width, n, h);
    }
}

static void noise_rows(window_t *w) {
    const nf_stack *s = w->stack;
    int hx = w->left / 2, hy = floor_div(w->top, 2);
    for (int y = 0; y < w->half_height; y++) {
        const float *row = s->variance + (int64_t)nf_clampi(floor_div(hy + y, 8), 0, s->rows - 1) * s->cols;
        float *o = w->noise + (int64_t)y * w->half_width;
        for (int x = 0; x < w->half_width; x++) o[x] = row[nf_clampi(floor_div(hx + x, 8), 0, s->cols - 1)];
    }
}

/* Hard admission of the cells along a half row, and coverage, as factors of the energies. */
static void energy_mask(const window_t *w, const member_t *m, int y, const float *restrict cover, float *restrict mask) {
    const nf_stack *s = w->stack;
    int hx = w->left / 2, x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0;
    int row = nf_clampi(floor_div(floor_div(w->top, 2) + y, 8), 0, s->rows - 1);
    const uint8_t *a = s->admitted + ((int64_t)row * s->frames + m->index) * s->cols;
    for (int x = 0; x < n; x += 8) {
        float v = a[nf_clampi(floor_div(hx + x0 + x, 8), 0, s->cols - 1)] ? 1.f : 0.f;
        for (int i = 0; i < 8; i++) mask[x + i] = cover ? v * cover[x + i] : v;
    }
}

/* What was seen on the way from the nearest frame to the farthest, place by place along a half row. */
typedef struct {
    float peak[NF_WIDEST / 2];    /* largest energy since the last valley */
    float low[NF_WIDEST / 2];     /* least energy since that peak */
    float nearer[NF_WIDEST / 2];  /* largest peak that is parted by a valley from what follows */
    int32_t last[NF_WIDEST / 2];  /* the last frame that was let in here */
} crossing_t;

/* a where the mask is all ones, b where it is zero. */
static inline float choose(int32_t mask, float a, float b) {
    union { float f; int32_t i; } u = {a}, v = {b};
    u.i = (u.i & mask) | (v.i & ~mask);
    return u.f;
}

/* Something sharp, then a valley, then something sharp again: the second lies behind the first and is seen through its
   blur, so its score falls. Only places where the frame was let in tell of it: which other frames are carried along
   depends on the tile. energy: relative, of both bands; e0, e1: as they are. */
static void fall_behind(const nf_stack *s, crossing_t *k, int frame, int x0, int n, const float *restrict energy, const float *restrict mask,
                        const float *restrict e0, const float *restrict e1, const float *restrict noise, float *restrict score) {
    float *restrict peak = k->peak + x0, *restrict low = k->low + x0, *restrict nearer = k->nearer + x0;
    int32_t *restrict last = k->last + x0;
    const float clear0 = CLEAR * s->band0, clear1 = CLEAR * s->band1, fall = .5f * (1 - s->behind);
    for (int x = 0; x < n; x++) { /* choices are made by masks of bits: compilers turn this into vectors, branches they do not */
        const int32_t before = last[x], let_in = -(mask[x] > 0), away = frame - before, parted = -((away > PART) | (away < -PART));
        const int32_t seen = -((e0[x] > clear0 * noise[x]) | (e1[x] > clear1 * noise[x]));
        const float p0 = peak[x], n0 = nearer[x], near = choose(parted & -(p0 > FAINT), nf_maxf(n0, p0), n0);
        const float p = choose(parted, 0, p0), l = choose(parted, 0, low[x]), g = choose(seen, energy[x], 0);
        const float top = nf_maxf(g, p), least = nf_minf(g, choose(-(g > p), g, l));
        const int32_t strong = -(top > FAINT), valley = strong & -(least < VALLEY * top), fresh = ~strong & -(g > 2 * least);
        const float nearest = choose(valley, nf_maxf(near, top), near), now = choose(let_in, nearest, near);
        last[x] = (let_in & frame) | (~let_in & before);
        peak[x] = choose(let_in, choose(valley, least, choose(fresh, g, top)), p);
        low[x] = choose(let_in, choose(fresh, g, least), l);
        nearer[x] = now;
        score[x] *= 1 - fall * nf_minf(2, now);
    }
}

/* How luma differs among the frames along a part of a half row: sums, weighted by the squares of their scores. */
static void net_see(window_t *w, int64_t at, int n, const float *restrict score, const float *restrict luma) {
    float *restrict total = w->seen[0] + at, *restrict mean = w->seen[1] + at, *restrict square = w->seen[2] + at;
    for (int x = 0; x < n; x++) {
        const float v2 = score[x] * score[x], v = v2 * v2;
        total[x] += v;
        mean[x] += v * luma[x];
        square[x] += v * luma[x] * luma[x];
    }
}

/* Scores of all members along one half row: admission x (prior + energies relative to the best). */
static void score_row(window_t *w, int y) {
    const nf_stack *s = w->stack;
    const int64_t row = (int64_t)y * w->half_width;
    const int hx = w->left / 2, hy = floor_div(w->top, 2) + y;
    float top0[NF_WIDEST / 2] = {0}, top1[NF_WIDEST / 2] = {0}, own_mask[NF_WIDEST / 2], cover[NF_WIDEST / 2], own_prior[NF_WIDEST / 2], energy[NF_WIDEST / 2];
    const float *restrict noise = w->noise + row;
    float *restrict best = w->best + row;
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        if (!has_row(m, y)) continue;
        int x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0;
        int partly = coverage(s, m->index, hy, hx + x0, n, cover);
        float *restrict mask = own_mask;
        energy_mask(w, m, y, partly ? cover : 0, mask);
        const float *restrict e0 = m->planes.square + row + x0, *restrict e1 = m->band1 + row + x0, *restrict v = noise + x0;
        float *restrict t0 = top0 + x0, *restrict t1 = top1 + x0;
        for (int x = 0; x < n; x++) {
            t0[x] = nf_maxf(t0[x], (e0[x] - s->band0 * v[x]) * mask[x]);
            t1[x] = nf_maxf(t1[x], (e1[x] - s->band1 * v[x]) * mask[x]);
        }
    }
    for (int x = 0; x < w->half_width; x++) {
        top0[x] = 1 / (nf_maxf(top0[x], 1e-12f) + s->quiet * s->band0 * noise[x]);
        top1[x] = 1 / (nf_maxf(top1[x], 1e-12f) + s->quiet * s->band1 * noise[x]);
        best[x] = 0;
    }
    crossing_t crossing;
    memset(&crossing, 0, sizeof crossing);
    for (int x = 0; x < w->half_width; x++) crossing.last[x] = -(1 << 20);
    for (int j = 0; j < w->count; j++) {
        member_t *m = w->members + (s->order < 0 ? w->count - 1 - j : j);
        if (!has_row(m, y)) continue;
        int x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0;
        float *restrict ad = m->admission + row + x0;
        float *restrict prior = s->net ? m->prior + row + x0 : own_prior, *restrict mask = s->net ? m->mask + row + x0 : own_mask;
        cell_rows(s, m->index, hy, hx + x0, n, ad, prior);
        int partly = coverage(s, m->index, hy, hx + x0, n, cover);
        if (partly) for (int x = 0; x < n; x++) ad[x] *= cover[x];
        energy_mask(w, m, y, partly ? cover : 0, mask);
        const float *restrict e0 = m->planes.square + row + x0, *restrict e1 = m->band1 + row + x0, *restrict v = noise + x0;
        float *restrict o = m->weight + row + x0, *restrict b = best + x0;
        for (int x = 0; x < n; x++) {
            float a = nf_maxf(e0[x] - s->band0 * v[x], 0) * top0[x0 + x], c = nf_maxf(e1[x] - s->band1 * v[x], 0) * top1[x0 + x];
            energy[x] = mask[x] * (a + c);
            o[x] = ad[x] * (LEAST + s->prior_weight * prior[x] + energy[x]);
        }
        if (s->net) net_see(w, row + x0, n, o, m->planes.half_luma + row + x0);
        if (s->order) fall_behind(s, &crossing, m->index, x0, n, energy, mask, e0, e1, v, o);
        for (int x = 0; x < n; x++) b[x] = nf_maxf(b[x], o[x]);
    }
}

/* Columns, in steps of 8, outside of which a row is zero. */
static void find_span(const float *row, int x0, int x1, int16_t *from, int16_t *to) {
    int lo = x1, hi = x0;
    for (int x = x0; x < x1; x += 8) {
        float m = 0;
        for (int i = 0; i < 8; i++) m = nf_maxf(m, row[x + i]);
        if (m > 0) {
            if (x < lo) lo = x;
            hi = x + 8;
        }
    }
    *from = (int16_t)lo;
    *to = (int16_t)hi;
}

/* Scores become weights: of all colours, and of luma's finest band. */
static void weigh(window_t *w, int first, int last) {
    const nf_stack *s = w->stack;
    const float keep = 1 / s->channel;
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        int y0 = m->box.y0 / 2 > first ? m->box.y0 / 2 : first, y1 = m->box.y1 / 2 < last ? m->box.y1 / 2 : last;
        for (int y = 0; y < w->half_height; y++) m->from[y] = m->to[y] = 0;
        if (y0 >= y1) continue;
        for (int y = y0; y < y1; y++) {
            const int64_t row = (int64_t)y * w->half_width;
            float *restrict v = m->weight + row, *restrict q = m->detail + row;
            const float *restrict best = w->best + row, *restrict e0 = m->planes.square + row, *restrict ad = m->admission + row;
            const float *restrict noise = w->noise + row;
            for (int x = m->box.x0 / 2; x < m->box.x1 / 2; x++) {
                float r = v[x] / nf_maxf(best[x], 1e-12f);
                r = r < .3f ? 0 : r;
                float r2 = r * r, r4 = r2 * r2, r8 = r4 * r4, r16 = r8 * r8, e = e0[x] * keep / noise[x];
                v[x] = r16;
                q[x] = (e * e + 1e-6f) * r16 * ad[x];
            }
            find_span(v, m->box.x0 / 2, m->box.x1 / 2, m->from + y, m->to + y);
        }
    }
}

#include "choose.h"

/* One full-size row of weights from the half row it lies in (3/4) and the nearer neighbour (1/4). */
static void upsample(const float *restrict near, const float *restrict other, float *restrict t, float *restrict o, int n) {
    for (int i = 0; i < n; i++) t[i + 1] = .75f * near[i] + .25f * other[i];
    t[0] = t[1];
    t[n + 1] = t[n];
    for (int i = 0; i < n; i++) {
        o[2 * i] = .75f * t[i + 1] + .25f * t[i];
        o[2 * i + 1] = .75f * t[i + 1] + .25f * t[i + 2];
    }
}

static void add_colours(const int16_t *restrict r, const int16_t *restrict g, const int16_t *restrict b, const float *restrict w,
                        float *restrict o0, float *restrict o1, float *restrict o2, float *restrict total, int n) {
    for (int i = 0; i < n; i++) {
        float v = w[i];
        o0[i] += v * (float)r[i];
        o1[i] += v * (float)g[i];
        o2[i] += v * (float)b[i];
        total[i] += v;
    }
}

static void add_fine(const float *restrict l, const float *restrict w, float *restrict o, float *restrict total, int n) {
    for (int i = 0; i < n; i++) {
        o[i] += w[i] * l[i];
        total[i] += w[i];
    }
}

/* Neighbouring half rows of full row y inside the rows lo..hi-1 of a member, and the span of both. */
static int row_span(const member_t *m, int y, int lo, int hi, int *near, int *other, int *x0, int *x1) {
    *near = y >> 1;
    if (*near < lo || *near >= hi) return 0;
    *other = y & 1 ? *near + 1 : *near - 1;
    if (*other < lo || *other >= hi) *other = *near;
    int from = m->from[*near], to = m->to[*near];
    if (m->from[*other] < m->to[*other]) {
        from = from < to ? (m->from[*other] < from ? m->from[*other] : from) : m->from[*other];
        to = m->to[*other] > to ? m->to[*other] : to;
    }
    if (from >= to) return 0;
    *x0 = from - 8 < m->box.x0 / 2 ? m->box.x0 / 2 : from - 8;
    *x1 = to + 8 > m->box.x1 / 2 ? m->box.x1 / 2 : to + 8;
    return 1;
}

static void merge_row(window_t *w, int y, int first, int last) {
    const int64_t plane = (int64_t)w->width * w->height, row = (int64_t)y * w->width;
    float t[NF_WIDEST / 2 + 2], up[NF_WIDEST];
    for (int c = 0; c < 3; c++) memset(w->sum[c] + row, 0, (size_t)w->width * 4);
    memset(w->total + row, 0, (size_t)w->width * 4);
    memset(w->fine + row, 0, (size_t)w->width * 4);
    memset(w->fine_total + row, 0, (size_t)w->width * 4);
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        int lo = m->box.y0 / 2 > first ? m->box.y0 / 2 : first, hi = m->box.y1 / 2 < last ? m->box.y1 / 2 : last, near, other, x0, x1;
        if (!row_span(m, y, lo, hi, &near, &other, &x0, &x1)) continue;
        const int64_t a = (int64_t)near * w->half_width + x0, b = (int64_t)other * w->half_width + x0, at = row + 2 * x0;
        const int16_t *p = m->planes.colour + at;
        int n = 2 * (x1 - x0);
        upsample(m->weight + a, m->weight + b, t, up, x1 - x0);
        add_colours(p, p + plane, p + 2 * plane, up, w->sum[0] + at, w->sum[1] + at, w->sum[2] + at, w->total + at, n);
        upsample(m->detail + a, m->detail + b, t, up, x1 - x0);
        add_fine(m->planes.fine + at, up, w->fine + at, w->fine_total + at, n);
    }
    float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row, *restrict l = w->luma + row;
    const float *restrict total = w->total + row;
    for (int x = 0; x < w->width; x++) {
        float v = 1 / nf_maxf(total[x], 1e-20f);
        r[x] *= v;
        g[x] *= v;
        b[x] *= v;
        l[x] = .299f * r[x] + .587f * g[x] + .114f * b[x];
    }
}

/* The merged luma's own finest band makes way for the one that was chosen apart, which stays in `fine`. */
static void replace_fine(window_t *w, int y0, int y1, int gains) {
    const int64_t at = (int64_t)y0 * w->width;
    blur_plane(w->luma + at, w->blurred + at, w->width, w->width, y1 - y0, w->warp->across);
    for (int y = y0; y < y1; y++) {
        const int64_t row = (int64_t)y * w->width;
        float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
        const float *restrict l = w->luma + row, *restrict s = w->blurred + row, *restrict t = w->fine_total + row;
        float *restrict f = w->fine + row, u[NF_WIDEST / 2 + 2], gain[NF_WIDEST];
        if (gains) upsample(w->gain + (int64_t)(y >> 1) * w->half_width, w->gain + (int64_t)(y & 1 ? (y >> 1) + 1 : (y >> 1) - 1) * w->half_width, u, gain, w->half_width);
        for (int x = 0; x < w->width; x++) {
            float v = f[x] / nf_maxf(t[x], 1e-30f);
            f[x] = gains ? v * gain[x] : v;
            v = f[x] * NF_UNIT - (l[x] - s[x]);
            r[x] += v;
            g[x] += v;
            b[x] += v;
        }
    }
}

#include "second.h"
#include "average.h"

static uint16_t level16(float v) { return (uint16_t)(int)nf_minf(nf_maxf(v * (65535.f / NF_UNIT) + .5f, 0), 65535.f); }

/* Which frame the picture came from, place by place, in 256ths of a frame from 1 on (larger parts where there are more
   frames than 16 bits hold so: merge/map_scale.py), and each member's share. */
static void write_map(const window_t *w, int tile, int x0, int y0, uint16_t *map, int64_t stride, double *share) {
    const nf_stack *s = w->stack;
    float index[NF_WIDEST / 2], total[NF_WIDEST / 2];
    const float step = (float)(s->frames <= 255 ? 256 : 65535 / (s->frames + 1) > 1 ? 65535 / (s->frames + 1) : 1);
    int rows = (s->height + 1) / 2 - y0 / 2 < tile / 2 ? (s->height + 1) / 2 - y0 / 2 : tile / 2;
    int cols = (s->width + 1) / 2 - x0 / 2 < tile / 2 ? (s->width + 1) / 2 - x0 / 2 : tile / 2;
    for (int y = 0; y < rows; y++) {
        const int hy = y + w->halo_y / 2;
        const int64_t row = (int64_t)hy * w->half_width + HALO_X / 2;
        memset(index, 0, sizeof index);
        memset(total, 0, sizeof total);
        for (int pass = 0; pass < 2; pass++)
            for (int i = 0; i < w->count; i++) {
                const member_t *m = w->members + i;
                if (!has_row(m, hy)) continue;
                int a = nf_clampi(m->box.x0 / 2 - HALO_X / 2, 0, cols), b = nf_clampi(m->box.x1 / 2 - HALO_X / 2, 0, cols);
                double sum = 0;
                for (int x = a; x < b; x++) {
                    if (!pass) { index[x] += m->weight[row + x] * (float)m->index; total[x] += m->weight[row + x]; }
                    else sum += m->weight[row + x] / nf_maxf(total[x], 1e-20f);
                }
                if (pass) share[m->index] += sum;
            }
        for (int x = 0; x < cols; x++)
            map[y * stride + x] = (uint16_t)(total[x] > 0 ? (int)nf_minf(step + step * index[x] / total[x] + .5f, 65535.f) : 0);
    }
}

static void write_tile(const window_t *w, int tile, int x0, int y0, uint16_t *out, int64_t stride) {
    const nf_stack *s = w->stack;
    int rows = s->height - y0 < tile ? s->height - y0 : tile, cols = s->width - x0 < tile ? s->width - x0 : tile;
    for (int y = 0; y < rows; y++) {
        const int64_t row = (int64_t)(y + w->halo_y) * w->width + HALO_X;
        uint16_t *restrict q = out + y * stride;
        const float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
        float more[NF_WIDEST];
        given_back(w, y + w->halo_y, cols, more);
        for (int x = 0; x < cols; x++) {
            q[3 * x] = level16(r[x] + more[x]);
            q[3 * x + 1] = level16(g[x] + more[x]);
            q[3 * x + 2] = level16(b[x] + more[x]);
        }
    }
}

/* Gives back the pages of the frame's rows that a window has read. One byte that is touched maps up to half a megabyte:
   in a tile of a hundred frames these pages would outweigh everything else. Only ever done to shared maps of files. */
static void give_pages_back(const nf_pixels *f, const double *pose, int far, const window_t *w, nf_box box) {
    const double x0 = w->left + box.x0, x1 = w->left + box.x1, y0 = w->top + box.y0, y1 = w->top + box.y1;
    const double v[4] = {pose[3] * x0 + pose[4] * y0, pose[3] * x1 + pose[4] * y0, pose[3] * x0 + pose[4] * y1, pose[3] * x1 + pose[4] * y1};
    const double low = fmin(fmin(v[0], v[1]), fmin(v[2], v[3])) + pose[5], high = fmax(fmax(v[0], v[1]), fmax(v[2], v[3])) + pose[5];
    const int edge = NF_BLOCK;
    int first = nf_clampi((int)low - 8 - far, 0, f->height - 1), last = nf_clampi((int)high + 8 + far, 0, f->height - 1);
    if (f->blocks) { first -= first % edge; last += edge - last % edge; }
    const int64_t bytes = f->bits / 8, step = f->blocks ? f->row / edge : f->row;
    const uintptr_t page = (uintptr_t)sysconf(_SC_PAGESIZE), start = (uintptr_t)f->base;
    uintptr_t from = (start + (uintptr_t)(first * step * bytes)) & ~(page - 1), to = (start + (uintptr_t)(last * step * bytes)) & ~(page - 1);
    if (to > from) madvise((void *)from, to - from, MADV_DONTNEED);
}

/* Bytes of work memory for a tile with so many frames, with or without the learned chooser. */
int64_t nf_render_bytes(int tile, int frames, int net) {
    window_t w = {0};
    w.halo_y = net ? NET_HALO_Y : HALO_Y;
    w.width = tile + 2 * HALO_X;
    w.height = tile + 2 * w.halo_y;
    w.half_width = w.width / 2;
    w.half_height = w.height / 2;
    w.count = frames;
    return lay_out(&w, 0) + (int64_t)MOST * (int64_t)sizeof(member_t) + 128;
}

/* Renders the tile whose top left pixel is (x0, y0), multiples of `tile` (64, 128 or 256).
   out: interleaved RGB, 65535 for 1.0, `stride` samples a row. map: half size, see write_map. share: per frame, added to.
   Returns the number of frames that took part, or minus that number if `bytes` of work memory are too few. */
int nf_render_tile(const nf_stack *stack, int tile, int x0, int y0, uint16_t *out, int64_t stride, uint16_t *map, int64_t map_stride,
                   double *share, void *work, int64_t bytes) {
    window_t w = {0};
    w.stack = stack;
    w.halo_y = stack->net ? NET_HALO_Y : HALO_Y;
    w.left = x0 - HALO_X;
    w.top = y0 - w.halo_y;
    w.width = tile + 2 * HALO_X;
    w.height = tile + 2 * w.halo_y;
    w.half_width = w.width / 2;
    w.half_height = w.height / 2;
    w.members = work;
    char *rest = (char *)work + (((int64_t)MOST * (int64_t)sizeof(member_t) + 63) & ~(int64_t)63);
    if (choose_members(&w) == 0) return 0;
    if (nf_render_bytes(tile, w.count, stack->net != 0) > bytes) return -w.count;
    lay_out(&w, rest);
    for (int i = 0; i < w.count; i++) {
        member_t *m = w.members + i;
        const nf_pixels *frame = stack->pixels + m->index;
        const double *pose = stack->poses + 6 * m->index;
        const nf_bend *bend = bend_of(stack, m->index);
        nf_warp_window(frame, pose, bend, w.left, w.top, w.width, w.height, m->box, m->planes, w.warp);
        if (stack->mapped) give_pages_back(frame, pose, bend ? (int)bend->largest + 1 : 0, &w, m->box);
    }
    const int first = stack->net ? NET_FIRST : FIRST, last = w.half_height - first, y_first = 2 * first + 2, y_last = w.height - 2 * first - 2;
    second_band(&w);
    noise_rows(&w);
    const int from = stack->net ? NET_SEEN : FIRST;
    for (int i = 0; stack->net && i < 3; i++) memset(w.seen[i], 0, (size_t)w.half_width * w.half_height * 4);
    for (int y = from; y < w.half_height - from; y++) score_row(&w, y);
    weigh(&w, first, last);
    const int gains = stack->net ? net_weigh(&w, first, last) : 0;
    write_map(&w, tile, x0, y0, map, map_stride, share);
    for (int y = y_first; y < y_last; y++) merge_row(&w, y, first, last);
    replace_fine(&w, y_first, y_last, gains);
    if (gains) replace_second(&w, y_first, y_last);
    average(&w, w.halo_y, w.height - w.halo_y);
    write_tile(&w, tile, x0, y0, out, stride);
    return w.count;
}

/* (rows, cols, channels) of 16 bit to half size, mean of 2 x 2, rounded; odd edges use what is there. */
void nf_halve(const uint16_t *restrict from, int rows, int cols, int channels, int64_t stride, uint16_t *restrict to, int64_t to_stride) {
    for (int y = 0; y < (rows + 1) / 2; y++) {
        const uint16_t *a = from + 2 * y * stride, *b = from + (2 * y + 1 < rows ? 2 * y + 1 : 2 * y) * stride;
        uint16_t *o = to + y * to_stride;
        for (int x = 0; x < (cols + 1) / 2; x++) {
            int l = 2 * x * channels, r = (2 * x + 1 < cols ? 2 * x + 1 : 2 * x) * channels;
            for (int c = 0; c < channels; c++) o[x * channels + c] = (uint16_t)((a[l + c] + a[r + c] + b[l + c] + b[r + c] + 2u) >> 2);
        }
    }
}

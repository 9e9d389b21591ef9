/* From energies to scores, and from scores to weights, row by row. Part of render.c. Specification: twin_render.py. */

/* Second band: half-size luma less its B5, squared, softened. */
static void second_band(window_t *w) {
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        int x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0, y0 = m->box.y0 / 2, h = m->box.y1 / 2 - y0;
        int64_t at = (int64_t)y0 * w->half_width + x0;
        blur_plane(m->planes.half_luma + at, w->half_a + at, w->half_width, n, h, w->warp->across);
        for (int y = 0; y < h; y++) {
            const float *restrict l = m->planes.half_luma + at + (int64_t)y * w->half_width;
            const float *restrict b = w->half_a + at + (int64_t)y * w->half_width;
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

/* Hard admission of the cells along n places of a half row, and coverage, as factors of the energies. */
static void energy_mask(const window_t *w, const member_t *m, int y, int x0, int n, const float *restrict cover, float *restrict mask) {
    const nf_stack *s = w->stack;
    int hx = w->left / 2;
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
static void fall_behind(const nf_stack *s, crossing_t *k, int frame, int x0, int n, const float *restrict energy,
    const float *restrict mask,
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
    float top0[NF_WIDEST / 2] = {0}, top1[NF_WIDEST / 2] = {0}, own_mask[NF_WIDEST / 2];
    float cover[NF_WIDEST / 2], own_prior[NF_WIDEST / 2], energy[NF_WIDEST / 2];
    const float *restrict noise = w->noise + row;
    float *restrict best = w->best + row;
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        if (!has_row(m, y)) continue;
        int x0 = m->start[y], n = m->end[y] - x0;
        if (n <= 0) continue;
        int partly = coverage(s, m->index, hy, hx + x0, n, cover);
        float *restrict mask = own_mask;
        energy_mask(w, m, y, x0, n, partly ? cover : 0, mask);
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
        int x0 = m->start[y], n = m->end[y] - x0;
        float *beside[] = {m->admission, m->weight, s->net ? m->prior : 0, s->net ? m->mask : 0};
        for (int k = 0; k < 4; k++) if (beside[k]) clear_row_beside(m, y, beside[k] + row);
        if (n <= 0) continue;
        float *restrict ad = m->admission + row + x0;
        float *restrict prior = s->net ? m->prior + row + x0 : own_prior, *restrict mask = s->net ? m->mask + row + x0 : own_mask;
        cell_rows(s, m->index, hy, hx + x0, n, ad, prior);
        int partly = coverage(s, m->index, hy, hx + x0, n, cover);
        if (partly) for (int x = 0; x < n; x++) ad[x] *= cover[x];
        energy_mask(w, m, y, x0, n, partly ? cover : 0, mask);
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
            clear_row_beside(m, y, q);
            for (int x = m->start[y]; x < m->end[y]; x++) {
                float r = v[x] / nf_maxf(best[x], 1e-12f);
                r = r < .3f ? 0 : r;
                float r2 = r * r, r4 = r2 * r2, r8 = r4 * r4, r16 = r8 * r8, e = e0[x] * keep / noise[x];
                v[x] = r16;
                q[x] = (e * e + 1e-6f) * r16 * ad[x];
            }
            find_span(v, m->start[y], m->end[y], m->from + y, m->to + y);
        }
    }
}

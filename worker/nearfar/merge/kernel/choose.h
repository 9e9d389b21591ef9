/* The learned chooser inside render.c: weights by a small net, in cells whose frames differ. Specification:
   merge/chooser/ (features.py, net.py, where.py) and twin_choose.py, whose order of operations this has.

   The net works on a few cells in a row at a time and looks at the frames that are admitted there or beside, all others
   add nothing. Everything lies in planes of one fixed width, small enough for the second-level cache. What counts of a
   frame are only places where it is admitted itself (mask > 0), so the result does not depend on which other frames a
   tile carries along. */
#define FEATURES 11
#define HIDDEN 16
#define NET_HALO_Y 22             /* as HALO_Y; even */
#define NET_SEEN 3                /* half rows at the window's edge where scores are not complete */
#define NET_FIRST 6               /* half rows at the window's edge where weights are not complete */
#define NET_CELLS 7               /* cells in a row that the net works on at a time */
#define NET_EDGE 3                /* half-size places around them at which features look */
#define NET_WIDE 64
#define NET_TALL (8 + 2 * NET_EDGE)
#define HALF_CHANNEL .24f         /* what is left of a channel's noise at half size */
#define HALF_LUMA .107f           /* and of luma's */
#define SPREAD 5e-5f
#define LEAST_POWER (-20.f)
#if defined(__AVX512F__)
#define LANES 16
#define TOGETHER 16
#elif defined(__AVX__)
#define LANES 8
#define TOGETHER 8
#else
#define LANES 4
#define TOGETHER 8
#endif

typedef float lanes_t __attribute__((vector_size(4 * LANES), aligned(4), may_alias));
typedef float net_line[NET_WIDE];
typedef net_line net_plane[NET_TALL];
typedef net_line net_row[HIDDEN];

typedef struct {                  /* as weights.py lays it out */
    float inward[HIDDEN][FEATURES], inward_bias[HIDDEN], around[HIDDEN][9], along[HIDDEN][3], middle[HIDDEN][HIDDEN], middle_bias[HIDDEN];
    float most[HIDDEN][HIDDEN], outward[2][HIDDEN], outward_bias[2], gain[HIDDEN], gain_bias, slope[2];
} net_t;

typedef struct {                  /* a frame in a block; columns a..b-1 lie in its box */
    member_t *member;
    int a, b;
    net_plane fine, second, near, around, score, apart, beside, colour[3];
    net_row rows[3];
    net_line farther, logit[2];
} net_part;

struct net_work {                 /* a block: rows y0 - NET_EDGE.., columns x0 - NET_EDGE.. of the window */
    int y0, x0, tall, wide, round, count;  /* round: wide, up to whole vectors */
    net_plane over0, over1, first[3], luma, raw, across;
    net_part parts[];
};

static int64_t net_bytes(int frames) { return (int64_t)sizeof(struct net_work) + (int64_t)frames * (int64_t)sizeof(net_part); }

/* Octaves of a positive normal number, straight between powers of two. */
static inline float octaves(float x) {
    union { float f; int32_t i; } u = {x};
    return (float)u.i * 1.1920929e-7f - 127;
}

static inline float net_exp2(float x) {
    const float held = nf_maxf(x, LEAST_POWER), whole = floorf(held + .5f), f = held - whole;
    const float series = 1 + f * (0.6931471805599453f + f * (0.2402265069591007f + f * (0.05550410866482158f + f * (0.009618129107628477f + f * 0.0013333558146428443f))));
    union { float f; int32_t i; } u;
    u.i = ((int32_t)whole + 127) << 23;
    return x < LEAST_POWER ? 0 : series * u.f;
}

/* ---- a block of cells ---- */

static int64_t net_at(const window_t *w, const struct net_work *k, int r) { return (int64_t)(k->y0 - NET_EDGE + r) * w->half_width + k->x0 - NET_EDGE; }

static int net_has(const struct net_work *k, const net_part *p, int r) { return has_row(p->member, k->y0 - NET_EDGE + r); }

/* Whether a frame is admitted in the cells or beside them. */
static int net_takes_part(const window_t *w, const member_t *m, int y0, int x0, int cells) {
    const nf_stack *s = w->stack;
    const int row = floor_div(floor_div(w->top, 2) + y0, 8), col = floor_div(w->left / 2 + x0, 8);
    for (int r = nf_clampi(row - 1, 0, s->rows - 1); r <= nf_clampi(row + 1, 0, s->rows - 1); r++) {
        const uint8_t *a = s->admitted + ((int64_t)r * s->frames + m->index) * s->cols;
        for (int c = nf_clampi(col - 1, 0, s->cols - 1); c <= nf_clampi(col + cells, 0, s->cols - 1); c++) if (a[c]) return 1;
    }
    return 0;
}

/* Energies of all parts, and one over the largest. */
static void net_energies(window_t *w, struct net_work *k) {
    const nf_stack *s = w->stack;
    memset(k->over0, 0, sizeof k->over0);
    memset(k->over1, 0, sizeof k->over1);
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        p->a = nf_clampi(m->box.x0 / 2 - k->x0 + NET_EDGE, 0, k->wide);
        p->b = nf_clampi(m->box.x1 / 2 - k->x0 + NET_EDGE, 0, k->wide);
        memset(p->fine, 0, sizeof p->fine);
        memset(p->second, 0, sizeof p->second);
        for (int r = 0; r < k->tall; r++) {
            if (!net_has(k, p, r)) continue;
            const int64_t at = net_at(w, k, r);
            const float *restrict noise = w->noise + at, *restrict mask = m->mask + at, *restrict e0 = m->planes.square + at, *restrict e1 = m->band1 + at;
            float *restrict a = p->fine[r], *restrict b = p->second[r], *restrict t0 = k->over0[r], *restrict t1 = k->over1[r];
            for (int x = p->a; x < p->b; x++) {
                a[x] = nf_maxf(e0[x] - s->band0 * noise[x], 0) * mask[x];
                b[x] = nf_maxf(e1[x] - s->band1 * noise[x], 0) * mask[x];
                t0[x] = nf_maxf(t0[x], a[x]);
                t1[x] = nf_maxf(t1[x], b[x]);
            }
        }
    }
    for (int r = 0; r < k->tall; r++) {
        const float *restrict noise = w->noise + net_at(w, k, r);
        float *restrict t0 = k->over0[r], *restrict t1 = k->over1[r];
        for (int x = 0; x < k->wide; x++) {
            t0[x] = 1 / (t0[x] + s->quiet * (s->band0 * noise[x]));
            t1[x] = 1 / (t1[x] + s->quiet * (s->band1 * noise[x]));
        }
    }
}

/* Means of 2 x 2 of a colour along a half row, 1 for white. */
static void half_colours(const int16_t *restrict p, int width, float *restrict o, int a, int b) {
    for (int x = a; x < b; x++) o[x] = .25f * (float)(p[2 * x] + p[2 * x + 1] + p[width + 2 * x] + p[width + 2 * x + 1]) * (1 / NF_UNIT);
}

/* Scores, the best of them, and the best frame's colours. */
static void net_scores(window_t *w, struct net_work *k) {
    const nf_stack *s = w->stack;
    const int64_t plane = (int64_t)w->width * w->height;
    memset(k->first, 0, sizeof k->first);
    for (int j = 0; j < k->count; j++) { memset(k->parts[j].score, 0, sizeof k->parts[j].score); memset(k->parts[j].colour, 0, sizeof k->parts[j].colour); }
    for (int r = 0; r < k->tall; r++) {
        net_line best = {0};
        for (int j = 0; j < k->count; j++) {
            net_part *p = k->parts + j;
            const member_t *m = p->member;
            if (!net_has(k, p, r)) continue;
            const int64_t at = net_at(w, k, r), full = 2 * (int64_t)(k->y0 - NET_EDGE + r) * w->width + 2 * (k->x0 - NET_EDGE);
            for (int c = 0; c < 3; c++) half_colours(m->planes.colour + c * plane + full, w->width, p->colour[c][r], p->a, p->b);
            const float *restrict ad = m->admission + at, *restrict prior = m->prior + at, *restrict e0 = p->fine[r], *restrict e1 = p->second[r];
            const float *restrict o0 = k->over0[r], *restrict o1 = k->over1[r], *restrict c0 = p->colour[0][r], *restrict c1 = p->colour[1][r], *restrict c2 = p->colour[2][r];
            float *restrict o = p->score[r], *restrict f0 = k->first[0][r], *restrict f1 = k->first[1][r], *restrict f2 = k->first[2][r];
            for (int x = p->a; x < p->b; x++) {
                const float v = ad[x] * (LEAST + s->prior_weight * prior[x] + (e0[x] * o0[x] + e1[x] * o1[x]));
                const int32_t better = -(v > best[x]);
                o[x] = v;
                best[x] = nf_maxf(v, best[x]);
                f0[x] = choose(better, c0[x], f0[x]);
                f1[x] = choose(better, c1[x], f1[x]);
                f2[x] = choose(better, c2[x], f2[x]);
            }
        }
        for (int x = 0; x < k->wide; x++) {
            best[x] = 1 / nf_maxf(best[x], 1e-12f);
            k->luma[r][x] = .299f * k->first[0][r][x] + .587f * k->first[1][r][x] + .114f * k->first[2][r][x];
        }
        for (int j = 0; j < k->count; j++) for (int x = 0; x < k->wide; x++) k->parts[j].score[r][x] *= best[x];
    }
}

/* B5 of a plane, rows and columns 2 from its edge on. */
static void net_blur(net_plane from, net_plane across, net_plane to, int tall, int wide) {
    for (int r = 0; r < tall; r++) nf_b5_across(from[r] + 2, across[r] + 2, wide - 4);
    for (int r = 2; r < tall - 2; r++) nf_b5_down(across[r - 2] + 2, across[r - 1] + 2, across[r] + 2, across[r + 1] + 2, across[r + 2] + 2, to[r] + 2, wide - 4);
}

/* The part's planes that look at places around. */
static void net_planes(window_t *w, struct net_work *k, net_part *p) {
    const nf_stack *s = w->stack;
    const member_t *m = p->member;
    memset(k->raw, 0, sizeof k->raw);
    memset(p->near, 0, sizeof p->near);
    for (int r = 0; r < k->tall; r++) if (net_has(k, p, r)) memcpy(k->raw[r] + p->a, m->planes.square + net_at(w, k, r) + p->a, (size_t)(p->b - p->a) * 4);
    net_blur(k->raw, k->across, k->raw, k->tall, k->wide);
    for (int r = 2; r < k->tall - 2; r++) {
        if (!net_has(k, p, r)) continue;
        const float *restrict noise = w->noise + net_at(w, k, r), *restrict mask = m->mask + net_at(w, k, r), *restrict q = k->raw[r];
        float *restrict o = p->near[r];
        for (int x = p->a > 2 ? p->a : 2; x < p->b && x < k->wide - 2; x++) o[x] = nf_maxf(q[x] - s->band0 * noise[x], 0) * mask[x];
    }
    for (int r = 0; r < k->tall; r++) {
        const float *restrict e = p->second[r];
        float *restrict o = k->across[r];
        for (int x = 2; x < k->wide - 2; x++) o[x] = nf_maxf(nf_maxf(nf_maxf(e[x - 2], e[x - 1]), nf_maxf(e[x], e[x + 1])), e[x + 2]);
    }
    for (int r = 2; r < k->tall - 2; r++) {
        const float *restrict a = k->across[r - 2], *restrict b = k->across[r - 1], *restrict c = k->across[r], *restrict d = k->across[r + 1], *restrict e = k->across[r + 2];
        float *restrict o = p->around[r];
        for (int x = 2; x < k->wide - 2; x++) o[x] = nf_maxf(nf_maxf(nf_maxf(a[x], b[x]), nf_maxf(c[x], d[x])), e[x]);
    }
    for (int r = 0; r < k->tall; r++) {
        const float *restrict noise = w->noise + net_at(w, k, r), *restrict c0 = p->colour[0][r], *restrict c1 = p->colour[1][r], *restrict c2 = p->colour[2][r];
        const float *restrict f0 = k->first[0][r], *restrict f1 = k->first[1][r], *restrict f2 = k->first[2][r];
        float *restrict o = k->raw[r];
        for (int x = 0; x < k->wide; x++) {
            const float d0 = c0[x] - f0[x], d1 = c1[x] - f1[x], d2 = c2[x] - f2[x];
            o[x] = (d0 * d0 + d1 * d1 + d2 * d2) * (1 / (6 * (HALF_CHANNEL * noise[x])));
        }
    }
    net_blur(k->raw, k->across, p->apart, k->tall, k->wide);
    for (int r = 2; r < k->tall - 2; r++) {
        const float *restrict a = k->raw[r - 1], *restrict b = k->raw[r], *restrict c = k->raw[r + 1];
        float *restrict t = k->across[r], *restrict o = p->beside[r];
        for (int x = 1; x < k->wide - 1; x++) t[x] = .7f * b[x] + .15f * (a[x] + c[x]);
        for (int x = 2; x < k->wide - 2; x++) o[x] = .7f * t[x] + .15f * (t[x - 1] + t[x + 1]);
    }
}

/* ---- the net ---- */

/* to = matrix (rows x depth) from, sums in the order of the columns. */
static inline void net_matrix(net_line *to, const float *matrix, const int rows, const int depth, net_line *from, int wide) {
    const int step = rows < TOGETHER ? rows : TOGETHER;
    for (int x = 0; x < wide; x += LANES)
        for (int h = 0; h < rows; h += step) {
            lanes_t sum[TOGETHER];
            const float *c = matrix + h * depth;
            for (int i = 0; i < step; i++) sum[i] = c[i * depth] * *(const lanes_t *)(from[0] + x);
            for (int j = 1; j < depth; j++) {
                const lanes_t v = *(const lanes_t *)(from[j] + x);
                for (int i = 0; i < step; i++) sum[i] += c[i * depth + j] * v;
            }
            for (int i = 0; i < step; i++) *(lanes_t *)(to[h + i] + x) = sum[i];
        }
}

/* What all frames share along row r of a block. */
typedef struct {
    net_line mask, near, second, prior, over_near, over_prior, nearer;
} net_common;

static void net_commons(window_t *w, struct net_work *k, int r, net_common *o) {
    const nf_stack *s = w->stack;
    const float *restrict noise = w->noise + net_at(w, k, r);
    memset(o, 0, sizeof *o);
    for (int j = k->count - 1; j >= 0; j--) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        if (j == k->count - 1) memset(p->farther, 0, sizeof p->farther);
        else for (int x = 2; x < k->wide - 2; x++) p->farther[x] = nf_maxf(p[1].farther[x], p[1].around[r][x]);
        if (!net_has(k, p, r)) continue;
        const float *restrict prior = m->prior + net_at(w, k, r), *restrict mask = m->mask + net_at(w, k, r);
        for (int x = p->a; x < p->b; x++) {
            o->near[x] = nf_maxf(o->near[x], p->near[r][x]);
            o->second[x] = nf_maxf(o->second[x], p->second[r][x]);
            o->prior[x] = nf_maxf(o->prior[x], prior[x] * mask[x]);
        }
    }
    for (int x = 0; x < k->wide; x++) {
        const float n0 = s->band0 * noise[x], n1 = s->band1 * noise[x];
        o->over_near[x] = 1 / (o->near[x] + s->quiet * n0);
        o->over_prior[x] = 1 / nf_maxf(o->prior[x], 1e-9f);
        o->near[x] = octaves(1 + o->near[x] / n0) * (1 / 12.f);
        o->second[x] = octaves(1 + o->second[x] / n1) * (1 / 12.f);
    }
}

/* The first layer of all parts along row r. */
static void net_inward(window_t *w, const net_t *net, struct net_work *k, int r) {
    const nf_stack *s = w->stack;
    const int64_t at = net_at(w, k, r);
    const float *restrict noise = w->noise + at, *restrict o0 = k->over0[r], *restrict o1 = k->over1[r], *restrict luma = k->luma[r];
    net_common common;
    net_line f[FEATURES] = {{0}};
    net_commons(w, k, r, &common);
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        net_line *q = p->rows[r % 3];
        if (!net_has(k, p, r) || p->a >= p->b) { memset(q, 0, sizeof(net_row)); continue; }
        const float *restrict mask = m->mask + at, *restrict prior = m->prior + at, *restrict half = m->planes.half_luma + at;
        const int a = p->a > 2 ? p->a : 2, b = p->b < k->wide - 2 ? p->b : k->wide - 2;
        float there[NET_WIDE] = {0};
        for (int x = a; x < b; x++) {
            const float n1 = s->band1 * noise[x], own = octaves(p->second[r][x] + n1), v = 12 * (half[x] - luma[x]);
            f[0][x] = p->fine[r][x] * o0[x];
            f[1][x] = p->near[r][x] * common.over_near[x];
            f[2][x] = p->second[r][x] * o1[x];
            f[3][x] = prior[x] * mask[x] * common.over_prior[x];
            f[4][x] = common.near[x];
            f[5][x] = common.second[x];
            f[6][x] = (octaves(common.nearer[x] + n1) - own) * .1f;
            f[7][x] = (octaves(p->farther[x] + n1) - own) * .1f;
            f[8][x] = octaves(1 + p->apart[r][x]) * (1 / 6.f);
            f[9][x] = octaves(1 + p->beside[r][x]) * (1 / 6.f);
            f[10][x] = v / (1 + fabsf(v));
            there[x] = mask[x] > 0 ? 1.f : 0.f;
        }
        for (int x = 2; x < k->wide - 2; x++) common.nearer[x] = nf_maxf(common.nearer[x], p->around[r][x]);
        net_matrix(q, net->inward[0], HIDDEN, FEATURES, f, k->wide);
        for (int h = 0; h < HIDDEN; h++)
            for (int x = 0; x < k->round; x++) q[h][x] = nf_maxf(q[h][x] + net->inward_bias[h], 0) * there[x];
    }
}

/* A part's first layer in row r with the places and the frames beside. */
static void net_beside(const net_t *net, const struct net_work *k, int j, int r, net_row to) {
    const net_part *p = k->parts + j;
    static const net_row nothing;
    const net_line *above = p->rows[(r - 1) % 3], *own = p->rows[r % 3], *below = p->rows[(r + 1) % 3], *before = nothing, *after = nothing;
    if (j > 0 && abs(p[-1].member->index - p->member->index) == 1) before = p[-1].rows[r % 3];
    if (j < k->count - 1 && abs(p[1].member->index - p->member->index) == 1) after = p[1].rows[r % 3];
    for (int h = 0; h < HIDDEN; h++) {
        const float *c = net->around[h], *d = net->along[h];
        const float *restrict u = above[h], *restrict v = own[h], *restrict l = below[h], *restrict f = before[h], *restrict g = after[h];
        float *restrict o = to[h];
        for (int x = NET_EDGE; x < k->wide - NET_EDGE; x++) {
            float t = v[x] + c[0] * u[x - 1] + c[1] * u[x] + c[2] * u[x + 1] + c[3] * v[x - 1] + c[4] * v[x] + c[5] * v[x + 1];
            t = t + c[6] * l[x - 1] + c[7] * l[x] + c[8] * l[x + 1];
            o[x] = t + d[0] * f[x] + d[1] * v[x] + d[2] * g[x];
        }
    }
}

/* Weights and gain along row r, whose neighbours' first layers are there too. */
static void net_outward(window_t *w, const net_t *net, struct net_work *k, int r) {
    const int64_t at = net_at(w, k, r);
    net_row top = {{0}}, most, sum = {{0}}, y, last = {{0}};
    net_line best[2], gain[1];
    for (int j = 0; j < k->count; j++)
        for (int h = 0; h < HIDDEN; h++) for (int x = 0; x < k->round; x++) top[h][x] = nf_maxf(top[h][x], k->parts[j].rows[r % 3][h][x]);
    net_matrix(most, net->most[0], HIDDEN, HIDDEN, top, k->wide);
    for (int i = 0; i < 2; i++) for (int x = 0; x < k->round; x++) best[i][x] = -1e4f;
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        if (!net_has(k, p, r)) continue;
        const int a = p->a > NET_EDGE ? p->a : NET_EDGE, b = p->b < k->wide - NET_EDGE ? p->b : k->wide - NET_EDGE;
        const float *restrict mask = m->mask + at, *restrict ad = m->admission + at;
        net_line there = {0};
        for (int x = a; x < b; x++) there[x] = mask[x] > 0 ? 1.f : 0.f;
        net_beside(net, k, j, r, sum);
        net_matrix(y, net->middle[0], HIDDEN, HIDDEN, sum, k->wide);
        for (int h = 0; h < HIDDEN; h++)
            for (int x = 0; x < k->round; x++) {
                y[h][x] = nf_maxf(y[h][x] + net->middle_bias[h] + most[h][x], 0) * there[x];
                last[h][x] = nf_maxf(last[h][x], y[h][x]);
            }
        net_matrix(p->logit, net->outward[0], 2, HIDDEN, y, k->wide);
        for (int i = 0; i < 2; i++)
            for (int x = a; x < b; x++) {
                const float v = p->logit[i][x] + net->outward_bias[i] + net->slope[i] * octaves(p->score[r][x] + 1e-3f);
                p->logit[i][x] = ad[x] > 0 ? v : -1e4f;
                best[i][x] = nf_maxf(best[i][x], p->logit[i][x]);
            }
    }
    net_matrix(gain, net->gain, 1, HIDDEN, last, k->wide);
    for (int x = NET_EDGE; x < k->wide - NET_EDGE; x++) w->gain[at + x] = net_exp2(nf_minf(nf_maxf(gain[0][x] + net->gain_bias, -1), 1));
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        member_t *m = p->member;
        if (!net_has(k, p, r)) continue;
        const float *restrict ad = m->admission + at;
        float *restrict colour = m->weight + at, *restrict detail = m->detail + at;
        for (int x = p->a > NET_EDGE ? p->a : NET_EDGE; x < p->b && x < k->wide - NET_EDGE; x++) {
            colour[x] = net_exp2(p->logit[0][x] - best[0][x]) * ad[x];
            detail[x] = net_exp2(p->logit[1][x] - best[1][x]) * ad[x];
        }
    }
}

/* The net in some cells in a row. */
static void net_block(window_t *w, const net_t *net, int y0, int y1, int x0, int cells) {
    struct net_work *k = w->net;
    k->y0 = y0;
    k->x0 = x0;
    k->tall = y1 - y0 + 2 * NET_EDGE;
    k->wide = 8 * cells + 2 * NET_EDGE;
    k->round = (k->wide + 15) & ~15;
    k->count = 0;
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + (w->stack->order < 0 ? w->count - 1 - i : i);
        if (net_takes_part(w, m, y0, x0, cells)) k->parts[k->count++].member = m;
    }
    net_energies(w, k);
    net_scores(w, k);
    for (int j = 0; j < k->count; j++) net_planes(w, k, k->parts + j);
    for (int r = NET_EDGE - 1; r <= k->tall - NET_EDGE; r++) {
        net_inward(w, net, k, r);
        if (r > NET_EDGE) net_outward(w, net, k, r - 1);
    }
}

/* Which cells are given to the net: cells[x], 0 or 1, along the row of cells that begins at half row y. */
static int net_pays(const window_t *w, int y, uint8_t *cells) {
    int any = 0;
    float sums[NF_WIDEST / 2];
    for (int i = 0; i < 8; i++) {
        const int64_t row = (int64_t)(y + i) * w->half_width;
        const float *restrict total = w->seen[0] + row, *restrict mean = w->seen[1] + row, *restrict square = w->seen[2] + row, *restrict noise = w->noise + row;
        for (int x = 0; x < w->half_width; x++) {
            const float over = 1 / nf_maxf(total[x], 1e-12f), m = mean[x] * over;
            const float v = (square[x] * over - m * m) - HALF_LUMA * noise[x];
            sums[x] = i ? sums[x] + v : v;
        }
    }
    for (int c = 0; c < w->half_width / 8; c++) {
        float sum = sums[8 * c];
        for (int i = 1; i < 8; i++) sum += sums[8 * c + i];
        any |= cells[c] = sum > 64 * SPREAD;
    }
    return any;
}

/* Where weights are above zero, anew: luma's finest band may take another frame than the colours. */
static void net_spans(window_t *w, member_t *m, int y) {
    float both[NF_WIDEST / 2];
    const int64_t row = (int64_t)y * w->half_width;
    for (int x = m->box.x0 / 2; x < m->box.x1 / 2; x++) both[x] = nf_maxf(m->weight[row + x], m->detail[row + x]);
    find_span(both, m->box.x0 / 2, m->box.x1 / 2, m->from + y, m->to + y);
}

/* The net's weights in the cells where it pays; returns whether there was one. */
static int net_weigh(window_t *w, int first, int last) {
    const net_t *net = (const net_t *)w->stack->net;
    const int top = floor_div(w->top, 2), cells = w->half_width / 8;
    int any = 0;
    for (int64_t i = 0; i < (int64_t)w->half_width * w->half_height; i++) w->gain[i] = 1;
    for (int cell = floor_div(top + first, 8); 8 * cell - top < last; cell++) {
        uint8_t pays[NF_WIDEST / 16];
        int some = 0;
        if (!net_pays(w, 8 * cell - top, pays)) continue;
        const int y0 = 8 * cell - top > first ? 8 * cell - top : first, y1 = 8 * cell + 8 - top < last ? 8 * cell + 8 - top : last;
        for (int c = 1; c < cells - 1; c++) {
            int end = c;
            while (end < cells - 1 && pays[end] && end - c < NET_CELLS) end++;
            if (end == c) continue;
            some = 1;
            net_block(w, net, y0, y1, 8 * c, end - c);
            c = end - 1;
        }
        any |= some;
        for (int i = 0; i < w->count && some; i++)
            for (int y = y0; y < y1; y++) if (has_row(w->members + i, y)) net_spans(w, w->members + i, y);
    }
    return any;
}

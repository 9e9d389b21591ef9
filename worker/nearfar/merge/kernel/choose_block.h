/* Cells in a row as the learned chooser looks at them: energies, scores and distances of the frames that are admitted
   there, in planes of one fixed width. Specification: merge/chooser/features.py. Part of choose.h. */
#define FEATURES 14
#define HIDDEN 24                 /* of the net for most cells */
#define HARD_HIDDEN 32            /* of the larger one for hard cells */
#define STAGES 2                  /* at most */
#define HARD 3.f                  /* times the spread from which a cell is given to a net, and it is hard */
#define BANDS 3                   /* all colours, luma's finest band, luma's second band */
#define NET_HALO_Y 32             /* as HALO_Y; even */
#define NET_SEEN 3                /* half rows at the window's edge where scores are not complete */
#define NET_FIRST 7               /* half rows at the window's edge where weights are not complete */
#define NET_CELLS 7               /* cells in a row that the net works on at a time */
#define NET_EDGE 4                /* half-size places around them at which features look */
#define NET_WIDE 64
#define NET_TALL (8 + 2 * NET_EDGE)
#define HALF_CHANNEL .2388f       /* what is left of a channel's noise at half size */
#define HALF_LUMA .1067f          /* and of luma's */
#define LEAST_POWER (-20.f)
#if defined(__AVX512F__)
#define LANES 16
#define TOGETHER 12
#elif defined(__AVX__)
#define LANES 8
#define TOGETHER 8
#else
#define LANES 4
#define TOGETHER 8
#endif

#define INLINE static inline __attribute__((always_inline))

typedef float lanes_t __attribute__((vector_size(4 * LANES), aligned(4), may_alias));
typedef int32_t lane_bits __attribute__((vector_size(4 * LANES), aligned(4), may_alias));
typedef float net_line[NET_WIDE];
typedef net_line net_plane[NET_TALL];
typedef net_line net_row[HARD_HIDDEN];

typedef struct {                  /* a net's numbers, as weights.py lays them out */
    int hidden, stages;
    const float *inward, *inward_bias, *around[STAGES], *along[STAGES], *middle[STAGES], *middle_bias[STAGES], *most[STAGES];
    const float *outward, *outward_bias, *gain, *gain_bias, *slope;
} net_t;

typedef struct {                  /* a frame in a block; in columns a..b-1 it is admitted, or in a cell beside */
    member_t *member;
    int a, b;
    net_plane fine, second, near, around, score, apart, beside, brighter, colour[3];
    net_row rows[STAGES][3];      /* of the first layer, and of each stage but the last: half rows r, by r % 3 */
    net_line farther, known_farther, logit[BANDS];
} net_part;

struct net_work {                 /* a block: rows y0 - NET_EDGE.., columns x0 - NET_EDGE.. of the window */
    int y0, x0, tall, wide, round, count;  /* round: wide, up to whole vectors */
    net_plane told, over0, over1, first[3], luma, raw, across;
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
    const float series = 1 + f * (0.6931471805599453f + f * (0.2402265069591007f
        + f * (0.05550410866482158f + f * (0.009618129107628477f + f * 0.0013333558146428443f))));
    union { float f; int32_t i; } u;
    u.i = ((int32_t)whole + 127) << 23;
    return x < LEAST_POWER ? 0 : series * u.f;
}

/* ---- a block of cells ---- */

static int64_t net_at(const window_t *w, const struct net_work *k, int r) {
    return (int64_t)(k->y0 - NET_EDGE + r) * w->half_width + k->x0 - NET_EDGE;
}

static int net_has(const struct net_work *k, const net_part *p, int r) { return has_row(p->member, k->y0 - NET_EDGE + r); }

/* Whether a frame is admitted in the cells or beside them; if so between which columns of the block, and a cell around. */
static int net_takes_part(const window_t *w, const struct net_work *k, const member_t *m, net_part *p, int cells) {
    const int y0 = k->y0, x0 = k->x0;
    int from = 1 << 20, to = -1;
    const nf_stack *s = w->stack;
    const int row = floor_div(floor_div(w->top, 2) + y0, 8), col = floor_div(w->left / 2 + x0, 8);
    for (int r = nf_clampi(row - 1, 0, s->rows - 1); r <= nf_clampi(row + 1, 0, s->rows - 1); r++) {
        const uint8_t *a = s->admitted + ((int64_t)r * s->frames + m->index) * s->cols;
        for (int c = nf_clampi(col - 1, 0, s->cols - 1); c <= nf_clampi(col + cells, 0, s->cols - 1); c++)
            if (a[c]) {
                from = c < from ? c : from;
                to = c > to ? c : to;
            }
    }
    if (to < 0) return 0;
    p->member = (member_t *)m;
    p->a = nf_clampi(m->box.x0 / 2 - x0 + NET_EDGE, 0, k->wide);
    p->b = nf_clampi(m->box.x1 / 2 - x0 + NET_EDGE, 0, k->wide);
    if (from > 0 && p->a < 8 * (from - col - 1) + NET_EDGE) p->a = 8 * (from - col - 1) + NET_EDGE;
    if (to < s->cols - 1 && p->b > 8 * (to - col + 2) + NET_EDGE) p->b = 8 * (to - col + 2) + NET_EDGE;
    return p->a < p->b;
}

/* The noise that the net is told: less of it where detail stands out that few frames have. */
static void net_told(const window_t *w, struct net_work *k) {
    const nf_stack *s = w->stack;
    memset(k->told, 0, sizeof k->told);
    for (int r = 0; r < k->tall; r++) {
        const float *restrict noise = w->noise + net_at(w, k, r);
        float *restrict t = k->told[r];
        net_line sum = {0};
        for (int j = 0; j < k->count; j++) {
            const net_part *p = k->parts + j;
            if (!net_has(k, p, r)) continue;
            const float *restrict e = p->member->planes.square + net_at(w, k, r), *restrict mask = p->member->mask + net_at(w, k, r);
            for (int x = p->a; x < p->b; x++) {
                const float own = e[x] * mask[x];
                t[x] = nf_maxf(t[x], own);
                sum[x] += own;
            }
        }
        for (int x = 0; x < k->wide; x++) {
            const float over = t[x] / (s->band0 * (s->clear * noise[x]));
            const float least = nf_minf(s->told_flat, s->told_sharp * (sum[x] / nf_maxf(t[x], 1e-20f)));
            t[x] = noise[x] * (least + (s->told_flat - least) / (1 + over * over));
        }
    }
}

/* Energies of all parts, and one over the largest. */
static void net_energies(window_t *w, struct net_work *k) {
    const nf_stack *s = w->stack;
    net_told(w, k);
    memset(k->over0, 0, sizeof k->over0);
    memset(k->over1, 0, sizeof k->over1);
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        memset(p->fine, 0, sizeof p->fine);
        memset(p->second, 0, sizeof p->second);
        for (int r = 0; r < k->tall; r++) {
            if (!net_has(k, p, r)) continue;
            const int64_t at = net_at(w, k, r);
            const float *restrict told = k->told[r], *restrict mask = m->mask + at, *restrict e0 = m->planes.square + at,
                *restrict e1 = m->band1 + at;
            float *restrict a = p->fine[r], *restrict b = p->second[r], *restrict t0 = k->over0[r], *restrict t1 = k->over1[r];
            for (int x = p->a; x < p->b; x++) {
                a[x] = nf_maxf(e0[x] - s->band0 * told[x], 0) * mask[x];
                b[x] = nf_maxf(e1[x] - s->band1 * told[x], 0) * mask[x];
                t0[x] = nf_maxf(t0[x], a[x]);
                t1[x] = nf_maxf(t1[x], b[x]);
            }
        }
    }
    for (int r = 0; r < k->tall; r++) {
        const float *restrict told = k->told[r];
        float *restrict t0 = k->over0[r], *restrict t1 = k->over1[r];
        for (int x = 0; x < k->wide; x++) {
            t0[x] = 1 / (t0[x] + s->quiet * (s->band0 * told[x]));
            t1[x] = 1 / (t1[x] + s->quiet * (s->band1 * told[x]));
        }
    }
}

typedef int32_t sample_pair __attribute__((may_alias));

static inline int32_t pair_sum(int32_t v) { return ((int32_t)((uint32_t)v << 16) >> 16) + (v >> 16); }

/* Means of 2 x 2 of a colour along a half row, 1 for white. Two samples at a time, which needs no shuffles. */
static void half_colours(const int16_t *p, int width, float *restrict o, int a, int b) {
    const sample_pair *u = (const sample_pair *)p, *v = (const sample_pair *)(p + width);
    for (int x = a; x < b; x++) o[x] = .25f * (float)(pair_sum(u[x]) + pair_sum(v[x])) * (1 / NF_UNIT);
}

/* Scores, the best of them, and the best frame's colours. */
static void net_scores(window_t *w, struct net_work *k) {
    const nf_stack *s = w->stack;
    const int64_t plane = (int64_t)w->width * w->height;
    memset(k->first, 0, sizeof k->first);
    for (int j = 0; j < k->count; j++) {
        memset(k->parts[j].score, 0, sizeof k->parts[j].score);
        memset(k->parts[j].colour, 0, sizeof k->parts[j].colour);
    }
    for (int r = 0; r < k->tall; r++) {
        net_line best = {0};
        for (int j = 0; j < k->count; j++) {
            net_part *p = k->parts + j;
            const member_t *m = p->member;
            if (!net_has(k, p, r)) continue;
            const int64_t at = net_at(w, k, r), full = 2 * (int64_t)(k->y0 - NET_EDGE + r) * w->width + 2 * (k->x0 - NET_EDGE);
            for (int c = 0; c < 3; c++) half_colours(m->planes.colour + c * plane + full, w->width, p->colour[c][r], p->a, p->b);
            const float *restrict ad = m->admission + at, *restrict prior = m->prior + at, *restrict e0 = p->fine[r],
                *restrict e1 = p->second[r];
            const float *restrict o0 = k->over0[r], *restrict o1 = k->over1[r], *restrict c0 = p->colour[0][r],
                *restrict c1 = p->colour[1][r], *restrict c2 = p->colour[2][r];
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
    for (int r = 2; r < tall - 2; r++)
        nf_b5_down(across[r - 2] + 2, across[r - 1] + 2, across[r] + 2, across[r + 1] + 2, across[r + 2] + 2, to[r] + 2, wide - 4);
}

/* The part's planes that look at places around. */
static void net_planes(window_t *w, struct net_work *k, net_part *p) {
    const nf_stack *s = w->stack;
    const member_t *m = p->member;
    memset(k->raw, 0, sizeof k->raw);
    memset(p->near, 0, sizeof p->near);
    for (int r = 0; r < k->tall; r++)
        if (net_has(k, p, r)) memcpy(k->raw[r] + p->a, m->planes.square + net_at(w, k, r) + p->a, (size_t)(p->b - p->a) * 4);
    net_blur(k->raw, k->across, k->raw, k->tall, k->wide);
    for (int r = 2; r < k->tall - 2; r++) {
        if (!net_has(k, p, r)) continue;
        const float *restrict told = k->told[r], *restrict mask = m->mask + net_at(w, k, r), *restrict q = k->raw[r];
        float *restrict o = p->near[r];
        for (int x = p->a > 2 ? p->a : 2; x < p->b && x < k->wide - 2; x++)
            o[x] = nf_maxf(q[x] - s->band0 * told[x], 0) * mask[x];
    }
    for (int r = 0; r < k->tall; r++) {
        const float *restrict e = p->second[r];
        float *restrict o = k->across[r];
        for (int x = 2; x < k->wide - 2; x++) o[x] = nf_maxf(nf_maxf(nf_maxf(e[x - 2], e[x - 1]), nf_maxf(e[x], e[x + 1])), e[x + 2]);
    }
    for (int r = 2; r < k->tall - 2; r++) {
        const float *restrict a = k->across[r - 2], *restrict b = k->across[r - 1], *restrict c = k->across[r],
            *restrict d = k->across[r + 1], *restrict e = k->across[r + 2];
        float *restrict o = p->around[r];
        for (int x = 2; x < k->wide - 2; x++) o[x] = nf_maxf(nf_maxf(nf_maxf(a[x], b[x]), nf_maxf(c[x], d[x])), e[x]);
    }
    memset(k->raw, 0, sizeof k->raw);
    for (int r = 0; r < k->tall; r++) {
        if (!net_has(k, p, r)) continue;
        const float *restrict half = m->planes.half_luma + net_at(w, k, r), *restrict luma = k->luma[r];
        float *restrict o = k->raw[r];
        for (int x = p->a; x < p->b; x++) o[x] = half[x] - luma[x];
    }
    net_blur(k->raw, k->across, p->brighter, k->tall, k->wide);
    for (int r = 0; r < k->tall; r++) {
        const float *restrict told = k->told[r], *restrict c0 = p->colour[0][r],
            *restrict c1 = p->colour[1][r], *restrict c2 = p->colour[2][r];
        const float *restrict f0 = k->first[0][r], *restrict f1 = k->first[1][r], *restrict f2 = k->first[2][r];
        float *restrict o = k->raw[r];
        for (int x = 0; x < k->wide; x++) {
            const float d0 = c0[x] - f0[x], d1 = c1[x] - f1[x], d2 = c2[x] - f2[x];
            o[x] = (d0 * d0 + d1 * d1 + d2 * d2) * (1 / (6 * (HALF_CHANNEL * told[x])));
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

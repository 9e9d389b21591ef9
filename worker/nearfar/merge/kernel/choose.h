/* The learned chooser inside render.c: weights by a small net, in cells whose frames differ. Specification:
   merge/chooser/ (features.py, net.py, where.py) and twin_choose.py, whose order of operations this has.

   The net works on a few cells in a row at a time and looks at the frames that are admitted there or beside, all others
   add nothing. Everything lies in planes of one fixed width, small enough for the second-level cache. What counts of a
   frame are only places where it is admitted itself (mask > 0), so the result does not depend on which other frames a
   tile carries along. */
#include "choose_block.h"

/* ---- the net ---- */

/* Columns of a row that are worked on, LANES from each place on, of which some may overlap: they begin with cells, so that
   most frames have few. */
typedef struct { int count, at[NET_WIDE / 4]; } net_runs;

/* Those of columns a..b-1 in which `there` is above 0 anywhere, or all of them where it is not given. */
static void find_runs(net_runs *o, int a, int b, const float *there) {
    o->count = 0;
    for (int x = a; x < b; x = x < NET_EDGE ? NET_EDGE : x + LANES) {
        const int from = x < NET_WIDE - 1 - LANES ? x : NET_WIDE - 1 - LANES;
        float most = there ? 0 : 1;
        for (int i = 0; there && i < LANES; i++) most = nf_maxf(most, there[from + i]);
        if (most > 0) o->at[o->count++] = from;
    }
}

/* In the runs, to = matrix (rows x depth) from, sums in the order of the columns; with a bias, and what is there: what is above 0 of
   matrix from + bias + more (if any), where it counts. */
INLINE void net_matrix(net_line *to, const float *matrix, const int rows, const int depth, net_line *from, const net_runs *runs,
                              const float *bias, net_line *more, const float *there) {
    const int step = rows < TOGETHER ? rows : rows % TOGETHER ? 8 : TOGETHER;
    for (int k = 0; k < runs->count; k++)
        for (int x = runs->at[k], h = 0; h < rows; h += step) {
            lanes_t sum[TOGETHER];
            const float *c = matrix + h * depth;
            for (int i = 0; i < step; i++) sum[i] = c[i * depth] * *(const lanes_t *)(from[0] + x);
            for (int j = 1; j < depth; j++) {
                const lanes_t v = *(const lanes_t *)(from[j] + x);
                for (int i = 0; i < step; i++) sum[i] += c[i * depth + j] * v;
            }
            for (int i = 0; bias && i < step; i++) {
                sum[i] += bias[h + i];
                if (more) sum[i] += *(const lanes_t *)(more[h + i] + x);
                sum[i] = (lanes_t)((lane_bits)sum[i] & (lane_bits)(sum[i] > 0)) * *(const lanes_t *)(there + x);
            }
            for (int i = 0; i < step; i++) *(lanes_t *)(to[h + i] + x) = sum[i];
        }
}

/* What all frames share along row r of a block. */
typedef struct {
    net_line near, second, prior, over_near, over_prior, nearer, known_nearer;
} net_common;

static void net_commons(window_t *w, struct net_work *k, int r, net_common *o) {
    const nf_stack *s = w->stack;
    const float *restrict told = k->told[r];
    memset(o, 0, sizeof *o);
    for (int j = k->count - 1; j >= 0; j--) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        if (j == k->count - 1) {
            memset(p->farther, 0, sizeof p->farther);
            memset(p->known_farther, 0, sizeof p->known_farther);
        } else {
            for (int x = 2; x < k->wide - 2; x++) p->farther[x] = nf_maxf(p[1].farther[x], p[1].around[r][x]);
            memcpy(p->known_farther, o->prior, sizeof p->known_farther);
        }
        if (!net_has(k, p, r)) continue;
        const float *restrict prior = m->prior + net_at(w, k, r), *restrict mask = m->mask + net_at(w, k, r);
        for (int x = p->a; x < p->b; x++) {
            o->near[x] = nf_maxf(o->near[x], p->near[r][x]);
            o->second[x] = nf_maxf(o->second[x], p->second[r][x]);
            o->prior[x] = nf_maxf(o->prior[x], prior[x] * mask[x]);
        }
    }
    for (int x = 0; x < k->wide; x++) {
        const float n0 = s->band0 * told[x], n1 = s->band1 * told[x];
        o->over_near[x] = 1 / (o->near[x] + s->quiet * n0);
        o->over_prior[x] = 1 / nf_maxf(o->prior[x], 1e-9f);
        o->near[x] = octaves(1 + o->near[x] / n0) * (1 / 12.f);
        o->second[x] = octaves(1 + o->second[x] / n1) * (1 / 12.f);
    }
}

/* The first layer of all parts along row r. `hidden`, here and below, is the net's own number, known when this is compiled. */
INLINE void net_inward(window_t *w, const net_t *net, struct net_work *k, int r, const int hidden) {
    const nf_stack *s = w->stack;
    const int64_t at = net_at(w, k, r);
    const float *restrict told = k->told[r], *restrict o0 = k->over0[r], *restrict o1 = k->over1[r], *restrict luma = k->luma[r];
    net_common common;
    net_line f[FEATURES] = {{0}};
    net_commons(w, k, r, &common);
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        net_line *q = p->rows[0][r % 3];
        memset(q, 0, (size_t)hidden * sizeof(net_line));
        if (!net_has(k, p, r) || p->a >= p->b) continue;
        const float *restrict mask = m->mask + at, *restrict prior = m->prior + at, *restrict half = m->planes.half_luma + at;
        const int a = p->a > 2 ? p->a : 2, b = p->b < k->wide - 2 ? p->b : k->wide - 2;
        float there[NET_WIDE] = {0};
        net_runs runs;
        for (int x = a; x < b; x++) there[x] = mask[x] > 0 ? 1.f : 0.f;
        find_runs(&runs, a, b, there);
        for (int i = 0; i < runs.count; i++) {
            const int from = runs.at[i] > a ? runs.at[i] : a, end = runs.at[i] + LANES < b ? runs.at[i] + LANES : b;
            for (int x = from; x < end; x++) {
                const float n1 = s->band1 * told[x], own = octaves(p->second[r][x] + n1), v = 12 * (half[x] - luma[x]);
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
                const float known = prior[x] * mask[x], u = 12 * p->brighter[r][x];
                f[11][x] = (common.known_nearer[x] - known) * common.over_prior[x];
                f[12][x] = (p->known_farther[x] - known) * common.over_prior[x];
                f[13][x] = u / (1 + fabsf(u));
            }
        }
        for (int x = 2; x < k->wide - 2; x++) common.nearer[x] = nf_maxf(common.nearer[x], p->around[r][x]);
        for (int x = a; x < b; x++) common.known_nearer[x] = nf_maxf(common.known_nearer[x], prior[x] * mask[x]);
        net_matrix(q, net->inward, hidden, FEATURES, f, &runs, net->inward_bias, 0, there);
    }
}

static inline lanes_t lanes_at(const float *p) { return *(const lanes_t *)p; }

/* A part's layer before a stage in row r, with the places and the frames beside. */
INLINE void net_beside(const net_t *net, const struct net_work *k, int stage, int j, int r, const net_runs *runs, net_line *to,
    const int hidden) {
    const net_part *p = k->parts + j;
    static const net_row nothing;
    const net_line *above = p->rows[stage][(r - 1) % 3], *own = p->rows[stage][r % 3], *below = p->rows[stage][(r + 1) % 3],
        *before = nothing, *after = nothing;
    if (j > 0 && abs(p[-1].member->index - p->member->index) == 1) before = p[-1].rows[stage][r % 3];
    if (j < k->count - 1 && abs(p[1].member->index - p->member->index) == 1) after = p[1].rows[stage][r % 3];
    for (int h = 0; h < hidden; h++) {
        const float *c = net->around[stage] + 9 * h, *d = net->along[stage] + 3 * h;
        for (int i = 0; i < runs->count; i++) {
            const int x = runs->at[i];
            const float *u = above[h] + x, *v = own[h] + x, *l = below[h] + x;
            const lanes_t here = lanes_at(v);
            lanes_t t = here + c[0] * lanes_at(u - 1) + c[1] * lanes_at(u) + c[2] * lanes_at(u + 1) + c[3] * lanes_at(v - 1)
                + c[4] * here + c[5] * lanes_at(v + 1);
            t = t + c[6] * lanes_at(l - 1) + c[7] * lanes_at(l) + c[8] * lanes_at(l + 1);
            *(lanes_t *)(to[h] + x) = t + d[0] * lanes_at(before[h] + x) + d[1] * here + d[2] * lanes_at(after[h] + x);
        }
    }
}

/* What the largest of all frames adds to a stage along row r. */
INLINE void net_largest(const net_t *net, const struct net_work *k, int stage, int r, net_line *most, const int hidden) {
    net_row top;
    net_runs runs;
    find_runs(&runs, 2, k->wide - 2, 0);
    memset(top, 0, (size_t)hidden * sizeof(net_line));
    for (int j = 0; j < k->count; j++)
        for (int h = 0; h < hidden; h++) {
            const float *restrict v = k->parts[j].rows[stage][r % 3][h];
            for (int x = k->parts[j].a; x < k->parts[j].b; x++) top[h][x] = nf_maxf(top[h][x], v[x]);
        }
    net_matrix(most, net->most[stage], hidden, hidden, top, &runs, 0, 0, 0);
}

/* A stage of one part along row r, in columns from `edge` on, where it is admitted; returns how many runs that are. */
INLINE int net_stage(window_t *w, const net_t *net, struct net_work *k, int stage, int j, int r, int edge, net_line *most,
    net_line *to, net_runs *runs, const int hidden) {
    const net_part *p = k->parts + j;
    runs->count = 0;
    if (!net_has(k, p, r)) return 0;
    const int a = p->a > edge ? p->a : edge, b = p->b < k->wide - edge ? p->b : k->wide - edge;
    const float *restrict mask = p->member->mask + net_at(w, k, r);
    net_line there = {0};
    for (int x = a; x < b; x++) there[x] = mask[x] > 0 ? 1.f : 0.f;
    find_runs(runs, a, b, there);
    if (!runs->count) return 0;
    net_row sum;
    net_beside(net, k, stage, j, r, runs, sum, hidden);
    net_matrix(to, net->middle[stage], hidden, hidden, sum, runs, net->middle_bias[stage], most, there);
    return runs->count;
}

/* A stage that another follows, along row r of all parts. */
INLINE void net_onward(window_t *w, const net_t *net, struct net_work *k, int stage, int r, const int hidden) {
    net_row most;
    net_runs runs;
    net_largest(net, k, stage, r, most, hidden);
    for (int j = 0; j < k->count; j++) {
        net_line *to = k->parts[j].rows[stage + 1][r % 3];
        memset(to, 0, (size_t)hidden * sizeof(net_line));
        net_stage(w, net, k, stage, j, r, NET_EDGE - 1, most, to, &runs, hidden);
    }
}

/* Weights and gain along row r, whose neighbours before the last stage are there too. */
INLINE void net_outward(window_t *w, const net_t *net, struct net_work *k, int r, const int hidden, const int stages) {
    const int64_t at = net_at(w, k, r);
    net_row most, y, last;
    net_line best[BANDS], gain[BANDS - 1];
    net_runs runs, all;
    memset(last, 0, (size_t)hidden * sizeof(net_line));
    net_largest(net, k, stages - 1, r, most, hidden);
    for (int i = 0; i < BANDS; i++) for (int x = 0; x < k->round; x++) best[i][x] = -1e4f;
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        const member_t *m = p->member;
        if (!net_has(k, p, r)) continue;
        const int a = p->a > NET_EDGE ? p->a : NET_EDGE, b = p->b < k->wide - NET_EDGE ? p->b : k->wide - NET_EDGE;
        const float *restrict ad = m->admission + at;
        memset(p->logit, 0, sizeof p->logit);
        if (net_stage(w, net, k, stages - 1, j, r, NET_EDGE, most, y, &runs, hidden)) {
            for (int i = 0; i < runs.count; i++)
                for (int h = 0; h < hidden; h++)
                    for (int x = runs.at[i]; x < runs.at[i] + LANES; x++) last[h][x] = nf_maxf(last[h][x], y[h][x]);
            net_matrix(p->logit, net->outward, BANDS, hidden, y, &runs, 0, 0, 0);
        }
        for (int i = 0; i < BANDS; i++)
            for (int x = a; x < b; x++) {
                const float v = p->logit[i][x] + net->outward_bias[i] + net->slope[i] * octaves(p->score[r][x] + 1e-3f);
                p->logit[i][x] = ad[x] > 0 ? v : -1e4f;
                best[i][x] = nf_maxf(best[i][x], p->logit[i][x]);
            }
    }
    find_runs(&all, NET_EDGE, k->wide - NET_EDGE, 0);
    net_matrix(gain, net->gain, BANDS - 1, hidden, last, &all, 0, 0, 0);
    for (int x = NET_EDGE; x < k->wide - NET_EDGE; x++) {
        w->gain[at + x] = net_exp2(nf_minf(nf_maxf(gain[0][x] + net->gain_bias[0], -1), 1));
        w->second_gain[at + x] = net_exp2(nf_minf(nf_maxf(gain[1][x] + net->gain_bias[1], -1), 1));
    }
    for (int j = 0; j < k->count; j++) {
        net_part *p = k->parts + j;
        member_t *m = p->member;
        if (!net_has(k, p, r)) continue;
        const float *restrict ad = m->admission + at;
        float *restrict colour = m->weight + at, *restrict detail = m->detail + at, *restrict second = m->second + at;
        for (int x = p->a > NET_EDGE ? p->a : NET_EDGE; x < p->b && x < k->wide - NET_EDGE; x++) {
            colour[x] = net_exp2(p->logit[0][x] - best[0][x]) * ad[x];
            detail[x] = net_exp2(p->logit[1][x] - best[1][x]) * ad[x];
            second[x] = net_exp2(p->logit[2][x] - best[2][x]) * ad[x];
        }
    }
}

INLINE void net_rows(window_t *w, const net_t *net, struct net_work *k, const int hidden, const int stages) {
    for (int r = NET_EDGE - stages; r < k->tall - NET_EDGE + stages; r++) {
        net_inward(w, net, k, r, hidden);
        if (stages > 1 && r > NET_EDGE - 1) net_onward(w, net, k, 0, r - 1, hidden);
        if (r >= NET_EDGE + stages) net_outward(w, net, k, r - stages, hidden, stages);
    }
}

/* A net in some cells in a row. */
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
        k->count += net_takes_part(w, k, m, k->parts + k->count, cells);
    }
    net_energies(w, k);
    net_scores(w, k);
    for (int j = 0; j < k->count; j++) net_planes(w, k, k->parts + j);
    if (net->stages > 1) net_rows(w, net, k, HARD_HIDDEN, STAGES);
    else net_rows(w, net, k, HIDDEN, 1);
}

static const float *net_take(const float **at, int count) {
    const float *part = *at;
    *at += count;
    return part;
}

/* Where a net's numbers lie in the list; returns where the next one's begin. */
static const float *net_laid_out(const float *at, int hidden, int stages, net_t *o) {
    o->hidden = hidden;
    o->stages = stages;
    o->inward = net_take(&at, hidden * FEATURES);
    o->inward_bias = net_take(&at, hidden);
    for (int i = 0; i < stages; i++) {
        o->around[i] = net_take(&at, 9 * hidden);
        o->along[i] = net_take(&at, 3 * hidden);
        o->middle[i] = net_take(&at, hidden * hidden);
        o->middle_bias[i] = net_take(&at, hidden);
        o->most[i] = net_take(&at, hidden * hidden);
    }
    o->outward = net_take(&at, BANDS * hidden);
    o->outward_bias = net_take(&at, BANDS);
    o->gain = net_take(&at, (BANDS - 1) * hidden);
    o->gain_bias = net_take(&at, BANDS - 1);
    o->slope = net_take(&at, BANDS);
    return at;
}

/* Which cells are given to a net: cells[x], 1 or, if hard, 2, along the row of cells that begins at half row y. */
static int net_pays(const window_t *w, int y, uint8_t *cells) {
    int any = 0;
    float sums[NF_WIDEST / 2];
    for (int i = 0; i < 8; i++) {
        const int64_t row = (int64_t)(y + i) * w->half_width;
        const float *restrict total = w->seen[0] + row, *restrict mean = w->seen[1] + row, *restrict square = w->seen[2] + row,
            *restrict noise = w->noise + row;
        for (int x = 0; x < w->half_width; x++) {
            const float over = 1 / nf_maxf(total[x], 1e-12f), m = mean[x] * over;
            const float v = (square[x] * over - m * m) - HALF_LUMA * noise[x];
            sums[x] = i ? sums[x] + v : v;
        }
    }
    for (int c = 0; c < w->half_width / 8; c++) {
        float sum = sums[8 * c];
        for (int i = 1; i < 8; i++) sum += sums[8 * c + i];
        any |= cells[c] = (uint8_t)((sum > 64 * w->stack->spread) + (sum > 64 * (HARD * w->stack->spread)));
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
    net_t nets[2];
    net_laid_out(net_laid_out(w->stack->net, HIDDEN, 1, nets), HARD_HIDDEN, STAGES, nets + 1);
    const int top = floor_div(w->top, 2), cells = w->half_width / 8;
    int any = 0;
    for (int64_t i = 0; i < (int64_t)w->half_width * w->half_height; i++) w->gain[i] = 1;
    memset(w->second_gain, 0, (size_t)w->half_width * w->half_height * 4);
    for (int cell = floor_div(top + first, 8); 8 * cell - top < last; cell++) {
        uint8_t pays[NF_WIDEST / 16];
        int some = 0;
        if (!net_pays(w, 8 * cell - top, pays)) continue;
        const int y0 = 8 * cell - top > first ? 8 * cell - top : first, y1 = 8 * cell + 8 - top < last ? 8 * cell + 8 - top : last;
        for (int c = 1; c < cells - 1; c++) {
            int end = c;
            while (end < cells - 1 && pays[end] && pays[end] == pays[c] && end - c < NET_CELLS) end++;
            if (end == c) continue;
            for (int i = 0; i < w->count && !any; i++) memset(w->members[i].second, 0, (size_t)w->half_width * w->half_height * 4);
            any = some = 1;
            net_block(w, nets + (pays[c] - 1), y0, y1, 8 * c, end - c);
            c = end - 1;
        }
        for (int i = 0; i < w->count && some; i++)
            for (int y = y0; y < y1; y++) if (has_row(w->members + i, y)) net_spans(w, w->members + i, y);
    }
    return any;
}

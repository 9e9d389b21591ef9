/* The learned chooser inside render.c: weights by a small net, in cells whose frames differ. Specification:
   merge/chooser/ (features.py, net.py, where.py) and twin_choose.py, whose order of operations this has.

   Every frame that is carried along gets a few more half-size planes; the net itself then runs block by block, three
   rows of its first layer at a time. What counts of a frame are only places where it is admitted itself (mask > 0), so
   the result does not depend on which other frames a tile carries along. */
#define FEATURES 13
#define HIDDEN 16
#define NET_HALO_Y 28             /* as HALO_Y; even */
#define NET_SEEN 4                /* half rows at the window's edge where scores are not complete */
#define NET_FIRST 9               /* half rows at the window's edge where weights are not complete */
#define NET_BLOCK 64              /* half-size places that the net works on at a time */
#define NET_WIDE (NET_BLOCK + 8)
#define HALF_CHANNEL .24f         /* what is left of a channel's noise at half size */
#define HALF_LUMA .107f           /* and of luma's */
#define WIDE_QUIET .3f
#define SPREAD 1e-6f
#define LEAST_POWER (-20.f)

typedef struct {                  /* as weights.py lays it out */
    float inward[HIDDEN][FEATURES], inward_bias[HIDDEN], around[HIDDEN][9], along[HIDDEN][3], middle[HIDDEN][HIDDEN], middle_bias[HIDDEN];
    float most[HIDDEN][HIDDEN], outward[2][HIDDEN], outward_bias[2], gain[HIDDEN], gain_bias, slope[2];
} net_t;

typedef float net_row[HIDDEN][NET_WIDE];

static inline float net_log2(float x) {
    union { float f; int32_t i; } u = {x};
    const int32_t exponent = ((u.i >> 23) & 255) - 126;
    u.i = (u.i & 0x007fffff) | 0x3f000000;
    const int32_t low = u.f < 0.70710677f;
    const float m = low ? u.f + u.f : u.f, t = (m - 1) / (m + 1), s = t * t;
    return (float)(exponent - low) + t * (2.8853900817779268f + s * (0.9617966939259756f + s * (0.5770780163555854f + s * 0.41219858311113243f)));
}

static inline float net_exp2(float x) {
    const float held = nf_maxf(x, LEAST_POWER), whole = floorf(held + .5f), f = held - whole;
    const float series = 1 + f * (0.6931471805599453f + f * (0.2402265069591007f + f * (0.05550410866482158f + f * (0.009618129107628477f + f * 0.0013333558146428443f))));
    union { float f; int32_t i; } u;
    u.i = ((int32_t)whole + 127) << 23;
    return x < LEAST_POWER ? 0 : series * u.f;
}

/* B5 with twice the spacing over a region of a plane, its edges repeated; `across` is a plane of the same shape. */
static void blur_apart(const float *from, float *across, float *to, int stride, int w, int h) {
    float pad[NF_WIDEST + 8];
    for (int y = 0; y < h; y++) {
        const float *r = from + (int64_t)y * stride;
        float *restrict o = across + (int64_t)y * stride;
        memcpy(pad + 4, r, (size_t)w * 4);
        for (int i = 0; i < 4; i++) { pad[i] = r[0]; pad[w + 4 + i] = r[w - 1]; }
        for (int x = 0; x < w; x++) o[x] = .375f * pad[x + 4] + .25f * (pad[x + 2] + pad[x + 6]) + .0625f * (pad[x] + pad[x + 8]);
    }
    for (int y = 0; y < h; y++) {
        const float *r[5];
        for (int i = 0; i < 5; i++) r[i] = across + (int64_t)nf_clampi(y + 2 * i - 4, 0, h - 1) * stride;
        nf_b5_down(r[0], r[1], r[2], r[3], r[4], to + (int64_t)y * stride, w);
    }
}

/* Largest value within 5 x 5 places of values that are at least 0. */
static void largest_around(const float *from, float *across, float *to, int stride, int w, int h) {
    float pad[NF_WIDEST + 4] = {0};
    for (int y = 0; y < h; y++) {
        float *restrict o = across + (int64_t)y * stride;
        memcpy(pad + 2, from + (int64_t)y * stride, (size_t)w * 4);
        pad[w + 2] = pad[w + 3] = 0;
        for (int x = 0; x < w; x++) o[x] = nf_maxf(nf_maxf(nf_maxf(pad[x], pad[x + 1]), nf_maxf(pad[x + 2], pad[x + 3])), pad[x + 4]);
    }
    for (int y = 0; y < h; y++) {
        float *restrict o = to + (int64_t)y * stride;
        memset(o, 0, (size_t)w * 4);
        for (int i = y > 2 ? y - 2 : 0; i <= y + 2 && i < h; i++) {
            const float *restrict a = across + (int64_t)i * stride;
            for (int x = 0; x < w; x++) o[x] = nf_maxf(o[x], a[x]);
        }
    }
}

/* Planes of a member that need no other frame. */
static void net_planes(window_t *w, member_t *m) {
    const nf_stack *s = w->stack;
    const int x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0, y0 = m->box.y0 / 2, h = m->box.y1 / 2 - y0, stride = w->half_width;
    const int64_t at = (int64_t)y0 * stride + x0;
    float cover[NF_WIDEST / 2], ad[NF_WIDEST / 2];
    for (int y = 0; y < h; y++) {
        const int hy = floor_div(w->top, 2) + y0 + y, hx = w->left / 2 + x0;
        const int partly = coverage(s, m->index, hy, hx, n, cover);
        energy_mask(w, m, y0 + y, partly ? cover : 0, m->mask + at + (int64_t)y * stride);
        cell_rows(s, m->index, hy, hx, n, ad, m->prior + at + (int64_t)y * stride);
    }
    blur_plane(m->planes.square + at, m->near + at, stride, n, h, w->warp->across);
    float *a = w->half_a + at, *b = w->half_b + at;
    blur_plane(m->planes.half_luma + at, a, stride, n, h, w->warp->across);
    blur_apart(a, m->wide + at, b, stride, n, h);
    for (int y = 0; y < h; y++) {
        const int64_t row = (int64_t)y * stride;
        for (int x = 0; x < n; x++) { float v = a[row + x] - b[row + x]; b[row + x] = v * v; }
    }
    blur_plane(b, m->third + at, stride, n, h, w->warp->across);
    for (int y = 0; y < h; y++) {
        const int64_t row = (int64_t)y * stride;
        const float *restrict e1 = m->band1 + at + row, *restrict v = w->noise + at + row, *restrict mask = m->mask + at + row;
        for (int x = 0; x < n; x++) a[row + x] = nf_maxf(e1[x] - s->band1 * v[x], 0) * mask[x];
    }
    largest_around(a, b, m->around + at, stride, n, h);
    blur_apart(a, b, m->wide + at, stride, n, h);
    for (int y = 0; y < h; y++) {
        const int64_t row = at + (int64_t)y * stride;
        for (int x = 0; x < n; x++) m->wide[row + x] *= m->mask[row + x];
    }
}

static member_t *net_member(window_t *w, int j) { return w->members + (w->stack->order < 0 ? w->count - 1 - j : j); }

/* Mean of 2 x 2 of a colour at a half-size place, 1 for white. */
static inline float half_colour(const window_t *w, const member_t *m, int c, int y, int x) {
    const int16_t *p = m->planes.colour + c * (int64_t)w->width * w->height + 2 * (int64_t)y * w->width + 2 * x;
    return .25f * (float)(p[0] + p[1] + p[w->width] + p[w->width + 1]) * (1 / NF_UNIT);
}

/* Along a half row: scores of all members, the best of them, and the best frame's colours. */
static void net_scores(window_t *w, int y) {
    const nf_stack *s = w->stack;
    const int64_t row = (int64_t)y * w->half_width;
    const float *restrict noise = w->noise + row;
    float top0[NF_WIDEST / 2] = {0}, top1[NF_WIDEST / 2] = {0};
    int16_t leader[NF_WIDEST / 2];
    float *restrict best = w->leading + row;
    for (int i = 0; i < w->count; i++) {
        const member_t *m = w->members + i;
        if (!has_row(m, y)) continue;
        for (int x = m->box.x0 / 2; x < m->box.x1 / 2; x++) {
            top0[x] = nf_maxf(top0[x], nf_maxf(m->planes.square[row + x] - s->band0 * noise[x], 0) * m->mask[row + x]);
            top1[x] = nf_maxf(top1[x], nf_maxf(m->band1[row + x] - s->band1 * noise[x], 0) * m->mask[row + x]);
        }
    }
    for (int x = 0; x < w->half_width; x++) { best[x] = -1; leader[x] = 0; }
    for (int j = 0; j < w->count; j++) {
        member_t *m = net_member(w, j);
        if (!has_row(m, y)) continue;
        for (int x = m->box.x0 / 2; x < m->box.x1 / 2; x++) {
            const float n0 = s->band0 * noise[x], n1 = s->band1 * noise[x], mask = m->mask[row + x];
            const float r0 = nf_maxf(m->planes.square[row + x] - n0, 0) * mask / (top0[x] + s->quiet * n0);
            const float r1 = nf_maxf(m->band1[row + x] - n1, 0) * mask / (top1[x] + s->quiet * n1);
            const float v = m->admission[row + x] * (LEAST + s->prior_weight * m->prior[row + x] + (r0 + r1));
            m->score[row + x] = v;
            if (v > best[x]) { best[x] = v; leader[x] = (int16_t)j; }
        }
    }
    const int64_t half = (int64_t)w->half_width * w->half_height;
    for (int x = 0; x < w->half_width; x++) {
        if (best[x] < 0) { for (int c = 0; c < 3; c++) w->first[c * half + row + x] = 0; best[x] = 0; continue; }
        for (int c = 0; c < 3; c++) w->first[c * half + row + x] = half_colour(w, net_member(w, leader[x]), c, y, x);
    }
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        if (!has_row(m, y)) continue;
        for (int x = m->box.x0 / 2; x < m->box.x1 / 2; x++) m->score[row + x] /= nf_maxf(best[x], 1e-12f);
    }
}

/* Squared distance of a member's colours to the best frame's, in units of noise, at two widths. */
static void net_apart(window_t *w, member_t *m, int first, int last) {
    const int x0 = m->box.x0 / 2, n = m->box.x1 / 2 - x0, y0 = m->box.y0 / 2 > first ? m->box.y0 / 2 : first, y1 = m->box.y1 / 2 < last ? m->box.y1 / 2 : last;
    if (y0 >= y1) return;
    const int64_t half = (int64_t)w->half_width * w->half_height, at = (int64_t)y0 * w->half_width + x0;
    for (int y = y0; y < y1; y++) {
        const int64_t row = (int64_t)y * w->half_width;
        for (int x = x0; x < x0 + n; x++) {
            const float d0 = half_colour(w, m, 0, y, x) - w->first[row + x], d1 = half_colour(w, m, 1, y, x) - w->first[half + row + x];
            const float d2 = half_colour(w, m, 2, y, x) - w->first[2 * half + row + x], nc = HALF_CHANNEL * w->noise[row + x];
            w->half_a[row + x] = (d0 * d0 + d1 * d1 + d2 * d2) * (1 / (6 * nc));
        }
    }
    blur_plane(w->half_a + at, m->apart + at, w->half_width, n, y1 - y0, w->warp->across);
    soften_plane(w->half_a + at, m->beside + at, w->half_width, n, y1 - y0);
}

/* Which cells are given to the net: cells[x], 0 or 1, along the row of cells that begins at half row y. */
static int net_pays(const window_t *w, int y, uint8_t *cells) {
    int any = 0;
    float sums[NF_WIDEST / 2];
    for (int i = 0; i < 8; i++) {
        const int64_t row = (int64_t)(y + i) * w->half_width;
        float total[NF_WIDEST / 2] = {0}, mean[NF_WIDEST / 2] = {0}, spread[NF_WIDEST / 2] = {0};
        for (int pass = 0; pass < 2; pass++) {
            for (int j = 0; j < w->count; j++) {
                const member_t *m = w->members + j;
                if (!has_row(m, y + i)) continue;
                for (int x = m->box.x0 / 2; x < m->box.x1 / 2; x++) {
                    const float v = m->score[row + x] * m->score[row + x];
                    if (pass) { const float d = m->planes.half_luma[row + x] - mean[x]; spread[x] += v * d * d; }
                    else { total[x] += v; mean[x] += v * m->planes.half_luma[row + x]; }
                }
            }
            for (int x = 0; x < w->half_width && !pass; x++) { total[x] = nf_maxf(total[x], 1e-12f); mean[x] /= total[x]; }
        }
        for (int x = 0; x < w->half_width; x++) {
            const float v = spread[x] / total[x] - HALF_LUMA * w->noise[row + x];
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

/* The first layer of all members along a half row, from x0 on. */
static void net_inward(window_t *w, const net_t *net, int y, int x0, int n, net_row *out, int64_t step, float (*farther)[NET_WIDE]) {
    const nf_stack *s = w->stack;
    const int64_t row = (int64_t)y * w->half_width + x0, half = (int64_t)w->half_width * w->half_height;
    const float *restrict noise = w->noise + row;
    float top[6][NET_WIDE] = {{0}}, nearer[NET_WIDE] = {0}, common[2][NET_WIDE], f[FEATURES][NET_WIDE];
    for (int j = w->count - 1; j >= 0; j--) {
        const member_t *m = net_member(w, j);
        for (int x = 0; x < n; x++) farther[j][x] = j == w->count - 1 ? 0 : farther[j + 1][x];
        if (j < w->count - 1) {
            const member_t *o = net_member(w, j + 1);
            if (has_row(o, y))
                for (int x = nf_clampi(o->box.x0 / 2 - x0, 0, n); x < nf_clampi(o->box.x1 / 2 - x0, 0, n); x++) farther[j][x] = nf_maxf(farther[j][x], o->around[row + x]);
        }
        if (!has_row(m, y)) continue;
        for (int x = nf_clampi(m->box.x0 / 2 - x0, 0, n); x < nf_clampi(m->box.x1 / 2 - x0, 0, n); x++) {
            const float v = noise[x], mask = m->mask[row + x];
            top[0][x] = nf_maxf(top[0][x], nf_maxf(m->planes.square[row + x] - s->band0 * v, 0) * mask);
            top[1][x] = nf_maxf(top[1][x], nf_maxf(m->near[row + x] - s->band0 * v, 0) * mask);
            top[2][x] = nf_maxf(top[2][x], nf_maxf(m->band1[row + x] - s->band1 * v, 0) * mask);
            top[3][x] = nf_maxf(top[3][x], nf_maxf(m->third[row + x] - s->band2 * v, 0) * mask);
            top[4][x] = nf_maxf(top[4][x], m->wide[row + x]);
            top[5][x] = nf_maxf(top[5][x], m->prior[row + x] * mask);
        }
    }
    for (int x = 0; x < n; x++) {
        common[0][x] = net_log2(1 + top[1][x] / (s->band0 * noise[x])) * (1 / 12.f);
        common[1][x] = net_log2(1 + top[2][x] / (s->band1 * noise[x])) * (1 / 12.f);
    }
    for (int j = 0; j < w->count; j++) {
        const member_t *m = net_member(w, j);
        float(*restrict o)[NET_WIDE] = out[j * step];
        memset(o, 0, sizeof(net_row));
        const int a = nf_clampi(m->box.x0 / 2 - x0, 0, n), b = nf_clampi(m->box.x1 / 2 - x0, 0, n);
        if (!has_row(m, y) || a >= b) continue;
        const float *restrict mask = m->mask + row, *restrict far = farther[j];
        for (int x = a; x < b; x++) {
            const float n0 = s->band0 * noise[x], n1 = s->band1 * noise[x], n2 = s->band2 * noise[x], k = mask[x];
            const float e1 = nf_maxf(m->band1[row + x] - n1, 0) * k, own = net_log2(e1 + n1);
            f[0][x] = nf_maxf(m->planes.square[row + x] - n0, 0) * k / (top[0][x] + s->quiet * n0);
            f[1][x] = nf_maxf(m->near[row + x] - n0, 0) * k / (top[1][x] + s->quiet * n0);
            f[2][x] = e1 / (top[2][x] + s->quiet * n1);
            f[3][x] = nf_maxf(m->third[row + x] - n2, 0) * k / (top[3][x] + s->quiet * n2);
            f[4][x] = m->wide[row + x] / (top[4][x] + WIDE_QUIET * n1);
            f[5][x] = m->prior[row + x] * k / nf_maxf(top[5][x], 1e-9f);
            f[6][x] = common[0][x];
            f[7][x] = common[1][x];
            f[8][x] = (net_log2(nearer[x] + n1) - own) * .1f;
            f[9][x] = (net_log2(far[x] + n1) - own) * .1f;
            f[10][x] = net_log2(1 + m->apart[row + x]) * (1 / 6.f);
            f[11][x] = net_log2(1 + m->beside[row + x]) * (1 / 6.f);
            const float l = .299f * w->first[row + x] + .587f * w->first[half + row + x] + .114f * w->first[2 * half + row + x];
            const float v = 12 * (m->planes.half_luma[row + x] - l);
            f[12][x] = v / (1 + fabsf(v));
        }
        for (int x = a; x < b; x++) nearer[x] = nf_maxf(nearer[x], m->around[row + x]);
        for (int h = 0; h < HIDDEN; h++) {
            float *restrict q = o[h];
            for (int x = a; x < b; x++) q[x] = net->inward[h][0] * f[0][x];
            for (int k = 1; k < FEATURES; k++) {
                const float c = net->inward[h][k];
                for (int x = a; x < b; x++) q[x] += c * f[k][x];
            }
            for (int x = a; x < b; x++) q[x] = mask[x] > 0 ? nf_maxf(q[x] + net->inward_bias[h], 0) : 0;
        }
    }
}

static void net_sum(float (*restrict to)[NET_WIDE], const float *matrix, int rows, float (*restrict from)[NET_WIDE], int a, int b) {
    for (int h = 0; h < rows; h++) {
        const float *restrict c = matrix + h * HIDDEN;
        float *restrict q = to[h];
        for (int x = a; x < b; x++) q[x] = c[0] * from[0][x];
        for (int k = 1; k < HIDDEN; k++) for (int x = a; x < b; x++) q[x] += c[k] * from[k][x];
    }
}

/* Weights and gain along a half row from three rows of the first layer; x0 is the block's first place, at 1 in the rows. */
static void net_outward(window_t *w, const net_t *net, int y, int x0, int n, net_row *rows, const int slot[3], float (*logit)[2][NET_WIDE]) {
    const int64_t row = (int64_t)y * w->half_width + x0 - 1;
    const int near = w->stack->order < 0 ? -1 : 1;
    net_row top = {{0}}, most, sum, y2, last = {{0}};
    float best[2][NET_WIDE];
    for (int j = 0; j < w->count; j++)
        for (int h = 0; h < HIDDEN; h++) for (int x = 1; x <= n; x++) top[h][x] = nf_maxf(top[h][x], rows[3 * j + slot[1]][h][x]);
    net_sum(most, net->most[0], HIDDEN, top, 1, n + 1);
    for (int b = 0; b < 2; b++) for (int x = 1; x <= n; x++) best[b][x] = -1e4f;
    for (int j = 0; j < w->count; j++) {
        const member_t *m = net_member(w, j);
        const int a = nf_clampi(m->box.x0 / 2 - x0 + 1, 1, n + 1), b = nf_clampi(m->box.x1 / 2 - x0 + 1, 1, n + 1);
        if (!has_row(m, y) || a >= b) continue;
        for (int h = 0; h < HIDDEN; h++) {
            float *restrict q = sum[h];
            memcpy(q, rows[3 * j + slot[1]][h], sizeof sum[h]);
            for (int i = 0; i < 9; i++) {
                const float c = net->around[h][i], *restrict p = rows[3 * j + slot[i / 3]][h] + i % 3 - 1;
                for (int x = a; x < b; x++) q[x] += c * p[x];
            }
            for (int k = -1; k <= 1; k++) {
                const int o = j + k;
                if (o < 0 || o >= w->count || net_member(w, o)->index != m->index + near * k) continue;
                const float c = net->along[h][k + 1], *restrict p = rows[3 * o + slot[1]][h];
                for (int x = a; x < b; x++) q[x] += c * p[x];
            }
        }
        net_sum(y2, net->middle[0], HIDDEN, sum, a, b);
        for (int h = 0; h < HIDDEN; h++)
            for (int x = a; x < b; x++) {
                const float v = m->mask[row + x] > 0 ? nf_maxf(y2[h][x] + net->middle_bias[h] + most[h][x], 0) : 0;
                y2[h][x] = v;
                last[h][x] = nf_maxf(last[h][x], v);
            }
        net_sum(logit[j], net->outward[0], 2, y2, a, b);
        for (int i = 0; i < 2; i++)
            for (int x = a; x < b; x++) {
                const float v = logit[j][i][x] + net->outward_bias[i] + net->slope[i] * net_log2(m->score[row + x] + 1e-3f);
                logit[j][i][x] = v;
                if (m->admission[row + x] > 0) best[i][x] = nf_maxf(best[i][x], v);
            }
    }
    float gain[1][NET_WIDE];
    net_sum(gain, net->gain, 1, last, 1, n + 1);
    for (int x = 1; x <= n; x++) w->gain[row + x] = net_exp2(nf_minf(nf_maxf(gain[0][x] + net->gain_bias, -1), 1));
    for (int j = 0; j < w->count; j++) {
        member_t *m = net_member(w, j);
        const int a = nf_clampi(m->box.x0 / 2 - x0 + 1, 1, n + 1), b = nf_clampi(m->box.x1 / 2 - x0 + 1, 1, n + 1);
        if (!has_row(m, y)) continue;
        for (int x = a; x < b; x++) {
            const float ad = m->admission[row + x];
            m->weight[row + x] = ad > 0 ? net_exp2(logit[j][0][x] - best[0][x]) * ad : 0;
            m->detail[row + x] = ad > 0 ? net_exp2(logit[j][1][x] - best[1][x]) * ad : 0;
        }
    }
}

static void net_block(window_t *w, const net_t *net, int y0, int y1, int x0, int n) {
    net_row *rows = w->rows;
    for (int y = y0 - 1; y <= y1; y++) {
        net_inward(w, net, y, x0 - 1, n + 2, rows + (y - y0 + 1) % 3, 3, w->farther);
        if (y > y0) {
            const int slot[3] = {(y - y0 - 1) % 3, (y - y0) % 3, (y - y0 + 1) % 3};
            net_outward(w, net, y - 1, x0, n, rows, slot, w->logit);
        }
    }
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
    const int top = floor_div(w->top, 2);
    int any = 0;
    for (int64_t i = 0; i < (int64_t)w->half_width * w->half_height; i++) w->gain[i] = 1;
    for (int i = 0; i < w->count; i++) net_planes(w, w->members + i);
    for (int y = NET_SEEN; y < w->half_height - NET_SEEN; y++) net_scores(w, y);
    for (int i = 0; i < w->count; i++) net_apart(w, w->members + i, NET_SEEN, w->half_height - NET_SEEN);
    for (int cell = floor_div(top + first, 8); 8 * cell - top < last; cell++) {
        uint8_t pays[NF_WIDEST / 16];
        if (!net_pays(w, 8 * cell - top, pays)) continue;
        const int y0 = 8 * cell - top > first ? 8 * cell - top : first, y1 = 8 * cell + 8 - top < last ? 8 * cell + 8 - top : last;
        const int cells = w->half_width / 8;
        for (int c = 1; c < cells - 1; c++) {
            int end = c;
            while (end < cells - 1 && pays[end] && end - c < NET_BLOCK / 8) end++;
            if (end == c) continue;
            any = 1;
            net_block(w, net, y0, y1, 8 * c, 8 * (end - c));
            c = end - 1;
        }
        for (int i = 0; i < w->count && any; i++)
            for (int y = y0; y < y1; y++) if (has_row(w->members + i, y)) net_spans(w, w->members + i, y);
    }
    return any;
}

/* The averaging inside render.c: frames that agree with the merged picture within noise lower its noise, and what each of
   them shows of the finest detail counts by how much it shows. Where that detail stands above the noise, what warps took
   from it between pixels is given back. Specification: twin_average.py. */
#define LOST .12f                 /* of the finest band's amplitude, times t (1 - t) for a place t between two pixels, each way */
#define COUNTS 2.f                /* what a frame that agrees counts, the merged picture being 1 */
#define SURE 8.f                  /* times the noise at which half of what a frame shows less is believed */
#define REACH 3                   /* pixels on each side from which what a warp took is given back */
#define BEYOND 4                  /* rows beyond the tile that the passes after the averaging look at */
#define FEW .1f                   /* sum of weights of agreeing frames at which half of what warps took is given back */
static const float MIDDLE = .592f, SIDE[REACH] = {-.524f, .38f, -.152f}; /* times t (1 - t): see twin_average.py */

static void add_square(const int16_t *restrict f, const float *restrict r, float *restrict o, int n) {
    for (int i = 0; i < n; i++) {
        float v = (float)f[i] - r[i];
        o[i] += v * v;
    }
}

/* How well a member agrees with the merged picture, into its weights, and their spans. */
static void agreement(window_t *w, member_t *m, nf_box in) {
    const nf_stack *s = w->stack;
    const int64_t plane = (int64_t)w->width * w->height;
    const float unit = 1 / (24 * s->channel * NF_UNIT * NF_UNIT), slope = 1 / (8 * s->agreement);
    float a[NF_WIDEST], b[NF_WIDEST];
    const int x0 = in.x0, all = in.x1 - in.x0;
    for (int y = in.y0; y < in.y1; y += 2) {
        const int first = nf_clampi(2 * m->start[y / 2], x0, in.x1), n = nf_clampi(2 * m->end[y / 2], first, in.x1) - first;
        const int64_t at = (int64_t)y * w->width + first, half = (int64_t)(y / 2) * w->half_width + first / 2;
        if (n < all) memset(w->half_a + half - (first - x0) / 2, 0, (size_t)all * 2);
        memset(a, 0, (size_t)n * 4);
        memset(b, 0, (size_t)n * 4);
        for (int c = 0; c < 3; c++) {
            add_square(m->planes.colour + c * plane + at, w->sum[c] + at, a, n);
            add_square(m->planes.colour + c * plane + at + w->width, w->sum[c] + at + w->width, b, n);
        }
        float *restrict o = w->half_a + half;
        const float *restrict v = w->noise + half;
        for (int x = 0; x < n / 2; x++) o[x] = unit * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]) / v[x];
    }
    const int64_t at = (int64_t)(in.y0 / 2) * w->half_width + x0 / 2;
    blur_plane(w->half_a + at, m->weight + at, w->half_width, all / 2, (in.y1 - in.y0) / 2, w->warp->across);
    for (int y = in.y0 / 2; y < in.y1 / 2; y++) {
        float *restrict d = m->weight + (int64_t)y * w->half_width;
        const float *restrict ad = m->admission + (int64_t)y * w->half_width;
        const int first = nf_clampi(m->start[y], x0 / 2, in.x1 / 2), end = nf_clampi(m->end[y], first, in.x1 / 2);
        memset(d + x0 / 2, 0, (size_t)(first - x0 / 2) * 4);
        memset(d + end, 0, (size_t)(in.x1 / 2 - end) * 4);
        for (int x = first; x < end; x++) {
            float t = nf_maxf(1 - nf_maxf(d[x] - 1, 0) * slope, 0);
            t *= t;
            t *= t;
            t *= t;
            d[x] = t * ad[x];
        }
        find_span(d, first, end, m->from + y, m->to + y);
    }
}

/* t (1 - t) for the place t between two pixels of the frame at which a half row falls, each way, and what a warp keeps there
   of the amplitude of the finest band: all of it on a pixel, less between them. One number for every eight places. */
typedef struct { float across[NF_WIDEST / 2], down[NF_WIDEST / 2], share[NF_WIDEST / 2]; } between_t;

static void places_between(const nf_stack *s, int k, int hy, int hx, int n, between_t *o) {
    const double *p = s->poses + 6 * k, y = 2 * hy;
    const nf_bend *bend = bend_of(s, k);
    for (int b = 0; b < n; b += 8) {
        const double x = 2 * (hx + b) + 8, u = nf_u(p, bend, x, y), v = nf_v(p, bend, x, y);
        const float t = (float)(u - floor(u)), r = (float)(v - floor(v)), across = t * (1 - t), down = r * (1 - r);
        const float share = 1 - LOST * (across + down);
        for (int i = 0; i < 8; i++) { o->across[b + i] = across; o->down[b + i] = down; o->share[b + i] = share; }
    }
}

/* A row of a plane as of soften_plane in columns x0..x1-1, with places on all sides of them inside rows y0..y1-1. */
static void soften_row(const float *plane, int stride, int y, int y0, int y1, int x0, int x1, float *restrict o) {
    const float *restrict a = plane + (int64_t)(y > y0 ? y - 1 : y) * stride, *restrict b = plane + (int64_t)y * stride;
    const float *restrict c = plane + (int64_t)(y < y1 - 1 ? y + 1 : y) * stride;
    float t[NF_WIDEST / 2 + 2];
    for (int x = x0 - 1; x <= x1; x++) t[x] = .7f * b[x] + .15f * (a[x] + c[x]);
    for (int x = x0; x < x1; x++) o[x] = .7f * t[x] + .15f * (t[x - 1] + t[x + 1]);
}

/* Energy of a member's finest band above the noise, as if a warp kept all of it, into its `detail` where it agrees; the
   largest of those that agree, into `best`. */
static void fine_energy(window_t *w, member_t *m, nf_box in) {
    const int x0 = in.x0 / 2, y0 = in.y0 / 2, y1 = in.y1 / 2;
    float mask[NF_WIDEST / 2];
    between_t between;
    const float *restrict share = between.share;
    for (int y = y0; y < y1; y++) {
        const int from = m->from[y], to = m->to[y], a = from > x0 ? from : x0 + 1, b = to < in.x1 / 2 ? to : to - 1;
        const int64_t row = (int64_t)y * w->half_width;
        float *restrict e = m->detail + row, *restrict best = w->best + row;
        const float *restrict agrees = m->weight + row, *restrict noise = w->noise + row;
        memset(e + x0, 0, (size_t)(in.x1 / 2 - x0) * 4);
        if (from >= to) continue;
        soften_row(m->planes.square, w->half_width, y, y0, y1, a, b, e);
        energy_mask(w, m, y, from, to - from, 0, mask);
        places_between(w->stack, m->index, floor_div(w->top, 2) + y, w->left / 2 + from, to - from, &between);
        for (int x = from; x < to; x++) {
            e[x] = nf_maxf(e[x] - w->stack->band0 * noise[x], 0) * mask[x - from] / (share[x - from] * share[x - from]);
            best[x] = nf_maxf(best[x], e[x] * agrees[x]);
        }
    }
}

/* A member's weight by what it shows of the finest band. In half_a the sums of weights, in half_b those of weights times
   the share that is shown; in luma and blurred, as half planes, those of weights times t (1 - t), across and down; behind
   the first of these that of the squares of weights. */
static void share_shown(window_t *w, member_t *m, nf_box in) {
    const float quiet = SURE * w->stack->band0;
    between_t between;
    for (int y = in.y0 / 2; y < in.y1 / 2; y++) {
        const int from = m->from[y], to = m->to[y];
        const int64_t row = (int64_t)y * w->half_width;
        const float *restrict best = w->best + row, *restrict noise = w->noise + row, *restrict e = m->detail + row;
        float *restrict weight = m->weight + row, *restrict total = w->half_a + row, *restrict shown = w->half_b + row;
        float *restrict across = w->luma + row, *restrict down = w->blurred + row;
        float *restrict squares = across + (int64_t)w->half_width * w->half_height;
        if (from >= to) continue;
        places_between(w->stack, m->index, floor_div(w->top, 2) + y, w->left / 2 + from, to - from, &between);
        for (int x = from; x < to; x++) {
            const float part = between.share[x - from] * sqrtf(nf_minf(e[x] / nf_maxf(best[x], 1e-12f), 1));
            const float clear = best[x] * best[x], hidden = quiet * noise[x];
            const float keep = 1 - clear / (clear + hidden * hidden) * (1 - part), v = COUNTS * weight[x] * keep;
            weight[x] = v;
            total[x] += v;
            squares[x] += v * v;
            shown[x] += v * keep;
            across[x] += v * between.across[x - from];
            down[x] += v * between.down[x - from];
        }
    }
}

/* Adds a member along a row: colours and finest band. */
static void add_agreeing(window_t *w, const member_t *m, nf_box in, int y) {
    int near, other, a, b;
    float t[NF_WIDEST / 2 + 2], up[NF_WIDEST];
    member_t cut = *m;
    cut.box = in;
    if (!row_span(&cut, y, in.y0 / 2, in.y1 / 2, &near, &other, &a, &b)) return;
    const int64_t plane = (int64_t)w->width * w->height, at = (int64_t)y * w->width + 2 * a;
    const int16_t *restrict red = m->planes.colour + at, *restrict green = red + plane, *restrict blue = green + plane;
    const float *restrict fine = m->planes.fine + at;
    float *restrict r = w->sum[0] + at, *restrict g = w->sum[1] + at, *restrict l = w->sum[2] + at, *restrict f = w->fine + at;
    upsample(m->weight + (int64_t)near * w->half_width + a, m->weight + (int64_t)other * w->half_width + a, t, up, b - a);
    for (int x = 0; x < 2 * (b - a); x++) {
        const float v = up[x];
        r[x] += v * (float)red[x];
        g[x] += v * (float)green[x];
        l[x] += v * (float)blue[x];
        f[x] += v * fine[x];
    }
}

static nf_box averaged_box(const window_t *w, const member_t *m, int inner_y0, int inner_y1) {
    nf_box b = m->box;
    if (b.x0 < HALO_X - 16) b.x0 = HALO_X - 16;
    if (b.x1 > w->width - HALO_X + 16) b.x1 = w->width - HALO_X + 16;
    if (b.y0 < inner_y0 - 10) b.y0 = inner_y0 - 10;
    if (b.y1 > inner_y1 + 10) b.y1 = inner_y1 + 10;
    return b;
}

/* Sums become the mean: colours by all weights, the finest band, which stays in `fine`, by what is shown of it. */
static void divide_row(window_t *w, int y) {
    const int64_t row = (int64_t)y * w->width, near = (int64_t)(y >> 1) * w->half_width;
    const int64_t other = (int64_t)(y & 1 ? (y >> 1) + 1 : (y >> 1) - 1) * w->half_width;
    float t[NF_WIDEST / 2 + 2], total[NF_WIDEST], shown[NF_WIDEST];
    float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
    float *restrict fine = w->fine + row;
    upsample(w->half_a + near, w->half_a + other, t, total, w->half_width);
    upsample(w->half_b + near, w->half_b + other, t, shown, w->half_width);
    for (int x = 0; x < w->width; x++) {
        const float over = 1 / (1 + total[x]), mean = fine[x] / (1 + shown[x]), more = (mean - fine[x] * over) * NF_UNIT;
        fine[x] = mean;
        r[x] = r[x] * over + more;
        g[x] = g[x] * over + more;
        b[x] = b[x] * over + more;
    }
}

/* How much of what warps took is given back, across and down: by the mean t (1 - t) of the frames that agree, as far as the
   finest band stands above the noise. */
static void amounts(window_t *w, int y0, int y1) {
    const float quiet = SURE * w->stack->band0;
    for (int64_t i = (int64_t)y0 * w->half_width; i < (int64_t)y1 * w->half_width; i++) {
        const float clear = w->best[i] * w->best[i], hidden = quiet * w->noise[i];
        const float f = clear / (clear + hidden * hidden) / (FEW + w->half_a[i]);
        w->luma[i] *= f;
        w->blurred[i] *= f;
    }
}

/* What is given back to n pixels of a row, the tile's first being the first. */
static void given_back(const window_t *w, int y, int n, float *restrict more) {
    const int stride = w->width;
    const int64_t half = (int64_t)(y >> 1) * w->half_width + HALO_X / 2;
    const float *restrict a = w->luma + half, *restrict d = w->blurred + half, *restrict f = w->fine + (int64_t)y * stride + HALO_X;
    float across[NF_WIDEST], down[NF_WIDEST];
    for (int x = 0; x < (n + 1) / 2; x++) {
        across[2 * x] = across[2 * x + 1] = a[x];
        down[2 * x] = down[2 * x + 1] = d[x];
    }
    for (int x = 0; x < n; x++) {
        const float h = MIDDLE * f[x] + SIDE[0] * (f[x - 1] + f[x + 1]) + SIDE[1] * (f[x - 2] + f[x + 2]) + SIDE[2] * (f[x - 3] + f[x + 3]);
        const float v = MIDDLE * f[x] + SIDE[0] * (f[x - stride] + f[x + stride]) + SIDE[1] * (f[x - 2 * stride] + f[x + 2 * stride])
                        + SIDE[2] * (f[x - 3 * stride] + f[x + 3 * stride]);
        more[x] = (across[x] * h + down[x] * v) * NF_UNIT;
    }
}

/* Frames that agree with the picture within noise are averaged in; the picture itself, whose noise was chosen with its
   detail, counts less than any of them. Of luma's finest band each frame shows a share: the more, the sharper it is. What
   all show together is divided by the sum of their shares. */
static void average(window_t *w, int inner_y0, int inner_y1) {
    const int above = inner_y0 - BEYOND, below = inner_y1 + BEYOND;
    const size_t half = (size_t)w->half_width * w->half_height * 4;
    memset(w->best, 0, half);
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        const nf_box in = averaged_box(w, m, inner_y0, inner_y1);
        if (in.x0 >= in.x1 || in.y0 >= in.y1) continue;
        agreement(w, m, in);
        fine_energy(w, m, in);
    }
    memset(w->half_a, 0, half);
    memset(w->half_b, 0, half);
    memset(w->luma, 0, 2 * half);
    memset(w->blurred, 0, half);
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        const nf_box in = averaged_box(w, m, inner_y0, inner_y1);
        if (in.x0 >= in.x1 || in.y0 >= in.y1) continue;
        share_shown(w, m, in);
        for (int y = in.y0 > above ? in.y0 : above; y < (in.y1 < below ? in.y1 : below); y++) add_agreeing(w, m, in, y);
    }
    for (int y = above; y < below; y++) divide_row(w, y);
    amounts(w, inner_y0 / 2, inner_y1 / 2);
}

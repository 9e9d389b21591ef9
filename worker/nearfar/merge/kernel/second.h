/* Luma's second band by weights of its own, where the net chose them; part of render.c. Specification: twin_choose.py.

   Everything is at half size: the band of the merged luma makes way for the weighted mean of the frames' bands. */

/* The places that were given to the net, all inside *b (half size); returns 0 where there are none. */
static int net_places(const window_t *w, int y0, int y1, nf_box *b) {
    nf_box found = {1 << 20, 1 << 20, -1, -1};
    for (int y = y0; y < y1; y++)
        for (int x = 0; x < w->half_width; x += 8) {
            if (w->second_gain[(int64_t)y * w->half_width + x] == 0) continue;
            if (x < found.x0) found.x0 = x;
            if (x + 8 > found.x1) found.x1 = x + 8;
            if (y < found.y0) found.y0 = y;
            found.y1 = y + 1;
        }
    *b = found;
    return found.x1 > 0;
}

/* A member's second band times its weight, into seen[1]; its weights, into seen[0]. */
static void add_second(window_t *w, member_t *m, nf_box in) {
    nf_box b = {m->box.x0 / 2, m->box.y0 / 2, m->box.x1 / 2, m->box.y1 / 2};
    if (b.x0 < in.x0 - 2) b.x0 = in.x0 - 2;
    if (b.x1 > in.x1 + 2) b.x1 = in.x1 + 2;
    if (b.y0 < in.y0 - 2) b.y0 = in.y0 - 2;
    if (b.y1 > in.y1 + 2) b.y1 = in.y1 + 2;
    if (b.x0 >= b.x1 || b.y0 >= b.y1) return;
    const int64_t at = (int64_t)b.y0 * w->half_width + b.x0;
    blur_plane(m->planes.half_luma + at, m->mask + at, w->half_width, b.x1 - b.x0, b.y1 - b.y0, w->warp->across);
    for (int y = b.y0; y < b.y1; y++) {
        const int64_t row = (int64_t)y * w->half_width;
        const float *restrict weight = m->second + row, *restrict half = m->planes.half_luma + row, *restrict wide = m->mask + row;
        float *restrict total = w->seen[0] + row, *restrict sum = w->seen[1] + row;
        for (int x = b.x0; x < b.x1; x++) {
            total[x] += weight[x];
            sum[x] += weight[x] * (half[x] - wide[x]);
        }
    }
}

/* In full rows y0..y1-1, whose merged luma is there; the outermost two stay as they are. */
static void replace_second(window_t *w, int y0, int y1) {
    const int h0 = y0 / 2, h1 = y1 / 2;
    const int64_t top = (int64_t)h0 * w->half_width;
    nf_box in;
    if (!net_places(w, h0, h1, &in)) return;
    for (int y = h0; y < h1; y++) {
        const float *restrict a = w->luma + 2 * (int64_t)y * w->width, *restrict b = a + w->width;
        float *restrict o = w->half_a + (int64_t)y * w->half_width;
        for (int x = 0; x < w->half_width; x++) o[x] = .25f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
    }
    blur_plane(w->half_a + top, w->half_b + top, w->half_width, w->half_width, h1 - h0, w->warp->across);
    for (int i = 0; i < 2; i++) memset(w->seen[i] + top, 0, (size_t)(h1 - h0) * (size_t)w->half_width * 4);
    for (int i = 0; i < w->count; i++) add_second(w, w->members + i, in);
    for (int64_t i = top; i < (int64_t)h1 * w->half_width; i++) {
        const float chosen = w->seen[1][i] / nf_maxf(w->seen[0][i], 1e-20f);
        const float more = chosen * w->second_gain[i] * NF_UNIT - (w->half_a[i] - w->half_b[i]);
        w->half_b[i] = w->second_gain[i] > 0 ? more : 0;
    }
    for (int y = y0 + 2; y < y1 - 2; y++) {
        const int64_t row = (int64_t)y * w->width;
        float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
        float t[NF_WIDEST / 2 + 2], up[NF_WIDEST];
        if (y < 2 * in.y0 - 1 || y > 2 * in.y1) continue;
        const int64_t near = (int64_t)(y >> 1) * w->half_width;
        const int64_t other = (int64_t)(y & 1 ? (y >> 1) + 1 : (y >> 1) - 1) * w->half_width;
        upsample(w->half_b + near, w->half_b + other, t, up, w->half_width);
        for (int x = 0; x < w->width; x++) {
            r[x] += up[x];
            g[x] += up[x];
            b[x] += up[x];
        }
    }
}

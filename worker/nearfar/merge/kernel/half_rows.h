/* Filters and weights along half-size rows: admission, prior, how far a frame covers a place. Part of render.c.
   Specification: twin_render.py, twin_filters.py. */

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

/* Sets a member's half row to 0 where it does not matter. */
static void clear_row_beside(const member_t *m, int hy, float *row) {
    const int x0 = m->box.x0 / 2, x1 = m->box.x1 / 2, start = m->start[hy], end = m->end[hy];
    if (start > x0) memset(row + x0, 0, (size_t)(start - x0) * 4);
    if (end < x1) memset(row + end, 0, (size_t)(x1 - end) * 4);
}

static int has_row(const member_t *m, int hy) { return 2 * hy >= m->box.y0 && 2 * hy < m->box.y1; }

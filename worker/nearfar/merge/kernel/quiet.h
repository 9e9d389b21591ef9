/* Quiet colours inside render.c: the finest detail that the colours have not in common is let in only as far as it stands
   above the noise that is left after averaging. Specification: twin_quiet.py. */
#define PIECE 32                  /* half-size columns within which energies are smoothed: of these tiles are made up */
#define DARK (.02f * NF_UNIT)     /* luma below which all colours count alike */
#define LEFT 1.586f               /* noise in the finest band of what does not follow the common detail, by that of a channel */
#define DOUBT 1.f                 /* times that noise which is taken away */

/* A row of green's own detail: two rows of a plane at half the height fill what luma and blurred have free. */
static float *green_row(const window_t *w, int y) {
    float *plane = (y & 1 ? w->blurred : w->luma) + 2 * (int64_t)w->half_width * w->half_height;
    return plane + (int64_t)(y >> 1) * w->width;
}

/* Along a row: what each colour has of the finest detail beside the common one, given means; the sum of its squares. */
static void own_detail(const float *restrict red, const float *restrict green, const float *restrict blue,
    float (*restrict mean)[NF_WIDEST],
                       float *restrict o, float *restrict p, float *restrict q, float *restrict square, int n) {
    const float *restrict mr = mean[0], *restrict mg = mean[1], *restrict mb = mean[2];
    for (int x = 0; x < n; x++) {
        const float low = .299f * mr[x] + .587f * mg[x] + .114f * mb[x], more = nf_maxf(low, DARK) - low;
        const float a = mr[x] + more, b = mg[x] + more, c = mb[x] + more, r = red[x] - mr[x], g = green[x] - mg[x], v = blue[x] - mb[x];
        const float common = (a * r + b * g + c * v) / (a * a + b * b + c * c), s = r - a * common, t = g - b * common, u = v - c * common;
        o[x] = s;
        p[x] = t;
        q[x] = u;
        square[x] = s * s + t * t + u * u;
    }
}

/* Finest detail of the colours that does not follow their common one, rows y0 - 2 to y1 + 1, into total, green_row and
   fine_total; the mean of its squares at half size into the second half plane of blurred. */
static void colour_detail(window_t *w, int y0, int y1) {
    nf_warp_work *k = w->warp;
    const int from = HALO_X, n = w->width - 2 * from;
    float *energy = w->blurred + (int64_t)w->half_width * w->half_height, squares[2][NF_WIDEST];
    for (int y = y0 - 4; y < y1 + 4; y++) {
        const int64_t row = (int64_t)y * w->width + from, past = row - 2 * w->width;
        for (int c = 0; c < 3; c++) nf_b5_across(w->sum[c] + row, k->ring[y & 7][c], n);
        if (y < y0) continue;
        for (int c = 0; c < 3; c++)
            nf_b5_down(k->ring[(y - 4) & 7][c], k->ring[(y - 3) & 7][c], k->ring[(y - 2) & 7][c], k->ring[(y - 1) & 7][c],
                k->ring[y & 7][c], k->row[c], n);
        own_detail(w->sum[0] + past, w->sum[1] + past, w->sum[2] + past, k->row, w->total + past, green_row(w, y - 2) + from,
                   w->fine_total + past, squares[y & 1], n);
        if (!(y & 1)) continue;
        float *restrict e = energy + (int64_t)((y - 2) >> 1) * w->half_width + from / 2;
        const float *restrict above = squares[0], *restrict own = squares[1];
        for (int x = 0; x < n / 2; x++) e[x] = .25f * ((above[2 * x] + above[2 * x + 1]) + (own[2 * x] + own[2 * x + 1]));
    }
}

/* 1 4 6 4 1 over 16 along a piece, its edge repeated. */
static void across_piece(float *restrict pad, float *restrict o) {
    pad[0] = pad[1] = pad[2];
    pad[PIECE + 2] = pad[PIECE + 3] = pad[PIECE + 1];
    nf_b5_across(pad + 2, o, PIECE);
}

static void smooth_piece(const float *restrict e, int stride, float *restrict o) {
    float a[PIECE + 4], b[PIECE + 4];
    for (int x = 0; x < PIECE; x++) a[x + 2] = .7f * e[x] + .15f * (e[x - stride] + e[x + stride]);
    across_piece(a, b + 2);
    across_piece(b, o);
}

static void take_away(const float *restrict share, const float *restrict own, float *restrict o, int n) {
    for (int x = 0; x < n; x++) o[x] -= share[x] * own[x];
}

/* Takes the noise of colours away in rows y0 to y1 - 1 of the tile. */
static void quiet_colours(window_t *w, int y0, int y1) {
    const int64_t half = (int64_t)w->half_width * w->half_height;
    const float *energy = w->blurred + half, *squares = w->luma + half;
    const float unit = DOUBT * LEFT * w->stack->channel * NF_UNIT * NF_UNIT;
    const int tile = w->width - 2 * HALO_X;
    float found[NF_WIDEST / 2], share[NF_WIDEST];
    colour_detail(w, y0, y1);
    for (int h = y0 / 2; h < y1 / 2; h++) {
        const int64_t inner = (int64_t)h * w->half_width + HALO_X / 2;
        for (int x = 0; x < tile / 2; x += PIECE) smooth_piece(energy + inner + x, w->half_width, found + x);
        const float *restrict noise = w->noise + inner, *restrict sum = w->half_a + inner;
        const float *restrict square = squares + inner;
        for (int x = 0; x < tile / 2; x++) {
            const float left = (FEW + square[x]) / (FEW + sum[x] * sum[x]);
            share[2 * x] = share[2 * x + 1] = nf_minf(unit * noise[x] * left / nf_maxf(found[x], 1e-6f), 1);
        }
        for (int y = 2 * h; y < 2 * h + 2; y++) {
            const int64_t row = (int64_t)y * w->width + HALO_X;
            take_away(share, w->total + row, w->sum[0] + row, tile);
            take_away(share, green_row(w, y) + HALO_X, w->sum[1] + row, tile);
            take_away(share, w->fine_total + row, w->sum[2] + row, tile);
        }
    }
}

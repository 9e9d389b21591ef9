/* Quiet colours inside render.c: the finest detail of colour, but for what luma's own makes of it, is let in only as far as it
   stands above the noise that is left after averaging. Specification: twin_quiet.py. */
#define PIECE 32                  /* half-size columns within which energies are smoothed: of these tiles are made up */
#define DARK (.02f * NF_UNIT)     /* luma below which colours follow luma less */
#define LEFT 1.64f                /* noise of red and blue against luma in the finest band, by that of a channel */
#define DOUBT .8f                 /* times that noise which is taken away */

/* Finest detail of red and of blue that does not follow luma, rows y0 - 2 to y1 + 1, into total and fine_total; the mean of
   its squares at half size into the second half plane of blurred. */
static void colour_detail(window_t *w, int y0, int y1) {
    nf_warp_work *k = w->warp;
    const int from = HALO_X, n = w->width - 2 * from;
    float *energy = w->blurred + (int64_t)w->half_width * w->half_height;
    for (int y = y0 - 4; y < y1 + 4; y++) {
        const int64_t row = (int64_t)y * w->width + from, past = row - 2 * w->width;
        const float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
        float *restrict l = k->luma[y & 7] + 8;
        for (int x = -2; x < n + 2; x++) l[x] = .299f * r[x] + .587f * g[x] + .114f * b[x];
        nf_b5_across(r, k->ring[y & 7][0], n);
        nf_b5_across(l, k->ring[y & 7][1], n);
        nf_b5_across(b, k->ring[y & 7][2], n);
        if (y < y0) continue;
        for (int c = 0; c < 3; c++)
            nf_b5_down(k->ring[(y - 4) & 7][c], k->ring[(y - 3) & 7][c], k->ring[(y - 2) & 7][c], k->ring[(y - 1) & 7][c], k->ring[y & 7][c], k->row[c], n);
        const float *restrict red = w->sum[0] + past, *restrict blue = w->sum[2] + past, *restrict luma = k->luma[(y - 2) & 7] + 8;
        const float *restrict mr = k->row[0], *restrict ml = k->row[1], *restrict mb = k->row[2];
        float *restrict o = w->total + past, *restrict q = w->fine_total + past;
        for (int x = 0; x < n; x++) {
            const float d = luma[x] - ml[x], f = d / nf_maxf(ml[x], DARK);
            o[x] = (red[x] - mr[x]) - d - (mr[x] - ml[x]) * f;
            q[x] = (blue[x] - mb[x]) - d - (mb[x] - ml[x]) * f;
        }
        if (!(y & 1)) continue;
        float *restrict e = energy + (int64_t)((y - 2) >> 1) * w->half_width + from / 2;
        const float *restrict p = o - w->width, *restrict s = q - w->width;
        for (int x = 0; x < n / 2; x++) {
            const float u = p[2 * x] * p[2 * x] + s[2 * x] * s[2 * x], v = p[2 * x + 1] * p[2 * x + 1] + s[2 * x + 1] * s[2 * x + 1];
            const float t = o[2 * x] * o[2 * x] + q[2 * x] * q[2 * x], z = o[2 * x + 1] * o[2 * x + 1] + q[2 * x + 1] * q[2 * x + 1];
            e[x] = .25f * ((u + v) + (t + z));
        }
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

/* Takes the noise of colours away in rows y0 to y1 - 1 of the tile; luma stays. */
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
            float *restrict red = w->sum[0] + row, *restrict green = w->sum[1] + row, *restrict blue = w->sum[2] + row;
            const float *restrict o = w->total + row, *restrict q = w->fine_total + row;
            for (int x = 0; x < tile; x++) {
                const float r = share[x] * o[x], s = share[x] * q[x];
                red[x] -= r;
                blue[x] -= s;
                green[x] += (.299f * r + .114f * s) * (1 / .587f);
            }
        }
    }
}

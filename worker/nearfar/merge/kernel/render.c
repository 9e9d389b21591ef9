/* One tile of the picture from the few frames that are admitted there. Specification: twin_render.py.

   Everything about scores and weights happens at half size; colours are merged once at full size and only luma's
   finest band is chosen apart; then frames that agree with the result within noise are averaged in. What a pixel
   becomes depends on at most HALO pixels around it, and on absolute coordinates only: tiles of any size, made in
   any order by any number of threads, have the same bits. */
#define _DEFAULT_SOURCE
#include <sys/mman.h>
#include <unistd.h>
#include "warp.h"
#include "spots.h"

#define HALO_X 32                 /* multiple of 16 */
#define HALO_Y 22                 /* even; the reach of all filters together */
#define MOST 4096                 /* frames in one window */
#define FIRST 4                   /* half-size rows and columns at the window's edge where scores are not complete */
#define MARGIN 16                 /* pixels around the admitted cells in which a frame is carried along */
#define PART 3                    /* frames that were not let in part two surfaces as well as a valley does */
#define FAINT .05f                /* relative energy below which nothing is a surface */
#define VALLEY .4f                /* a valley is this share of the peak before it */
#define CLEAR 8.f                 /* times the noise from which energy is believed */
#define RAMP 4.f                  /* pixels over which a frame fades towards its own border */
#define LEAST 1e-4f               /* score of any admitted frame: where nothing is to be seen, some frame must be taken */

#include "window.h"
#include "half_rows.h"
#include "score.h"
#include "choose.h"

/* One full-size row of weights from the half row it lies in (3/4) and the nearer neighbour (1/4). */
static void upsample(const float *restrict near, const float *restrict other, float *restrict t, float *restrict o, int n) {
    for (int i = 0; i < n; i++) t[i + 1] = .75f * near[i] + .25f * other[i];
    t[0] = t[1];
    t[n + 1] = t[n];
    for (int i = 0; i < n; i++) {
        o[2 * i] = .75f * t[i + 1] + .25f * t[i];
        o[2 * i + 1] = .75f * t[i + 1] + .25f * t[i + 2];
    }
}

static void add_colours(const int16_t *restrict r, const int16_t *restrict g, const int16_t *restrict b, const float *restrict w,
                        float *restrict o0, float *restrict o1, float *restrict o2, float *restrict total, int n) {
    for (int i = 0; i < n; i++) {
        float v = w[i];
        o0[i] += v * (float)r[i];
        o1[i] += v * (float)g[i];
        o2[i] += v * (float)b[i];
        total[i] += v;
    }
}

static void add_fine(const float *restrict l, const float *restrict w, float *restrict o, float *restrict total, int n) {
    for (int i = 0; i < n; i++) {
        o[i] += w[i] * l[i];
        total[i] += w[i];
    }
}

/* Neighbouring half rows of full row y inside the rows lo..hi-1 of a member, and the span of both. */
static int row_span(const member_t *m, int y, int lo, int hi, int *near, int *other, int *x0, int *x1) {
    *near = y >> 1;
    if (*near < lo || *near >= hi) return 0;
    *other = y & 1 ? *near + 1 : *near - 1;
    if (*other < lo || *other >= hi) *other = *near;
    int from = m->from[*near], to = m->to[*near];
    if (m->from[*other] < m->to[*other]) {
        from = from < to ? (m->from[*other] < from ? m->from[*other] : from) : m->from[*other];
        to = m->to[*other] > to ? m->to[*other] : to;
    }
    if (from >= to) return 0;
    *x0 = from - 8 < m->box.x0 / 2 ? m->box.x0 / 2 : from - 8;
    *x1 = to + 8 > m->box.x1 / 2 ? m->box.x1 / 2 : to + 8;
    return 1;
}

static void merge_row(window_t *w, int y, int first, int last) {
    const int64_t plane = (int64_t)w->width * w->height, row = (int64_t)y * w->width;
    float t[NF_WIDEST / 2 + 2], up[NF_WIDEST];
    for (int c = 0; c < 3; c++) memset(w->sum[c] + row, 0, (size_t)w->width * 4);
    memset(w->total + row, 0, (size_t)w->width * 4);
    memset(w->fine + row, 0, (size_t)w->width * 4);
    memset(w->fine_total + row, 0, (size_t)w->width * 4);
    for (int i = 0; i < w->count; i++) {
        member_t *m = w->members + i;
        int lo = m->box.y0 / 2 > first ? m->box.y0 / 2 : first, hi = m->box.y1 / 2 < last ? m->box.y1 / 2 : last, near, other, x0, x1;
        if (!row_span(m, y, lo, hi, &near, &other, &x0, &x1)) continue;
        const int64_t a = (int64_t)near * w->half_width + x0, b = (int64_t)other * w->half_width + x0, at = row + 2 * x0;
        const int16_t *p = m->planes.colour + at;
        int n = 2 * (x1 - x0);
        upsample(m->weight + a, m->weight + b, t, up, x1 - x0);
        add_colours(p, p + plane, p + 2 * plane, up, w->sum[0] + at, w->sum[1] + at, w->sum[2] + at, w->total + at, n);
        upsample(m->detail + a, m->detail + b, t, up, x1 - x0);
        add_fine(m->planes.fine + at, up, w->fine + at, w->fine_total + at, n);
    }
    float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row, *restrict l = w->luma + row;
    const float *restrict total = w->total + row;
    for (int x = 0; x < w->width; x++) {
        float v = 1 / nf_maxf(total[x], 1e-20f);
        r[x] *= v;
        g[x] *= v;
        b[x] *= v;
        l[x] = .299f * r[x] + .587f * g[x] + .114f * b[x];
    }
}

/* The merged luma's own finest band makes way for the one that was chosen apart, which stays in `fine`. */
static void replace_fine(window_t *w, int y0, int y1, int gains) {
    const int64_t at = (int64_t)y0 * w->width;
    blur_plane(w->luma + at, w->blurred + at, w->width, w->width, y1 - y0, w->warp->across);
    for (int y = y0; y < y1; y++) {
        const int64_t row = (int64_t)y * w->width;
        float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
        const float *restrict l = w->luma + row, *restrict s = w->blurred + row, *restrict t = w->fine_total + row;
        float *restrict f = w->fine + row, u[NF_WIDEST / 2 + 2], gain[NF_WIDEST];
        if (gains) {
            const int64_t near = (int64_t)(y >> 1) * w->half_width;
            const int64_t other = (int64_t)(y & 1 ? (y >> 1) + 1 : (y >> 1) - 1) * w->half_width;
            upsample(w->gain + near, w->gain + other, u, gain, w->half_width);
        }
        for (int x = 0; x < w->width; x++) {
            float v = f[x] / nf_maxf(t[x], 1e-30f);
            f[x] = gains ? v * gain[x] : v;
            v = f[x] * NF_UNIT - (l[x] - s[x]);
            r[x] += v;
            g[x] += v;
            b[x] += v;
        }
    }
}

#include "second.h"
#include "average.h"
#include "quiet.h"

static uint16_t level16(float v) { return (uint16_t)(int)nf_minf(nf_maxf(v * (65535.f / NF_UNIT) + .5f, 0), 65535.f); }

/* Which frame the picture came from, place by place, in 256ths of a frame from 1 on (larger parts where there are more
   frames than 16 bits hold so: merge/deliver/map_scale.py), and each member's share. */
static void write_map(const window_t *w, int tile, int x0, int y0, uint16_t *map, int64_t stride, double *share) {
    const nf_stack *s = w->stack;
    float index[NF_WIDEST / 2], total[NF_WIDEST / 2];
    const float step = (float)(s->frames <= 255 ? 256 : 65535 / (s->frames + 1) > 1 ? 65535 / (s->frames + 1) : 1);
    int rows = (s->height + 1) / 2 - y0 / 2 < tile / 2 ? (s->height + 1) / 2 - y0 / 2 : tile / 2;
    int cols = (s->width + 1) / 2 - x0 / 2 < tile / 2 ? (s->width + 1) / 2 - x0 / 2 : tile / 2;
    for (int y = 0; y < rows; y++) {
        const int hy = y + w->halo_y / 2;
        const int64_t row = (int64_t)hy * w->half_width + HALO_X / 2;
        memset(index, 0, sizeof index);
        memset(total, 0, sizeof total);
        for (int pass = 0; pass < 2; pass++)
            for (int i = 0; i < w->count; i++) {
                const member_t *m = w->members + i;
                if (!has_row(m, hy)) continue;
                int a = nf_clampi(m->box.x0 / 2 - HALO_X / 2, 0, cols), b = nf_clampi(m->box.x1 / 2 - HALO_X / 2, 0, cols);
                double sum = 0;
                for (int x = a; x < b; x++) {
                    if (!pass) { index[x] += m->weight[row + x] * (float)m->index; total[x] += m->weight[row + x]; }
                    else sum += m->weight[row + x] / nf_maxf(total[x], 1e-20f);
                }
                if (pass) share[m->index] += sum;
            }
        for (int x = 0; x < cols; x++)
            map[y * stride + x] = (uint16_t)(total[x] > 0 ? (int)nf_minf(step + step * index[x] / total[x] + .5f, 65535.f) : 0);
    }
}

static void write_tile(const window_t *w, int tile, int x0, int y0, uint16_t *out, int64_t stride) {
    const nf_stack *s = w->stack;
    int rows = s->height - y0 < tile ? s->height - y0 : tile, cols = s->width - x0 < tile ? s->width - x0 : tile;
    for (int y = 0; y < rows; y++) {
        const int64_t row = (int64_t)(y + w->halo_y) * w->width + HALO_X;
        uint16_t *restrict q = out + y * stride;
        const float *restrict r = w->sum[0] + row, *restrict g = w->sum[1] + row, *restrict b = w->sum[2] + row;
        float more[NF_WIDEST];
        given_back(w, y + w->halo_y, cols, more);
        for (int x = 0; x < cols; x++) {
            q[3 * x] = level16(r[x] + more[x]);
            q[3 * x + 1] = level16(g[x] + more[x]);
            q[3 * x + 2] = level16(b[x] + more[x]);
        }
    }
}

/* Gives back the pages of the frame's rows that a window has read. One byte that is touched maps up to half a megabyte:
   in a tile of a hundred frames these pages would outweigh everything else. Only ever done to shared maps of files. */
static void give_pages_back(const nf_pixels *f, const double *pose, int far, const window_t *w, nf_box box) {
    const double x0 = w->left + box.x0, x1 = w->left + box.x1, y0 = w->top + box.y0, y1 = w->top + box.y1;
    const double v[4] = {pose[3] * x0 + pose[4] * y0, pose[3] * x1 + pose[4] * y0,
                         pose[3] * x0 + pose[4] * y1, pose[3] * x1 + pose[4] * y1};
    const double low = fmin(fmin(v[0], v[1]), fmin(v[2], v[3])) + pose[5], high = fmax(fmax(v[0], v[1]), fmax(v[2], v[3])) + pose[5];
    const int edge = NF_BLOCK;
    int first = nf_clampi((int)low - 8 - far, 0, f->height - 1), last = nf_clampi((int)high + 8 + far, 0, f->height - 1);
    if (f->blocks) { first -= first % edge; last += edge - last % edge; }
    const int64_t bytes = f->bits / 8, step = f->blocks ? f->row / edge : f->row;
    const uintptr_t page = (uintptr_t)sysconf(_SC_PAGESIZE), start = (uintptr_t)f->base;
    const uintptr_t from = (start + (uintptr_t)(first * step * bytes)) & ~(page - 1);
    const uintptr_t to = (start + (uintptr_t)(last * step * bytes)) & ~(page - 1);
    if (to > from) madvise((void *)from, to - from, MADV_DONTNEED);
}

/* Bytes of work memory for a tile with so many frames, with or without the learned chooser. */
int64_t nf_render_bytes(int tile, int frames, int net) {
    window_t w = {0};
    w.halo_y = net ? NET_HALO_Y : HALO_Y;
    w.width = tile + 2 * HALO_X;
    w.height = tile + 2 * w.halo_y;
    w.half_width = w.width / 2;
    w.half_height = w.height / 2;
    w.count = frames;
    return lay_out(&w, 0) + (int64_t)MOST * (int64_t)sizeof(member_t) + 128;
}

/* Renders the tile whose top left pixel is (x0, y0), multiples of `tile` (64, 128 or 256).
   out: interleaved RGB, 65535 for 1.0, `stride` samples a row. map: half size, see write_map. share: per frame, added to.
   Returns the number of frames that took part, or minus that number if `bytes` of work memory are too few. */
int nf_render_tile(const nf_stack *stack, int tile, int x0, int y0, uint16_t *out, int64_t stride, uint16_t *map, int64_t map_stride,
                   double *share, void *work, int64_t bytes) {
    window_t w = {0};
    w.stack = stack;
    w.halo_y = stack->net ? NET_HALO_Y : HALO_Y;
    w.left = x0 - HALO_X;
    w.top = y0 - w.halo_y;
    w.width = tile + 2 * HALO_X;
    w.height = tile + 2 * w.halo_y;
    w.half_width = w.width / 2;
    w.half_height = w.height / 2;
    w.members = work;
    char *rest = (char *)work + (((int64_t)MOST * (int64_t)sizeof(member_t) + 63) & ~(int64_t)63);
    if (choose_members(&w) == 0) return 0;
    if (nf_render_bytes(tile, w.count, stack->net != 0) > bytes) return -w.count;
    lay_out(&w, rest);
    for (int i = 0; i < w.count; i++) {
        member_t *m = w.members + i;
        const nf_pixels *frame = stack->pixels + m->index;
        const double *pose = stack->poses + 6 * m->index;
        const nf_bend *bend = bend_of(stack, m->index);
        const int less = member_rows(&w, m);
        const nf_rows rows = {m->start, m->end};
        nf_warp_window(frame, pose, bend, w.left, w.top, w.width, w.height, m->box, less ? &rows : 0, m->planes, w.warp);
        if (stack->mapped) give_pages_back(frame, pose, bend ? (int)bend->largest + 1 : 0, &w, m->box);
    }
    const int first = stack->net ? NET_FIRST : FIRST, last = w.half_height - first;
    const int y_first = 2 * first + 2, y_last = w.height - 2 * first - 2;
    second_band(&w);
    noise_rows(&w);
    const int from = stack->net ? NET_SEEN : FIRST;
    for (int i = 0; stack->net && i < 3; i++) memset(w.seen[i], 0, (size_t)w.half_width * w.half_height * 4);
    for (int y = from; y < w.half_height - from; y++) score_row(&w, y);
    weigh(&w, first, last);
    const int gains = stack->net ? net_weigh(&w, first, last) : 0;
    write_map(&w, tile, x0, y0, map, map_stride, share);
    for (int y = y_first; y < y_last; y++) merge_row(&w, y, first, last);
    replace_fine(&w, y_first, y_last, gains);
    if (gains) replace_second(&w, y_first, y_last);
    average(&w, w.halo_y, w.height - w.halo_y);
    quiet_colours(&w, w.halo_y, w.height - w.halo_y);
    write_tile(&w, tile, x0, y0, out, stride);
    return w.count;
}

/* (rows, cols, channels) of 16 bit to half size, mean of 2 x 2, rounded; odd edges use what is there. */
void nf_halve(const uint16_t *restrict from, int rows, int cols, int channels, int64_t stride, uint16_t *restrict to, int64_t to_stride) {
    for (int y = 0; y < (rows + 1) / 2; y++) {
        const uint16_t *a = from + 2 * y * stride, *b = from + (2 * y + 1 < rows ? 2 * y + 1 : 2 * y) * stride;
        uint16_t *o = to + y * to_stride;
        for (int x = 0; x < (cols + 1) / 2; x++) {
            int l = 2 * x * channels, r = (2 * x + 1 < cols ? 2 * x + 1 : 2 * x) * channels;
            for (int c = 0; c < channels; c++) o[x * channels + c] = (uint16_t)((a[l + c] + a[r + c] + b[l + c] + b[r + c] + 2u) >> 2);
        }
    }
}

/* What one tile works on: the stack, the frames that are admitted in it, and its work memory. Part of render.c, whose
   constants it uses. Specification: twin_render.py. */

typedef struct {
    int32_t frames, width, height, cols, rows;
    int32_t order;                /* 1: the first frame is focused nearest, -1: the last one, 0: not known */
    int32_t mapped;               /* 1 where all pixels are shared maps of files: their pages are given back after use */
    int32_t spot_count;
    const nf_pixels *pixels;
    const double *poses;          /* frames x 6 */
    const uint16_t *prior;        /* rows x frames x cols, in 8192ths */
    const uint8_t *admitted;      /* rows x frames x cols */
    const float *variance;        /* rows x cols: noise of one channel of a frame, squared */
    float channel, band0, band1;  /* what a warp leaves of that variance: in a channel, in luma's bands 0 and 1 */
    float prior_weight;           /* weight of the prior against the energies */
    float behind;                 /* least factor of a frame's score where something nearer is sharp as well */
    float agreement;              /* how far frames may differ and still be averaged, in units of noise */
    float quiet;                  /* energies count from this many times the noise on */
    float spread;                 /* variance of luma among frames from which a cell is given to the net */
    float told_flat, told_sharp;  /* shares of the noise's variance that the net is told, where no frame has detail and where one alone has */
    float clear;                  /* energies this many times the noise are halfway between */
    const float *net;             /* weights of the learned chooser, or null */
    const float *spots;           /* x, y, reach in frame pixels, sorted by y: the same places in every frame */
    const nf_bend *bends;         /* of every frame, or null where none is bent */
} nf_stack;

typedef struct {
    int index;                    /* the frame */
    nf_box box;
    nf_planes planes;
    float *band1, *weight, *detail, *admission;   /* half size */
    int16_t *from, *to;           /* per half row: where weights are above zero */
    int16_t *start, *end;         /* and where the frame can matter at all, as in nf_rows: 0 there is what lies beside in the box */
    float *mask, *prior, *second; /* half size, for the net: see choose.h; weight of luma's second band */
} member_t;

typedef struct {
    const nf_stack *stack;
    int left, top, width, height, half_width, half_height, count;
    member_t *members;
    float *best, *noise, *sum[3], *total, *fine, *fine_total, *luma, *blurred, *half_a, *half_b;
    nf_warp_work *warp;
    int halo_y;
    float *gain, *second_gain;    /* half size, for the net: of luma's two finest bands; the second is 0 where the net has no say */
    float *seen[3];               /* and sums of weights, of luma and of its square */
    struct net_work *net;
} window_t;

static int64_t net_bytes(int frames);

static inline const nf_bend *bend_of(const nf_stack *s, int k) { return s->bends && s->bends[k].largest > 0 ? s->bends + k : 0; }

/* ---- memory: one block, cut up by a bump pointer; a first pass with base 0 only counts ---- */

static void *take(char **at, int64_t bytes) {
    void *p = *at;
    *at += (bytes + 127) & ~(int64_t)63;
    return p;
}

static int64_t lay_out(window_t *w, char *base) {
    char *at = base;
    const int64_t full = (int64_t)w->width * w->height, half = (int64_t)w->half_width * w->half_height;
    w->warp = take(&at, sizeof(nf_warp_work));
    float **planes[] = {&w->best, &w->noise, &w->half_a, &w->half_b};
    for (int i = 0; i < 4; i++) *planes[i] = take(&at, half * 4);
    float **fulls[] = {&w->sum[0], &w->sum[1], &w->sum[2], &w->total, &w->fine, &w->fine_total, &w->luma, &w->blurred};
    for (int i = 0; i < 8; i++) *fulls[i] = take(&at, full * 4);
    const int net = w->halo_y != HALO_Y;
    if (net) {
        w->gain = take(&at, half * 4);
        w->second_gain = take(&at, half * 4);
        for (int i = 0; i < 3; i++) w->seen[i] = take(&at, half * 4);
        w->net = take(&at, net_bytes(w->count));
    }
    for (int i = 0; i < w->count; i++) {
        member_t m = {0};
        m.planes.colour = take(&at, full * 6);
        m.planes.fine = take(&at, full * 4);
        m.planes.square = take(&at, half * 4);
        m.planes.half_luma = take(&at, half * 4);
        m.band1 = take(&at, half * 4);
        m.weight = take(&at, half * 4);
        m.detail = take(&at, half * 4);
        m.admission = take(&at, half * 4);
        m.from = take(&at, w->half_height * 2);
        m.to = take(&at, w->half_height * 2);
        m.start = take(&at, w->half_height * 2);
        m.end = take(&at, w->half_height * 2);
        if (net) {
            m.mask = take(&at, half * 4);
            m.prior = take(&at, half * 4);
            m.second = take(&at, half * 4);
        }
        if (base) {
            m.index = w->members[i].index;
            m.box = w->members[i].box;
            w->members[i] = m;
        }
    }
    return at - base;
}

/* ---- which frames, and where in the window ---- */

static int floor_div(int a, int b) { return a >= 0 ? a / b : -((-a + b - 1) / b); }

static int admitted_box(const nf_stack *s, int k, int c0, int r0, int c1, int r1, nf_box *cells) {
    nf_box b = {1 << 30, 1 << 30, -1, -1};
    for (int r = r0; r < r1; r++) {
        const uint8_t *row = s->admitted + ((int64_t)r * s->frames + k) * s->cols;
        for (int c = c0; c < c1; c++)
            if (row[c]) {
                if (c < b.x0) b.x0 = c;
                if (c > b.x1) b.x1 = c;
                if (r < b.y0) b.y0 = r;
                b.y1 = r;
            }
    }
    *cells = b;
    return b.x1 >= 0;
}

/* Pixels of the window in which an admitted frame can matter; at the picture's edge the cells go on outside. */
static nf_box member_box(const nf_stack *s, const window_t *w, nf_box cells) {
    const int far = 1 << 28;
    int x0 = cells.x0 == 0 ? -far : cells.x0 * 16 - MARGIN, x1 = cells.x1 == s->cols - 1 ? far : cells.x1 * 16 + 16 + MARGIN;
    int y0 = cells.y0 == 0 ? -far : cells.y0 * 16 - MARGIN, y1 = cells.y1 == s->rows - 1 ? far : cells.y1 * 16 + 16 + MARGIN;
    nf_box b;
    b.x0 = nf_clampi(x0 - w->left, 0, w->width) & ~15;
    b.x1 = (nf_clampi(x1 - w->left, 0, w->width) + 15) & ~15;
    b.y0 = nf_clampi(y0 - w->top, 0, w->height) & ~1;
    b.y1 = (nf_clampi(y1 - w->top, 0, w->height) + 1) & ~1;
    return b;
}

/* Columns of cells, first and one after the last, in which an admitted frame can matter in the window. */
static void window_columns(const nf_stack *s, const window_t *w, int *first, int *end) {
    *first = nf_clampi(floor_div(w->left, 16) - 1, 0, s->cols - 1);
    *end = nf_clampi(floor_div(w->left + w->width - 1, 16) + 2, 1, s->cols);
}

static int choose_members(window_t *w) {
    const nf_stack *s = w->stack;
    int c0, c1;
    window_columns(s, w, &c0, &c1);
    int r0 = nf_clampi(floor_div(w->top, 16) - 1, 0, s->rows - 1), r1 = nf_clampi(floor_div(w->top + w->height - 1, 16) + 2, 1, s->rows);
    w->count = 0;
    for (int k = 0; k < s->frames && w->count < MOST; k++) {
        nf_box cells;
        if (!admitted_box(s, k, c0, r0, c1, r1, &cells)) continue;
        nf_box b = member_box(s, w, cells);
        if (b.x0 >= b.x1 || b.y0 >= b.y1) continue;
        w->members[w->count].index = k;
        w->members[w->count++].box = b;
    }
    return w->count;
}

/* Where a member can matter along the half rows of its box: in the admitted cells of a row of cells and of those beside.
   Returns whether that is less than the box. */
static int member_rows(const window_t *w, member_t *m) {
    const nf_stack *s = w->stack;
    int c0, c1, before = -1, less = 0;
    nf_box b = {0, 0, 0, 0}, cells;
    window_columns(s, w, &c0, &c1);
    for (int y = m->box.y0 / 2; y < m->box.y1 / 2; y++) {
        const int row = nf_clampi(floor_div(floor_div(w->top, 2) + y, 8), 0, s->rows - 1);
        if (row != before) {
            const int any = admitted_box(s, m->index, c0, row ? row - 1 : 0, c1, row + 2 < s->rows ? row + 2 : s->rows, &cells);
            b = any ? member_box(s, w, cells) : (nf_box){m->box.x0, 0, m->box.x0, 0};
        }
        before = row;
        m->start[y] = (int16_t)(b.x0 / 2);
        m->end[y] = (int16_t)(b.x1 / 2);
        less |= b.x0 > m->box.x0 || b.x1 < m->box.x1;
    }
    return less;
}

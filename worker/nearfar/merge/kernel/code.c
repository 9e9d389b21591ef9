/* A tile of the result as zlib data (RFC 1950, 1951) with differences along its rows: Huffman codes alone, no repeats are looked
   for. Noise has none, and a search for them takes five times as long as all of this. Specification: twin_code.py. */
#include "nearfar.h"

#define PART 32                   /* rows that share a code */
#define LITERALS 256
#define SYMBOLS (LITERALS + 1)    /* and the end of a part */
#define LONGEST 14                /* bits of a code: four of them and seven bits that wait go into 64 */
#define ADLER 65521u
#define RUN 2048                  /* bytes whose weighted sum stays below 2^32 */

typedef struct {
    uint64_t bits;                /* that wait, the first the lowest */
    int count;
    uint8_t *to;
} bits_t;

static inline void put(bits_t *o, uint32_t v, int count) {
    o->bits |= (uint64_t)v << o->count;
    o->count += count;
}

/* Whole bytes go out; eight are written, those beyond `to` are written again. */
static inline void flush(bits_t *o) {
    for (int i = 0; i < 8; i++) o->to[i] = (uint8_t)(o->bits >> 8 * i);
    o->to += o->count >> 3;
    o->bits >>= o->count & ~7;
    o->count &= 7;
}

/* Low byte first, the difference of each sample from the same colour one pixel before; the first pixel as it is. */
static void differences(const uint16_t *restrict from, uint8_t *restrict to, int n, int channels) {
    for (int i = 0; i < n; i++) {
        const uint16_t v = (uint16_t)(from[i] - (i < channels ? 0 : from[i - channels]));
        to[2 * i] = (uint8_t)v;
        to[2 * i + 1] = (uint8_t)(v >> 8);
    }
}

static uint32_t adler(uint32_t sum, const uint8_t *restrict from, int64_t n) {
    uint32_t a = sum & 0xffff, b = sum >> 16;
    for (int64_t at = 0; at < n; at += RUN) {
        const uint8_t *restrict p = from + at;
        const int count = n - at < RUN ? (int)(n - at) : RUN;
        uint32_t plain = 0, weighted = 0;
        for (int i = 0; i < count; i++) {
            plain += p[i];
            weighted += p[i] * (uint32_t)(count - i);
        }
        b = (b + a * (uint32_t)count % ADLER + weighted % ADLER) % ADLER;
        a = (a + plain) % ADLER;
    }
    return b << 16 | a;
}

/* How often each byte occurs: in four tables in turns, since runs of one byte would wait for each other. */
static void histogram(const uint8_t *from, int64_t n, uint32_t *counts) {
    uint32_t each[4][LITERALS] = {{0}};
    for (int64_t i = 0; i < n; i++) each[i & 3][from[i]]++;
    for (int s = 0; s < LITERALS; s++) counts[s] = each[0][s] + each[1][s] + each[2][s] + each[3][s];
    counts[LITERALS] = 1;
}

static int rarer(const void *a, const void *b) {
    const uint32_t u = *(const uint32_t *)a, v = *(const uint32_t *)b;
    return (u > v) - (u < v);
}

/* Depths of Huffman's tree over the symbols that occur; of equally rare ones, symbols go before nodes, and lower symbols before
   higher ones. Returns the largest. */
static int depths(const uint32_t *counts, uint8_t *lengths) {
    uint32_t sorted[SYMBOLS], weight[SYMBOLS];
    int16_t above[2 * SYMBOLS], depth[2 * SYMBOLS];
    int n = 0, leaf = 0, node = 0, most = 0;
    for (uint32_t s = 0; s < SYMBOLS; s++)
        if (counts[s]) sorted[n++] = counts[s] << 9 | s;
    qsort(sorted, (size_t)n, sizeof *sorted, rarer);
    for (int made = 0; made < n - 1; made++) {
        uint32_t sum = 0;
        for (int k = 0; k < 2; k++) {
            const int take_leaf = leaf < n && (node == made || sorted[leaf] >> 9 <= weight[node]);
            sum += take_leaf ? sorted[leaf] >> 9 : weight[node];
            above[take_leaf ? leaf++ : n + node++] = (int16_t)(n + made);
        }
        weight[made] = sum;
    }
    depth[2 * n - 2] = 0;
    for (int i = 2 * n - 3; i >= 0; i--) depth[i] = (int16_t)(depth[above[i]] + 1);
    memset(lengths, 0, SYMBOLS);
    for (int i = 0; i < n; i++) {
        lengths[sorted[i] & 511] = (uint8_t)depth[i];
        most = depth[i] > most ? depth[i] : most;
    }
    return most;
}

static uint32_t reversed(uint32_t v, int count) {
    uint32_t o = 0;
    for (int i = 0; i < count; i++) o |= (v >> i & 1) << (count - 1 - i);
    return o;
}

/* Codes by their lengths (RFC 1951, 3.2.2), the first bit the lowest, with their lengths from bit 16 on. */
static void make_codes(uint32_t *counts, uint8_t *lengths, uint32_t *codes) {
    uint32_t next[LONGEST + 2] = {0}, of[LONGEST + 1] = {0};
    while (depths(counts, lengths) > LONGEST)
        for (int s = 0; s < SYMBOLS; s++) counts[s] = (counts[s] + 1) / 2;
    for (int s = 0; s < SYMBOLS; s++) of[lengths[s]]++;
    of[0] = 0;
    for (int l = 1; l <= LONGEST; l++) next[l + 1] = (next[l] + of[l]) << 1;
    for (int s = 0; s < SYMBOLS; s++)
        codes[s] = lengths[s] ? reversed(next[lengths[s]]++, lengths[s]) | (uint32_t)lengths[s] << 16 : 0;
}

/* The head of a part: lengths of 0 to 15 have codes of four bits each, so that they stand as they are. Two distances are
   told of, since some readers want a whole code, and none is used. */
static void put_head(bits_t *o, const uint8_t *lengths, int last) {
    put(o, (uint32_t)last | 2 << 1 | 0 << 3 | 1 << 8 | 15u << 13, 17);
    flush(o);
    for (int i = 0; i < 19; i++) {
        put(o, i < 3 ? 0 : 4, 3);
        flush(o);
    }
    for (int s = 0; s < SYMBOLS + 2; s++) {
        put(o, reversed(s < SYMBOLS ? lengths[s] : 1, 4), 4);
        flush(o);
    }
}

static inline void put_symbol(bits_t *o, uint32_t code) { put(o, code & 0xffff, (int)(code >> 16)); }

static void put_bytes(bits_t *o, const uint8_t *from, int64_t n, const uint32_t *codes) {
    bits_t own = *o;
    int64_t i = 0;
    for (; i + 4 <= n; i += 4) {
        for (int k = 0; k < 4; k++) put_symbol(&own, codes[from[i + k]]);
        flush(&own);
    }
    for (; i < n; i++) {
        put_symbol(&own, codes[from[i]]);
        flush(&own);
    }
    put_symbol(&own, codes[LITERALS]);
    flush(&own);
    *o = own;
}

/* Bytes of `room` for a tile, and of `work`. No code is longer than nine bits a byte on the whole, by far. */
int64_t nf_code_room(int rows, int cols, int channels) {
    const int64_t plain = 2 * (int64_t)rows * cols * channels;
    return plain + plain / 2 + 256 * ((int64_t)rows / PART + 1) + 64;
}
int64_t nf_code_work(int cols, int channels) { return 2 * (int64_t)PART * cols * channels; }

/* tile: (rows, cols, channels), contiguous. Returns how many bytes it takes in `room`. */
int64_t nf_code_tile(const uint16_t *tile, int rows, int cols, int channels, uint8_t *room, uint8_t *work) {
    bits_t o = {0, 0, room + 2};
    uint32_t sum = 1;
    room[0] = 0x78;               /* Deflate, window of 32 KiB */
    room[1] = 0x01;               /* the fastest kind */
    for (int y = 0; y < rows; y += PART) {
        const int n = cols * channels, count = rows - y < PART ? rows - y : PART;
        const int64_t bytes = 2 * (int64_t)n * count;
        uint32_t counts[SYMBOLS], codes[SYMBOLS];
        uint8_t lengths[SYMBOLS];
        for (int r = 0; r < count; r++) differences(tile + (int64_t)(y + r) * n, work + 2 * (int64_t)r * n, n, channels);
        sum = adler(sum, work, bytes);
        histogram(work, bytes, counts);
        make_codes(counts, lengths, codes);
        put_head(&o, lengths, y + PART >= rows);
        put_bytes(&o, work, bytes, codes);
    }
    if (o.count) o.to++;          /* what waits was written already, and zeros after it */
    for (int i = 3; i >= 0; i--) *o.to++ = (uint8_t)(sum >> 8 * i);
    return o.to - room;
}

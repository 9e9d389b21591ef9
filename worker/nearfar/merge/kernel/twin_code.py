"""A tile of the result as zlib data of Huffman codes alone, spelled out: the specification of code.c.

RFC 1950 and 1951 say what a reader makes of it.
"""

from __future__ import annotations

import struct
import zlib
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

PART = 32
"""Rows that share a code."""
END = 256
LONGEST = 14
U8 = NDArray[np.uint8]
Counts = NDArray[np.int64]


def differences(tile: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Each sample less the one of the same colour before it along the row, the first as it is (TIFF 6.0, section 14)."""
    out = tile.copy()
    out[:, 1:] -= tile[:, :-1]
    return out


def tree_depths(counts: Counts) -> Counts:
    """Depths of Huffman's tree. Of equally rare ones, symbols go before nodes, and lower symbols before higher ones."""
    leaves = sorted((int(c), s) for s, c in enumerate(counts) if c)
    nodes: list[tuple[int, list[int]]] = []
    waiting = [(count, [symbol]) for count, symbol in leaves]
    depths = np.zeros(len(counts), np.int64)
    while len(waiting) + len(nodes) > 1:
        pair = []
        for _ in range(2):
            leaf = bool(waiting) and (not nodes or waiting[0][0] <= nodes[0][0])
            pair.append((waiting if leaf else nodes).pop(0))
        below = pair[0][1] + pair[1][1]
        depths[below] += 1
        nodes.append((pair[0][0] + pair[1][0], below))
    return depths


def code_lengths(counts: Counts) -> Counts:
    """Lengths of all codes, none above `LONGEST`: as long as one is, all counts are halved."""
    while True:
        lengths = tree_depths(counts)
        if lengths.max() <= LONGEST:
            return lengths
        counts = (counts + 1) // 2


def codes_of(lengths: Counts) -> list[str]:
    """Codes as strings of bits in the order in which they are sent (RFC 1951, 3.2.2)."""
    codes, code, longest = [""] * len(lengths), 0, int(lengths.max())
    for length in range(1, longest + 1):
        for symbol in np.flatnonzero(lengths == length):
            codes[symbol] = f"{code:0{length}b}"
            code += 1
        code <<= 1
    return codes


def number(value: int, count: int) -> str:
    """A number's bits, the lowest first."""
    return f"{value:0{count}b}"[::-1]


def head(lengths: Counts, *, last: bool) -> str:
    """What precedes a part (RFC 1951, 3.2.7): each length has a code of four bits, which is its own value."""
    own = [0, 0, 0] + [4] * 16  # 16, 17 and 18, which repeat lengths, are not used
    start = number(int(last), 1) + number(2, 2) + number(0, 5) + number(1, 5) + number(15, 4)
    told = [*lengths.tolist(), 1, 1]  # and two distances, of which none is used
    return start + "".join(number(n, 3) for n in own) + "".join(f"{n:04b}" for n in told)


def encode(tile: NDArray[np.uint16]) -> bytes:
    """A tile (rows, cols, channels) as zlib data with differences along its rows."""
    plain = differences(tile).astype("<u2")
    starts = [*range(0, len(plain), PART), len(plain)]
    bits = ""
    for first, end in pairwise(starts):
        symbols = [*plain[first:end].tobytes(), END]
        counts = np.bincount(symbols, minlength=END + 1)
        lengths = code_lengths(counts)
        codes = codes_of(lengths)
        bits += head(lengths, last=end == len(plain)) + "".join(codes[s] for s in symbols)
    packed = np.packbits(np.array([int(b) for b in bits], np.uint8), bitorder="little").tobytes()
    return b"\x78\x01" + packed + struct.pack(">I", zlib.adler32(plain.tobytes()))

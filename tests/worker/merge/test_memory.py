"""What the process takes, and that the C library keeps little of what was freed."""

from __future__ import annotations

import subprocess
import sys

TOUCHED = """
import mmap
from nearfar.merge.memory import peak_resident, resident
size = 64 << 20
before = resident()
with mmap.mmap(-1, size) as held:
    mapped = resident() - before
    held.write(b"x" * size)
    touched, peak = resident() - before, peak_resident() - before
print(mapped / size, touched / size, peak / size, (resident() - before) / size, (peak_resident() - before) / size)
"""


def test_resident_memory_is_read_from_proc() -> None:
    """Against a mapping of known size, in a process of its own: pages count once touched, the peak stays."""
    done = subprocess.run([sys.executable, "-c", TOUCHED], capture_output=True, text=True, check=True)
    mapped, touched, peak, after, peak_after = map(float, done.stdout.split())
    assert mapped < 0.1
    assert touched > 0.9
    assert peak > 0.9
    assert after < 0.1
    assert peak_after > 0.9


KEPT = """
import sys
from concurrent.futures import ThreadPoolExecutor
import numpy as np
from nearfar.merge.memory import keep_heap_small, resident
if sys.argv[1] == "small":
    keep_heap_small()
def work(_):
    for size in (24 << 20, 31 << 20):  # freeing the first raises both thresholds beyond the second
        np.ones(size, np.uint8)
    held = [np.ones(400_000, np.uint8) for _ in range(60)]
    np.ones(64, np.uint8)
    return len(held)
with ThreadPoolExecutor(2) as pool:
    before = resident()
    list(pool.map(work, range(8)))
    print((resident() - before) >> 20)
"""


def kept_mib(how: str) -> int:
    """MiB that a process still takes after its threads freed arrays of 24, 31 and .4 MB."""
    done = subprocess.run([sys.executable, "-c", KEPT, how], capture_output=True, text=True, check=True)
    return int(done.stdout)


def test_little_of_what_threads_freed_is_kept() -> None:
    assert kept_mib("small") <= 16

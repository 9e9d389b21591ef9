"""Workers without work, as processes of their own: ``URL take PROCESSES COUNT`` or ``URL hold LEASE``."""

from __future__ import annotations

import os
import sys
import time

from nearfar.jobs import Rules, open_store


def take(url: str, processes: int, count: int) -> None:
    """Fork processes that begin together, claim, and print the numbers of their units, a line each."""
    wait, begin = os.pipe()
    children = []
    for k in range(processes):
        child = os.fork()
        if child == 0:
            os.close(begin)
            store = open_store(url)
            os.read(wait, 1)
            claims = [store.claim(f"w{k}") for _ in range(count)]
            numbers = " ".join(str(claim.unit) for claim in claims if claim is not None)
            os.write(1, f"{numbers}\n".encode())  # in one go, so that lines do not mix
            os._exit(0)
        children.append(child)
    os.close(begin)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    sys.exit(max(codes))


def hold(url: str, lease: float) -> None:
    """Claim a unit, print its number, and beat until the end."""
    store = open_store(url, rules=Rules(lease=lease))
    claim = store.claim("w1")
    assert claim is not None
    print(claim.unit, flush=True)
    while True:
        store.beat(claim, progress=0.5)
        time.sleep(lease / 5)


if __name__ == "__main__":
    address, what, *figures = sys.argv[1:]
    if what == "take":
        take(address, int(figures[0]), int(figures[1]))
    hold(address, float(figures[0]))

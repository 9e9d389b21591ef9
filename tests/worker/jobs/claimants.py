"""A worker without work, as a process of its own: ``URL NAME take COUNT`` or ``URL NAME hold LEASE``."""

from __future__ import annotations

import sys
import time

from nearfar.jobs import Rules, open_store


def take(url: str, worker: str, count: int) -> None:
    """Say 'ready', wait for a word, claim, and print the numbers of the units."""
    store = open_store(url)
    print("ready", flush=True)
    sys.stdin.readline()
    claims = [store.claim(worker) for _ in range(count)]
    print(*(claim.unit for claim in claims if claim is not None), flush=True)


def hold(url: str, worker: str, lease: float) -> None:
    """Claim a unit, print its number, and beat until the end."""
    store = open_store(url, rules=Rules(lease=lease))
    print("ready", flush=True)
    claim = store.claim(worker)
    assert claim is not None
    print(claim.unit, flush=True)
    while True:
        store.beat(claim, progress=0.5)
        time.sleep(lease / 5)


if __name__ == "__main__":
    address, name, what, figure = sys.argv[1:]
    take(address, name, int(figure)) if what == "take" else hold(address, name, float(figure))

"""Jobs come through a storm of kills and freezes whole, once each, and with nothing left behind.

`make storm` runs longer ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.acceptance.storm import Stacks, Storm, make_stacks, storm_settings
from tests.acceptance.storm_units import Outcomes, storm
from tests.worker.jobs.postgresql import server
from tests.worker.runner.redis_server import redis_server

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


@pytest.fixture(scope="module")
def stacks(tmp_path_factory: pytest.TempPathFactory) -> Stacks:
    return make_stacks(tmp_path_factory.mktemp("stacks"))


@pytest.fixture(scope="module")
def postgresql_url() -> Iterator[str]:
    with server("-c", "fsync=off") as url:
        yield url


def test_with_the_store_and_broker_that_need_no_server(stacks: Stacks, tmp_path: Path) -> None:
    one = Storm(storm_settings(tmp_path / "data"), stacks, seed=20261125, jobs=6, kills=8, freezes=8)
    one.run()
    print(one.told())
    assert one.wrong() == []
    assert len(one.submitted) >= 6
    assert sum(number for what, number in one.struck.items() if what.endswith("killed")) == 8
    assert {what.split()[0] for what in one.struck} == {"pool", "work", "keep", "supervisor"}


def test_with_postgresql_and_a_redis_that_suffers_as_well(
    stacks: Stacks, tmp_path: Path, postgresql_url: str
) -> None:
    with redis_server() as redis:
        settings = storm_settings(tmp_path / "data", store={"url": postgresql_url}, broker={"url": redis.url})
        one = Storm(settings, stacks, seed=5, jobs=4, kills=4, freezes=4, redis=redis)
        one.run()
    print(one.told())
    assert one.wrong() == []
    assert any(what.startswith("broker") for what in one.struck)


def storm_on_files(base: Path, seed: int, check: bool) -> Outcomes:
    """The storm on a store of its own, with the check of the token or without."""
    url = f"sqlite:///{base}/{seed}{check}.sqlite"
    return storm(url, base / f"{seed}{check}", check=check, seed=seed, count=40)


def test_it_is_the_token_that_saves_us(tmp_path: Path) -> None:
    """Without the check of the token the same storm does harm, though not with every roll of the dice."""
    for seed in range(3, 12):
        bare = storm_on_files(tmp_path, seed, check=False)
        assert bare.kills >= 3
        assert bare.freezes >= 10
        if bare.wrong + bare.accepted_twice:
            held = storm_on_files(tmp_path, seed, check=True)
            assert held.kills >= 3
            assert held.freezes >= 10
            assert (held.done, held.wrong, held.accepted_twice) == (40, 0, 0)
            return
    pytest.fail("nine storms without the check of the token did no harm: they show nothing")

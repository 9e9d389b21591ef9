"""Settings of who may come: nothing listens to strangers without a key or accounts."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearfar.errors import UsageError
from nearfar.server_settings import ServerSettings, load_server, to_environment

KEY = "moss-on-slate-under-glass"


def load(tmp_path: Path, **environment: str) -> ServerSettings:
    given = {f"NEARFAR_{name.upper()}": value for name, value in environment.items()}
    return load_server(
        environment={"NEARFAR_CONFIG": "/dev/null", "NEARFAR_SERVER_DATA": str(tmp_path), **given}
    )


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "10.0.0.7", "merge-box"])
def test_a_server_that_strangers_can_reach_asks_for_a_key_or_accounts(tmp_path: Path, host: str) -> None:
    with pytest.raises(UsageError, match=r"no key.*accounts = true"):
        load(tmp_path, server_host=host)
    assert load(tmp_path, server_host=host, server_key=KEY).server.locked
    assert load(tmp_path, server_host=host, server_accounts="true").server.locked


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.9.9.9"])
def test_on_its_own_machine_it_is_free(tmp_path: Path, host: str) -> None:
    assert not load(tmp_path, server_host=host).server.locked


def test_all_of_it_reaches_the_processes_of_a_server(tmp_path: Path) -> None:
    said = load(
        tmp_path,
        server_accounts="true",
        server_proxies="10.0.0.5, 10.1.0.0/16",
        people_private="true",
        people_uploads="200GiB",
        people_provider="https://id.test/realm",
        people_client="nearfar",
        people_secret="s",
        people_newcomers="look",
    )
    assert said.server.proxies == ("10.0.0.5/32", "10.1.0.0/16")
    assert said.people.uploads == 200 << 30
    assert load_server(environment=to_environment(said)) == said


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("server_proxies", "merge-box", "no address"),
        ("people_idle", "0", "greater than 0"),
        ("people_jobs", "-1", "greater than or equal to 0"),
        ("people_newcomers", "all", "look"),
        ("people_provider", "https://id.test", "client and secret"),
    ],
)
def test_what_will_not_do_is_named(tmp_path: Path, name: str, value: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as raised:
        load(tmp_path, **{name: value})
    assert name.partition("_")[0] in str(raised.value).lower()


@pytest.mark.parametrize("provider", ["http://id.test", "id.test", "ftp://id.test", "https://"])
def test_a_provider_is_asked_by_https_unless_it_is_on_this_machine(tmp_path: Path, provider: str) -> None:
    both = {"people_client": "nearfar", "people_secret": "s"}
    with pytest.raises(UsageError, match="https"):
        load(tmp_path, people_provider=provider, **both)
    assert load(tmp_path, people_provider="http://localhost:9000", **both).people.provider

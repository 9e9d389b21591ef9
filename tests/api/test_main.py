"""Where the process listens: on the socket that it was given, on one of its own, or not at all, with the reason."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from nearfar.errors import UsageError
from nearfar_api.__main__ import VARIABLE, listener, main
from tests.api.conftest import settings_for


def test_it_listens_on_the_socket_that_it_was_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = socket.create_server(("127.0.0.1", 0))
    address = given.getsockname()
    monkeypatch.setenv(VARIABLE, str(given.detach()))
    with listener(settings_for(tmp_path)) as found:
        assert found.getsockname() == address


def test_it_opens_one_of_its_own(tmp_path: Path) -> None:
    with listener(settings_for(tmp_path, port=0)) as found:
        assert found.getsockname()[0] == "127.0.0.1"
        port = found.getsockname()[1]
        with pytest.raises(
            UsageError, match=f"cannot listen at 127.0.0.1, port {port}: Address already in use"
        ):
            listener(settings_for(tmp_path, port=port))


@pytest.mark.parametrize("given", ["x", "99999"])
def test_a_number_that_is_no_socket_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: str
) -> None:
    monkeypatch.setenv(VARIABLE, given)
    with pytest.raises(UsageError, match=f"NEARFAR_LISTEN_FD={given}: expected the number of an open socket"):
        listener(settings_for(tmp_path))


def test_wrong_settings_end_it_with_the_code_of_wrong_usage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("NEARFAR_SERVER_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("NEARFAR_SERVER_HOST", "0.0.0.0")
    monkeypatch.setattr("nearfar.runner.processes.logs.set_up", lambda process: None)
    assert main() == 2

"""``nearfar notify``: what is refused before anything is changed; the rest is tested with a receiver of messages."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearfar.cli import command
from nearfar.jobs import Outbox
from nearfar.jobs.messages.outbox import USUAL
from nearfar.places import places_of
from tests.worker.runner.serving import settings_for, store_of


@pytest.mark.parametrize(
    ("content", "told"), [(None, "No such file"), (b"\xff\xfe\xff", "not text in UTF-8")]
)
def test_words_that_cannot_be_read_are_refused_with_their_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes | None, told: str
) -> None:
    settings = settings_for(tmp_path / "data")
    places_of(settings).make()
    outbox = Outbox(store_of(settings))
    target = outbox.add(
        owner="lena", channel="mail", address="lena@example.org", about=USUAL, secret=None, who="t"
    )
    words = tmp_path / "words.txt"
    if content is not None:
        words.write_bytes(content)
    given = ["notify", "words", str(target.id), "--text", str(words), "--data", str(tmp_path / "data")]
    assert command.main(given) == 3
    assert f"--text {words}: {told}" in capsys.readouterr().err
    assert outbox.target(target.id).body is None

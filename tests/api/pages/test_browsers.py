"""Names of browsers, from what real ones send (forms after RFC 9110, section 10.1.5; values from memory)."""

from __future__ import annotations

import pytest

from nearfar_api.pages.browsers import browser_words

SAYS_ALL = "AppleWebKit/537.36 (KHTML, like Gecko) Chrome/142.0.0.0"


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        ("Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0", "Firefox on Linux"),
        (f"Mozilla/5.0 (Windows NT 10.0; Win64; x64) {SAYS_ALL} Safari/537.36 Edg/142.0", "Edge on Windows"),
        (f"Mozilla/5.0 (Linux; Android 10; K) {SAYS_ALL} Mobile Safari/537.36", "Chrome on Android"),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 18_6 like Mac OS X) AppleWebKit/605.1.15 Version/18.6 Safari/604.1",
            "Safari on iPhone",
        ),
        ("Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) Version/18.6 Safari/605.1.15", "Safari on macOS"),
        ("curl/8.5.0", "curl/8.5.0"),
        ("", ""),
    ],
)
def test_a_browser_is_told_by_the_name_that_its_owner_knows(agent: str, words: str) -> None:
    assert browser_words(agent) == words


def test_what_says_nothing_known_is_cut_short() -> None:
    assert browser_words("x" * 200) == "x" * 39 + "…"

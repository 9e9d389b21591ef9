"""Digest fields against the values printed in RFC 9530."""

from __future__ import annotations

import pytest

from nearfar_api.transfer import digests

# RFC 9530, appendix B.1: the representation {"hello": "world"} and a line feed; B.2: nothing at all.
HELLO = b'{"hello": "world"}\n'
HELLO_256 = "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
EMPTY_256 = "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:"
# Appendix B.5 and section 2: the same with sha-512 (of '{"hello": "world"}' and a line feed).
HELLO_512 = (
    "sha-512=:YMAam51Jz/jOATT6/zvHrLVgOYTGFy1d6GJiOHTohq4yP+pgk4vf2aCsyRZOtw8MjkM7iw7yZ/WkppmM44T3qg==:"
)


@pytest.mark.parametrize(("data", "field"), [(HELLO, HELLO_256), (b"", EMPTY_256), (HELLO, HELLO_512)])
def test_the_examples_of_rfc_9530_are_true(data: bytes, field: str) -> None:
    check = digests.Check(digests.parse(field))
    assert len(check.expected) == 1
    check.update(data)
    assert check.mismatch() is None
    check.update(b"x")
    assert "announced sha-" in (check.mismatch() or "")


def test_several_digests_are_read_and_unknown_ones_passed_over() -> None:
    # RFC 9530, section 2: a recipient may ignore any or all of them; section 5 names 'unixsum' as one not to be used.
    found = digests.parse(f"unixsum=:AAAA:, {HELLO_256},{HELLO_512};weight=1")
    assert set(found) == {"sha-256", "sha-512"}
    assert digests.written(found) == f"{HELLO_256}, {HELLO_512}"


@pytest.mark.parametrize(
    "field",
    [
        "",
        "sha-256",
        "sha-256=abc",
        "sha-256=:abc",
        "sha-256=:AAAA:",
        "sha-256=:====:",
        "SHA-256=:AAAA:",
        f"{HELLO_256},",
    ],
)
def test_what_is_no_digest_is_refused(field: str) -> None:
    with pytest.raises(ValueError, match="is not a digest|has 32 bytes|not base64"):
        digests.parse(field)

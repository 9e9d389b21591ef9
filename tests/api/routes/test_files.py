"""Results over HTTP: names, ranges, conditions, digests, and that nothing but a result's own files is to be had."""

from __future__ import annotations

import email
import hashlib
import os
from pathlib import Path

import pytest

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar_api.transfer.sending import disposition
from tests.api.conftest import Client
from tests.api.making import done, field, finish, submit

API = "/api/v1"
SIZE = 10_000
"""Bytes of the file in the examples of RFC 9110, section 14.1.2."""
PICTURE = bytes(k * 7919 % 251 for k in range(SIZE))


@pytest.fixture
def picture(store: Store, places: Places) -> str:
    return f"{API}/jobs/{done(store, places, picture=PICTURE)}/picture"


def test_a_result_lists_its_files(client: Client, store: Store, places: Places) -> None:
    job = submit(store)
    assert client.get(f"{API}/jobs/{job}/files").json() == {"files": []}
    path = finish(store, places, job)
    path.with_name(".hidden").write_bytes(b"x")
    files = client.get(f"{API}/jobs/{job}/files").json()["files"]
    assert [(file["name"], file["type"]) for file in files] == [
        ("moss.preview.jpg", "image/jpeg"),
        ("moss.report.json", "application/json"),
        ("moss.tif", "image/tiff"),
    ]
    for file in files:
        answer = client.get(file["links"]["self"])
        assert answer.status_code == 200
        assert len(answer.content) == file["size"]
        assert answer.headers["content-type"] == file["type"]


# The byte ranges of RFC 9110, section 14.1.2, of a representation of 10,000 bytes.
RFC_RANGES = {
    "bytes=0-499": (0, 500),
    "bytes=500-999": (500, 1000),
    "bytes=-500": (9500, SIZE),
    "bytes=9500-": (9500, SIZE),
    "bytes=9990-20000": (9990, SIZE),  # a last position beyond the end means the end
    "bytes=-20000": (0, SIZE),  # a suffix longer than the file means all of it
}


@pytest.mark.parametrize("field_", RFC_RANGES)
def test_a_part_is_sent_as_in_the_examples_of_rfc_9110(client: Client, picture: str, field_: str) -> None:
    first, stop = RFC_RANGES[field_]
    answer = client.get(picture, headers={"Range": field_})
    assert answer.status_code == 206
    assert answer.headers["content-range"] == f"bytes {first}-{stop - 1}/{SIZE}"
    assert answer.headers["content-length"] == str(stop - first)
    assert answer.content == PICTURE[first:stop]


# RFC 9110, 14.1.2: 'the first and last bytes only', and the first, middle, and last 1000 bytes; 15.3.7.2 for the form.
@pytest.mark.parametrize(
    ("field_", "parts"),
    [
        ("bytes=0-0,-1", [(0, 1), (9999, SIZE)]),
        ("bytes= 0-999, 4500-5499, -1000", [(0, 1000), (4500, 5500), (9000, SIZE)]),
    ],
)
def test_several_parts_are_sent_as_multipart(
    client: Client, picture: str, field_: str, parts: list[tuple[int, int]]
) -> None:
    answer = client.get(picture, headers={"Range": field_})
    assert answer.status_code == 206
    assert "content-range" not in answer.headers
    assert answer.headers["content-length"] == str(len(answer.content))
    head = f"Content-Type: {answer.headers['content-type']}\r\n\r\n".encode()
    message = email.message_from_bytes(head + answer.content)
    assert message.get_content_type() == "multipart/byteranges"
    sent = message.get_payload()
    assert isinstance(sent, list)
    for part, (first, stop) in zip(sent, parts, strict=True):
        assert part["content-range"] == f"bytes {first}-{stop - 1}/{SIZE}"
        assert part["content-type"] == "image/tiff"
    for first, stop in parts:
        assert PICTURE[first:stop] in answer.content


# RFC 9110, 14.1.2: '500-700,601-999' and '500-600,601-999' both mean the second 500 bytes; 15.3.7.2 lets them be joined.
@pytest.mark.parametrize("field_", ["bytes=500-600,601-999", "bytes=500-700,601-999"])
def test_parts_that_touch_are_sent_as_one(client: Client, picture: str, field_: str) -> None:
    answer = client.get(picture, headers={"Range": field_})
    assert answer.headers["content-range"] == f"bytes 500-999/{SIZE}"
    assert answer.content == PICTURE[500:1000]


# RFC 9110, 14.2: an unknown unit and an invalid set are passed over; many ranges may be.
@pytest.mark.parametrize(
    "field_", ["lines=0-1", "bytes=5-2", "bytes=x", "bytes=", "bytes=" + "0-0," * 20 + "1-1"]
)
def test_a_range_that_means_nothing_gives_the_whole(client: Client, picture: str, field_: str) -> None:
    answer = client.get(picture, headers={"Range": field_})
    assert (answer.status_code, answer.content) == (200, PICTURE)
    assert answer.headers["accept-ranges"] == "bytes"


@pytest.mark.parametrize("field_", ["bytes=10000-", "bytes=-0", "bytes=20000-30000,10000-10001"])
def test_a_part_that_is_not_there_is_refused_with_the_size(client: Client, picture: str, field_: str) -> None:
    answer = client.get(picture, headers={"Range": field_})
    assert answer.status_code == 416  # RFC 9110, 15.5.17, with the example of Content-Range there
    assert answer.headers["content-range"] == f"bytes */{SIZE}"
    assert answer.json()["size"] == SIZE


def test_if_range_sends_the_whole_where_the_file_is_another(client: Client, picture: str) -> None:
    whole = client.get(picture)
    tag, date = whole.headers["etag"], whole.headers["last-modified"]
    for value, status in {
        tag: 206,
        date: 206,
        '"other"': 200,
        f"W/{tag}": 200,  # RFC 9110, 13.1.5: a weak tag never matches here
        "Sat, 29 Oct 1994 19:43:31 GMT": 200,
        "nonsense": 200,
    }.items():
        answer = client.get(picture, headers={"Range": "bytes=0-9", "If-Range": value})
        assert answer.status_code == status, value


def test_conditions_hold_in_the_order_of_rfc_9110(client: Client, picture: str) -> None:
    whole = client.get(picture)
    tag, date = whole.headers["etag"], whole.headers["last-modified"]
    assert not tag.startswith("W/"), "it is strong"
    old = "Sat, 29 Oct 1994 19:43:31 GMT"  # the date in RFC 9110, 13.1.3
    expected: list[tuple[dict[str, str], int]] = [
        ({"If-None-Match": tag}, 304),
        ({"If-None-Match": f'"x", W/{tag}'}, 304),
        ({"If-None-Match": "*"}, 304),
        ({"If-None-Match": '"x"'}, 200),
        ({"If-None-Match": '"x"', "If-Modified-Since": date}, 200),  # 13.1.3: the date is then passed over
        ({"If-Modified-Since": date}, 304),
        ({"If-Modified-Since": old}, 200),
        ({"If-Modified-Since": "nonsense"}, 200),
        ({"If-Match": tag}, 200),
        ({"If-Match": f"W/{tag}"}, 412),
        ({"If-Match": '"x"'}, 412),
        ({"If-Unmodified-Since": old}, 412),
        ({"If-Unmodified-Since": date}, 200),
        ({"If-Match": tag, "If-Unmodified-Since": old}, 200),  # 13.1.4: the date is then passed over
        ({"If-None-Match": tag, "Range": "bytes=0-9"}, 304),
    ]
    for headers, status in expected:
        answer = client.get(picture, headers=headers)
        assert answer.status_code == status, headers
        assert answer.content == (PICTURE if status == 200 else answer.content if status == 412 else b"")


def test_the_tag_changes_with_the_file(client: Client, picture: str, places: Places) -> None:
    before = client.get(picture).headers["etag"]
    path = places.results / "moss" / "moss.tif"
    other = path.with_suffix(".new")
    other.write_bytes(PICTURE)
    other.replace(path)
    assert client.get(picture).headers["etag"] != before


def test_head_tells_all_but_the_bytes(client: Client, picture: str) -> None:
    head = client.ask("HEAD", picture)
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-length"] == str(SIZE)
    assert head.headers["repr-digest"] == field(PICTURE)
    part = client.ask("HEAD", picture, headers={"Range": "bytes=0-9"})
    assert (part.status_code, part.headers["content-length"], part.content) == (206, "10", b"")


def test_a_digest_comes_to_whoever_wants_one(client: Client, picture: str) -> None:
    assert "repr-digest" not in client.get(picture).headers
    wanted = client.get(picture, headers={"Want-Repr-Digest": "sha-256=10", "Range": "bytes=0-9"})
    # RFC 9530, 3.1: of the whole representation, also where only a part of it is sent.
    assert wanted.headers["repr-digest"] == field(PICTURE)


# The two forms in RFC 6266, section 5, and the encoding of RFC 8187, section 3.2.3: '£ and € rates'.
@pytest.mark.parametrize(
    ("name", "type_", "expected"),
    [
        ("example.tif", "image/tiff", 'attachment; filename="example.tif"'),
        ("a b.jpg", "image/jpeg", 'inline; filename="a b.jpg"'),
        (
            "£ and € rates",
            "image/tiff",
            "attachment; filename=\"_ and _ rates\"; filename*=UTF-8''%C2%A3%20and%20%E2%82%AC%20rates",
        ),
        (
            'a"b\\c\r\n.tif',
            "image/tiff",
            "attachment; filename=\"a_b_c__.tif\"; filename*=UTF-8''a%22b%5Cc%0D%0A.tif",
        ),
    ],
)
def test_names_go_into_headers_safely(name: str, type_: str, expected: str) -> None:
    assert disposition(name, type_) == expected


def test_a_hostile_name_is_fetched_under_its_own_address(
    client: Client, store: Store, places: Places
) -> None:
    name = "moss\n<b>&\"'é%2e"
    job = done(store, places, name=name)
    for file in client.get(f"{API}/jobs/{job}/files").json()["files"]:
        answer = client.get(file["links"]["self"])
        assert answer.status_code == 200
        assert "\n" not in answer.headers["content-disposition"]


@pytest.mark.parametrize(
    "name",
    [
        *("..%2fsecret", "%2e%2e", "%2e%2e%2fsecret", "%2e%2e/secret", "..%5csecret", "%00", "moss.tif%00"),
        *(
            "secret",
            "link.tif",
            "folder",
            "pipe",
            ".hidden",
            "moss.tif/",
            "//etc/passwd",
            "%2fetc%2fpasswd",
            "moss.tif%2f..",
        ),
    ],
)
def test_nothing_but_files_of_the_result_is_to_be_had(
    client: Client, store: Store, places: Places, name: str
) -> None:
    job = done(store, places)
    folder = places.results / "moss"
    (places.results / "secret").write_bytes(b"a secret")
    (places.data / "secret").write_bytes(b"a secret")
    (folder / "link.tif").symlink_to(places.data / "secret")
    (folder / "folder").mkdir()
    (folder / ".hidden").write_bytes(b"a secret")
    os.mkfifo(folder / "pipe")
    answer = client.get(f"{API}/jobs/{job}/files/{name}")
    assert b"a secret" not in answer.content
    assert answer.status_code in {404, 422}
    listed = [file["name"] for file in client.get(f"{API}/jobs/{job}/files").json()["files"]]
    assert listed == ["moss.preview.jpg", "moss.report.json", "moss.tif"]


def test_a_result_outside_the_results_is_not_served(client: Client, store: Store, places: Places) -> None:
    outside = places.data / "elsewhere"
    job = submit(store)
    finish(store, places, job, name="moss")
    (places.results / "moss").rename(outside)
    assert client.get(f"{API}/jobs/{job}/picture").status_code == 404
    (places.results / "moss").symlink_to(outside)
    assert client.get(f"{API}/jobs/{job}/picture").status_code == 404, (
        "no link is followed, not even of a folder"
    )
    assert client.get(f"{API}/jobs/{job}/files").json() == {"files": []}


def test_no_descriptor_is_left_open(client: Client, picture: str) -> None:
    def count() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    client.get(picture)
    before = count()
    for headers in (
        {},
        {"If-None-Match": "*"},
        {"If-Match": '"x"'},
        {"Range": "bytes=99999-"},
        {"Range": "bytes=1-2"},
    ):
        client.get(picture, headers=headers)
        client.ask("HEAD", picture, headers=headers)
    assert count() <= before


def test_what_is_sent_is_what_lies_there(client: Client, store: Store, places: Places) -> None:
    large = os.urandom((3 << 20) + 17)
    job = done(store, places, picture=large)
    answer = client.get(f"{API}/jobs/{job}/picture")
    assert hashlib.sha256(answer.content).digest() == hashlib.sha256(large).digest()
    part = client.get(f"{API}/jobs/{job}/picture", headers={"Range": f"bytes={1 << 20}-"})
    assert part.content == large[1 << 20 :]

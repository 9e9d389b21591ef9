"""One bucket of an object storage that speaks S3: what lies there, reading it, and putting what is not there yet.

Objects are read and created, never changed or removed. `client` makes the connection, `refusals` says what its errors mean.
"""

from __future__ import annotations

import base64
import binascii
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from nearfar.errors import BucketAway, SourceChanged
from nearfar.object_tables import BucketTable
from nearfar.runner.objects.client import keys_of, open_client
from nearfar.runner.objects.refusals import ConditionFailed, NoSuchObject, translated

PAGE = 1000
"""Objects in one answer to a listing; the most that there is."""
PIECE = 1 << 16
"""Bytes that are read at a time, and the most that a line loses when it breaks."""
MARK = "nearfar-sha256"
"""The entry of an object's metadata in which we write the digest of its bytes."""


@dataclass(frozen=True, kw_only=True)
class Stored:
    """An object, as a listing or a request for its head describes it."""

    key: str
    size: int
    etag: str
    """With its quotation marks."""
    sha256: str | None = None
    """Of all its bytes, hexadecimal: from the metadata that we wrote, or from the storage."""
    md5: str | None = None
    """Of all its bytes, hexadecimal, if the ETag is one."""


class Changed(SourceChanged):
    """An object is no longer what it was when it was listed."""


class Bucket:
    """An open bucket. Every method may raise `BucketRefused`, or `BucketAway` if asking again may help."""

    def __init__(self, table: BucketTable, *, environment: Mapping[str, str] | None = None) -> None:
        self.table = table
        self.name = table.name
        self.client = open_client(table, keys_of(table, os.environ if environment is None else environment))

    @property
    def shown(self) -> str:
        """For messages, which also people read who need not know where the storage is."""
        return f"bucket {self.name}"

    def listed(self, prefix: str, *, most: int) -> list[Stored]:
        """Objects whose keys are the prefix and a plain name, in order of their keys; at most one more than ``most``."""
        found: list[Stored] = []
        for page in self._pages(prefix, lambda: min(PAGE, most + 1 - len(found))):
            found.extend(
                Stored(key=each["Key"], size=int(each["Size"]), etag=_quoted(each["ETag"]))
                for each in page.get("Contents", ())
                if each["Key"] != prefix  # the folder itself, as some clients write one
            )
        return found

    def folders(self, prefix: str, *, most: int) -> list[str]:
        """Prefixes right below a prefix, each with '/' at its end; at most ``most`` of them."""
        found: list[str] = []
        for page in self._pages(prefix, lambda: PAGE if len(found) < most else 0):
            found.extend(each["Prefix"] for each in page.get("CommonPrefixes", ()))
        return found[:most]

    def _pages(self, prefix: str, wanted: Callable[[], int]) -> Iterator[Mapping[str, Any]]:
        """Answers to a listing of what lies right below a prefix, until it is complete or no more entries are wanted."""
        more: dict[str, str] = {}
        while (count := wanted()) > 0:
            with translated(self.shown):
                page = self.client.list_objects_v2(
                    Bucket=self.name, Prefix=prefix, Delimiter="/", MaxKeys=count, **more
                )
            yield page
            if not page.get("IsTruncated"):
                return
            more = {"ContinuationToken": page["NextContinuationToken"]}

    def find(self, key: str) -> Stored | None:
        """Ask for one object's head; None if there is no such object."""
        try:
            with translated(self.shown):
                said = self.client.head_object(Bucket=self.name, Key=key, ChecksumMode="ENABLED")
        except NoSuchObject:
            return None
        return _stored(key, said)

    def read(self, found: Stored, start: int) -> tuple[int, Iterator[bytes]]:
        """Read an object from a byte on.

        Parameters
        ----------
        found
            The object as it was listed.
        start
            First byte wanted, from 0.

        Returns
        -------
        tuple
            Where the bytes begin (0 if the storage ignores ranges), and the bytes in pieces.

        Raises
        ------
        Changed
            The object was written to or removed since it was listed.
        """
        wanted = {"Range": f"bytes={start}-"} if start else {}
        try:
            with translated(self.shown):
                said = self.client.get_object(Bucket=self.name, Key=found.key, IfMatch=found.etag, **wanted)
        except (NoSuchObject, ConditionFailed) as error:
            raise Changed(
                f"{found.key} in {self.shown}: it is gone or was written to since the stack was submitted; submit it again"
            ) from error
        return start if "ContentRange" in said else 0, self._pieces(said["Body"])

    def _pieces(self, body: Any) -> Iterator[bytes]:
        pieces = body.iter_chunks(PIECE)
        try:
            while True:
                with translated(self.shown):  # not around what is done with them
                    data = next(pieces, b"")
                if not data:
                    return
                yield data
        finally:
            body.close()

    def put(self, key: str, data: bytes, sha256: bytes, kind: str) -> bool:
        """Create an object in one request; False if there is one of that name, which stays as it is."""
        try:
            with translated(self.shown):
                said = self.client.put_object(
                    Bucket=self.name,
                    Key=key,
                    Body=data,
                    ContentLength=len(data),
                    ContentType=kind,
                    ChecksumSHA256=in_base64(sha256),
                    Metadata={MARK: sha256.hex()},
                    IfNoneMatch="*",
                )
        except ConditionFailed:
            return False
        self._check(key, said, in_base64(sha256))
        return True

    def begin(self, key: str, sha256: bytes, kind: str) -> str:
        """Begin an object of many parts; returns the upload's id."""
        with translated(self.shown):
            said = self.client.create_multipart_upload(
                Bucket=self.name,
                Key=key,
                ContentType=kind,
                ChecksumAlgorithm="SHA256",
                Metadata={MARK: sha256.hex()},
            )
        return str(said["UploadId"])

    def put_part(self, key: str, upload: str, number: int, data: bytes, sha256: bytes) -> dict[str, Any]:
        """Send one part, numbered from 1; returns what `complete` needs of it."""
        with translated(self.shown):
            said = self.client.upload_part(
                Bucket=self.name,
                Key=key,
                UploadId=upload,
                PartNumber=number,
                Body=data,
                ContentLength=len(data),
                ChecksumSHA256=in_base64(sha256),
            )
            self._check(key, said, in_base64(sha256))
        return {"PartNumber": number, "ETag": said["ETag"], "ChecksumSHA256": in_base64(sha256)}

    def complete(self, key: str, upload: str, parts: list[dict[str, Any]], checksum: str) -> bool:
        """Create the object from its parts; False if there is one of that name by now, which stays as it is."""
        try:
            with translated(self.shown):
                said = self.client.complete_multipart_upload(
                    Bucket=self.name,
                    Key=key,
                    UploadId=upload,
                    MultipartUpload={"Parts": parts},
                    IfNoneMatch="*",
                )
        except ConditionFailed:
            return False
        self._check(key, said, checksum)
        return True

    def drop(self, key: str, upload: str) -> None:
        """Abort an upload of ours, so that the storage removes its parts."""
        try:
            with translated(self.shown):
                self.client.abort_multipart_upload(Bucket=self.name, Key=key, UploadId=upload)
        except NoSuchObject:
            return

    def _check(self, key: str, said: Mapping[str, Any], expected: str) -> None:
        """Compare the checksum that the storage computed, if it returns one."""
        found = said.get("ChecksumSHA256")
        if found is not None and found.partition("-")[0] != expected:
            raise BucketAway(f"{self.shown}: of {key} other bytes arrived than were sent; it is sent again")


def in_base64(digest: bytes) -> str:
    """A digest as the S3 protocol writes checksums."""
    return base64.b64encode(digest).decode()


def _quoted(etag: object) -> str:
    """An entity tag as conditions want it; some storages leave the quotation marks out of listings."""
    bare = str(etag).strip('"')
    return f'"{bare}"'


def _stored(key: str, said: Mapping[str, Any]) -> Stored:
    etag = _quoted(said["ETag"])
    sha256 = said.get("Metadata", {}).get(MARK)
    full = said.get("ChecksumSHA256", "")
    if sha256 is None and full and "-" not in full and said.get("ChecksumType") != "COMPOSITE":
        sha256 = _hex(full)
    bare = etag.strip('"')
    plain = len(bare) == 32 and "SSECustomerAlgorithm" not in said
    by_key = str(said.get("ServerSideEncryption", "")).startswith("aws:kms")
    return Stored(
        key=key,
        size=int(said["ContentLength"]),
        etag=etag,
        sha256=sha256,
        md5=bare if plain and not by_key else None,
    )


def _hex(text: str) -> str | None:
    try:
        return base64.b64decode(text, validate=True).hex()
    except binascii.Error:
        return None

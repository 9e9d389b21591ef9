"""One bucket of an object storage that speaks S3: what lies there, reading it, and putting what is not there yet.

Here alone the library for the protocol is used (botocore, of `nearfar[s3]`), and it is loaded with the first bucket that is
opened. Only the endpoint of the settings is ever asked: keys come from there as well and not from where the library would
look for them, and what sends a request elsewhere is not followed. Objects are read and made, never changed or removed.
"""

from __future__ import annotations

import base64
import binascii
import os
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from nearfar.errors import BucketAway, BucketRefused, SourceChanged, UsageError
from nearfar.object_tables import BucketTable

CONNECT = 5.0
"""Seconds for a connection."""
READ = 30.0
"""Seconds without a byte after which a connection counts as broken."""
TRIES = 1
"""How often the library itself asks: carriers wait and resume by themselves, and must not be silent for a lease."""
PAGE = 1000
"""Objects in one answer to a listing; the most that there is."""
PIECE = 1 << 20
AWAY = {408, 429, 500, 502, 503, 504}
CONFLICT = 409
"""Somebody else is making the same object right now; asking again tells how that ended."""
ENVIRONMENT = "env:"
NO_LIBRARY = "object storage takes the package botocore: install nearfar[s3]"
REMEDIES: Mapping[str, str] = {
    "NoSuchBucket": "there is no bucket of that name; make it, or correct objects.buckets",
    "InvalidAccessKeyId": "it does not know the key; correct what keys of objects.buckets names",
    "SignatureDoesNotMatch": "the secret is not that of the key; correct what keys of objects.buckets names",
    "AccessDenied": "the key has no right to do that; let the owner of the bucket give it",
    "RequestTimeTooSkewed": "its clock and this machine's differ too much; set both by a time server",
    "PermanentRedirect": "the bucket lives at another endpoint; correct endpoint and region of objects.buckets",
    "AuthorizationHeaderMalformed": "it wants another region; correct region of objects.buckets",
}
"""What to do about the codes of the S3 API that a person can do something about."""
BY_STATUS = {301: "PermanentRedirect", 307: "PermanentRedirect", 403: "AccessDenied", 404: "NoSuchBucket"}
"""What the status alone says: answers to HEAD have no body."""


@dataclass(frozen=True, kw_only=True)
class Stored:
    """An object, as a listing or a look at it tells."""

    key: str
    size: int
    etag: str
    """With its quotation marks."""
    sha256: str | None = None
    """Of all its bytes, hexadecimal: as we wrote it down, or as the storage says."""
    md5: str | None = None
    """The same by its ETag, if that should be one."""


class Changed(SourceChanged):
    """An object is no longer what it was when it was listed."""


class Bucket:
    """An open bucket. Every method may raise `BucketRefused`, or `BucketAway` if asking again may help."""

    def __init__(self, table: BucketTable, *, environment: Mapping[str, str] | None = None) -> None:
        self.table = table
        self.name = table.name
        self.client = _client(table, keys_of(table, os.environ if environment is None else environment))

    @property
    def shown(self) -> str:
        """For messages."""
        return f"bucket {self.name} at {self.table.endpoint}"

    def listed(self, prefix: str, *, most: int) -> list[Stored]:
        """Objects whose keys are the prefix and a plain name, in order of their keys; at most one more than ``most``."""
        found: list[Stored] = []
        more: dict[str, str] = {}
        with self._asked():
            while len(found) <= most:
                wanted = min(PAGE, most + 1 - len(found))
                page = self.client.list_objects_v2(
                    Bucket=self.name, Prefix=prefix, Delimiter="/", MaxKeys=wanted, **more
                )
                found += [
                    Stored(key=each["Key"], size=int(each["Size"]), etag=_quoted(each["ETag"]))
                    for each in page.get("Contents", ())
                    if each["Key"] != prefix  # the folder itself, as some clients write one
                ]
                if not page.get("IsTruncated"):
                    break
                more = {"ContinuationToken": page["NextContinuationToken"]}
        return found

    def folders(self, prefix: str, *, most: int) -> list[str]:
        """Prefixes right below a prefix, each with '/' at its end; at most ``most`` of them."""
        found: list[str] = []
        more: dict[str, str] = {}
        with self._asked():
            while len(found) < most:
                page = self.client.list_objects_v2(
                    Bucket=self.name, Prefix=prefix, Delimiter="/", MaxKeys=PAGE, **more
                )
                found += [each["Prefix"] for each in page.get("CommonPrefixes", ())]
                if not page.get("IsTruncated"):
                    break
                more = {"ContinuationToken": page["NextContinuationToken"]}
        return found[:most]

    def find(self, key: str) -> Stored | None:
        """Look at one object; None: there is none."""
        try:
            with self._asked():
                said = self.client.head_object(Bucket=self.name, Key=key, ChecksumMode="ENABLED")
        except _Missing:
            return None
        return _stored(key, said)

    def read(self, found: Stored, start: int) -> tuple[int, Iterator[bytes]]:
        """Read an object from a byte on, unless it changed since it was listed: where the bytes begin, and the bytes.

        Raises
        ------
        Changed
            It is another one now, or gone.
        """
        wanted = {"Range": f"bytes={start}-"} if start else {}
        try:
            with self._asked():
                said = self.client.get_object(Bucket=self.name, Key=found.key, IfMatch=found.etag, **wanted)
        except (_Missing, _Taken) as error:
            raise Changed(
                f"{found.key} in {self.shown}: it is gone or was written to since the stack was submitted; submit it again"
            ) from error
        return start if "ContentRange" in said else 0, self._pieces(said["Body"])

    def _pieces(self, body: Any) -> Iterator[bytes]:
        pieces = body.iter_chunks(PIECE)
        try:
            while True:
                with self._asked():  # not around what is done with them
                    data = next(pieces, b"")
                if not data:
                    return
                yield data
        finally:
            body.close()

    def put(self, key: str, data: bytes, sha256: bytes, kind: str) -> bool:
        """Make an object of a few bytes; False: there is one of that name, which stays as it is."""
        with self._asked_to_make() as made:
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
            self._check(key, said, in_base64(sha256))
        return made.there

    def begin(self, key: str, sha256: bytes, kind: str) -> str:
        """Begin an object of many parts; the name of the upload."""
        with self._asked():
            said = self.client.create_multipart_upload(
                Bucket=self.name,
                Key=key,
                ContentType=kind,
                ChecksumAlgorithm="SHA256",
                Metadata={MARK: sha256.hex()},
            )
        return str(said["UploadId"])

    def put_part(self, key: str, upload: str, number: int, data: bytes, sha256: bytes) -> dict[str, Any]:
        """Send one part, from 1 on; what `complete` wants of it."""
        with self._asked():
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
        """Make an object of its parts; False: there is one of that name meanwhile, which stays as it is."""
        with self._asked_to_make() as made:
            said = self.client.complete_multipart_upload(
                Bucket=self.name,
                Key=key,
                UploadId=upload,
                MultipartUpload={"Parts": parts},
                IfNoneMatch="*",
            )
            self._check(key, said, checksum)
        return made.there

    def drop(self, key: str, upload: str) -> None:
        """Let the storage forget the parts of an upload of ours that will not become an object."""
        try:
            with self._asked():
                self.client.abort_multipart_upload(Bucket=self.name, Key=key, UploadId=upload)
        except _Missing:
            return

    def _check(self, key: str, said: Mapping[str, Any], expected: str) -> None:
        """Compare the checksum that the storage took, if it says one."""
        found = said.get("ChecksumSHA256")
        if found is not None and found.partition("-")[0] != expected:
            raise BucketAway(f"{self.shown}: of {key} other bytes arrived than were sent; it is sent again")

    @contextmanager
    def _asked_to_make(self) -> Iterator[_Made]:
        made = _Made()
        try:
            with self._asked():
                yield made
        except _Taken:
            made.there = False

    @contextmanager
    def _asked(self) -> Iterator[None]:
        """Turn the library's exceptions into our own errors."""
        from botocore.exceptions import BotoCoreError, ClientError

        try:
            yield
        except ClientError as error:
            raise self._refusal(error) from error
        except (
            BotoCoreError,
            OSError,
        ) as error:  # of the connection: refused, timed out, cut off, its certificate
            said = str(error).replace("\n", " ")[:300]
            raise BucketAway(f"{self.shown} does not answer: {said}") from error

    def _refusal(self, error: Any) -> BucketRefused:
        status = int(error.response.get("ResponseMetadata", {}).get("HTTPStatusCode") or 0)
        said = error.response.get("Error", {})
        code = str(said.get("Code") or "")
        if code == "NoSuchKey" or code == "NoSuchUpload" or (status == 404 and code != "NoSuchBucket"):
            return _Missing(f"{self.shown}: there is no such object")
        if status == 412:
            return _Taken(f"{self.shown}: the object is not as was expected")
        if status in AWAY or status == CONFLICT:
            return BucketAway(f"{self.shown} cannot do that now ({status} {code})")
        known = code if code in REMEDIES else BY_STATUS.get(status, "")
        said_code = "" if not code or code.isdigit() else f" {code}"
        remedy = REMEDIES.get(known) or str(said.get("Message") or "look at its own log")
        return BucketRefused(f"{self.shown} refuses ({status}{said_code}): {remedy}")


MARK = "nearfar-sha256"
"""Under what name an object of ours carries the digest of its bytes."""


@dataclass
class _Made:
    there: bool = True


class _Missing(BucketRefused):
    """There is no such object."""


class _Taken(BucketRefused):
    """A condition of the request does not hold."""


def in_base64(digest: bytes) -> str:
    """As the protocol writes checksums."""
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


@dataclass(frozen=True, kw_only=True)
class Keys:
    """What requests are signed with."""

    id: str
    secret: str

    def __repr__(self) -> str:
        """Never the secret."""
        return f"Keys({self.id!r})"


def keys_of(table: BucketTable, environment: Mapping[str, str]) -> Keys:
    """The keys that a bucket's settings name. Raises `UsageError`, which names what is missing and never a secret."""
    about = f"keys of the bucket {table.name}"
    if table.keys.startswith(ENVIRONMENT):
        name = table.keys.removeprefix(ENVIRONMENT)
        found = {part: environment.get(f"{name}_{part.upper()}") for part in ("id", "secret")}
        where = f"{name}_ID and {name}_SECRET in the environment"
    else:
        where = f"id and secret in {table.keys}"
        try:
            content = tomllib.loads(Path(table.keys).read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not readable as TOML"
            raise UsageError(f"{about}: {table.keys}: {reason}; expected {where}") from None
        found = {part: content.get(part) for part in ("id", "secret")}
    key, secret = found["id"], found["secret"]
    if not isinstance(key, str) or not isinstance(secret, str) or not key or not secret:
        raise UsageError(
            f"{about}: expected {where}; found {', '.join(n for n, v in found.items() if v) or 'neither'}"
        )
    return Keys(id=key, secret=secret)


@lru_cache(maxsize=8)
def _client(table: BucketTable, keys: Keys) -> Any:
    """The library's client, which any number of threads may share; to make one takes a quarter of a second."""
    try:
        from botocore.config import Config
        from botocore.session import Session
    except ImportError as error:
        raise UsageError(f"bucket {table.name}: {NO_LIBRARY}") from error
    session = Session()
    for variable in ("config_file", "credentials_file"):  # a file of this user's own has no say
        session.set_config_variable(variable, os.devnull)
    config = Config(
        signature_version="s3v4",
        connect_timeout=CONNECT,
        read_timeout=READ,
        retries={"mode": "standard", "total_max_attempts": TRIES},
        max_pool_connections=32,
        s3={"addressing_style": "path"},
        request_checksum_calculation="when_required",
        response_checksum_validation="when_required",
    )
    client = session.create_client(
        "s3",
        endpoint_url=table.endpoint,
        region_name=table.region,
        aws_access_key_id=keys.id,
        aws_secret_access_key=keys.secret,
        config=config,
    )
    client.meta.events.register("before-send.s3", partial(_stay, table))
    return client


def _stay(table: BucketTable, request: Any, **_: Any) -> None:
    """Nothing is ever sent to another place than the settings say, whatever an answer said or the library makes of it."""
    if urlsplit(request.url)[:2] != urlsplit(table.endpoint)[:2]:
        raise BucketRefused(
            f"bucket {table.name} at {table.endpoint}: it sends on to another place, and that is not followed; "
            "correct endpoint and region of objects.buckets"
        )

"""What an object storage or the library answers when something went wrong, as errors of our own that say what to do."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from nearfar.errors import BucketAway, BucketRefused

AWAY = {408, 429, 500, 502, 503, 504}
"""HTTP statuses after which asking again may help."""
ADDRESS = re.compile(r'(:\s)?"?https?://[^\s"]+"?')
"""An endpoint as the library writes it into its messages; whoever runs the server has it in the settings."""
CONFLICT = 409
"""Somebody else is making the same object right now; asking again tells how that ended."""
CONDITION_FAILED = 412
"""The object is not as the request says (RFC 9110, 15.5.13)."""
REMEDIES: Mapping[str, str] = {
    "NoSuchBucket": "there is no bucket of that name; make it, or correct objects.buckets",
    "InvalidAccessKeyId": "it does not know the key; correct what keys of objects.buckets names",
    "SignatureDoesNotMatch": "the secret is not that of the key; correct what keys of objects.buckets names",
    "AccessDenied": "the key has no right to do that; let the owner of the bucket give it",
    "RequestTimeTooSkewed": "its clock and this machine's differ too much; set both by a time server",
    "PermanentRedirect": "the bucket lives at another endpoint; correct endpoint and region of objects.buckets",
    "AuthorizationHeaderMalformed": "it wants another region; correct region of objects.buckets",
}
"""By code of the S3 API (its reference, 'Error responses'): what a person can do."""
BY_STATUS = {301: "PermanentRedirect", 307: "PermanentRedirect", 403: "AccessDenied", 404: "NoSuchBucket"}
"""The code to assume if only the status is known: answers to HEAD have no body."""


class NoSuchObject(BucketRefused):
    """There is no object, or no upload, of that name."""


class ConditionFailed(BucketRefused):
    """The object is not as the request required: it changed, or one of that name exists already."""


@contextmanager
def translated(shown: str) -> Iterator[None]:
    """Turn the library's exceptions into our own errors, with ``shown`` as the bucket's name in messages.

    Raises
    ------
    NoSuchObject, ConditionFailed, BucketAway, BucketRefused
    """
    from botocore.exceptions import BotoCoreError, ClientError

    try:
        yield
    except ClientError as error:
        raise _refusal(shown, error.response) from error
    except (BotoCoreError, OSError) as error:  # refused, timed out, cut off, a certificate
        said = ADDRESS.sub("", str(error).replace("\n", " "))[:300]
        raise BucketAway(f"{shown} does not answer: {said}") from error


def _refusal(shown: str, response: Mapping[str, Any]) -> BucketRefused:
    status = int(response.get("ResponseMetadata", {}).get("HTTPStatusCode") or 0)
    said = response.get("Error", {})
    code = str(said.get("Code") or "")
    if code in {"NoSuchKey", "NoSuchUpload"} or (status == 404 and code != "NoSuchBucket"):
        return NoSuchObject(f"{shown}: there is no such object")
    if status == CONDITION_FAILED:
        return ConditionFailed(f"{shown}: the object is not as was expected")
    if status in AWAY or status == CONFLICT:
        return BucketAway(f"{shown} cannot do that now ({status} {code})")
    known = code if code in REMEDIES else BY_STATUS.get(status, "")
    said_code = "" if not code or code.isdigit() else f" {code}"
    remedy = REMEDIES.get(known) or str(said.get("Message") or "look at its own log")
    return BucketRefused(f"{shown} refuses ({status}{said_code}): {remedy}")

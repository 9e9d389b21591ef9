"""An object storage that speaks S3 (moto's server, Apache 2.0), in a process of its own, and a wire to it that can be cut.

The server checks signatures and rights, so that wrong keys are refused as anywhere. What its buckets hold is looked at by
another client than ours (obstore, which shares no code with it).
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import obstore
from botocore.config import Config
from botocore.session import Session
from obstore.store import S3Store

from nearfar.object_tables import BucketTable
from tests.ports import free_port

SHOOTS = "shoots"
RIGHTS = {
    "studio": ["s3:GetObject", "s3:ListBucket", "s3:PutObject", "s3:AbortMultipartUpload"],
    "guest": ["s3:ListBucket"],
    "warden": ["s3:*"],  # looks after it: nothing of ours
}
"""What users may do with the bucket; all of the protocol that the server needs, and less."""


@dataclass(frozen=True, kw_only=True)
class User:
    id: str
    secret: str


@dataclass(kw_only=True)
class Storage:
    """A running one, with the bucket `SHOOTS`."""

    port: int
    users: dict[str, User] = field(default_factory=dict)

    @property
    def endpoint(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def table(self, folder: Path, *, user: str = "studio", **changes: Any) -> BucketTable:
        """Settings of the bucket, with the user's keys in a file in ``folder``."""
        keys = folder / f"{user}.keys"
        keys.write_text(f'id = "{self.users[user].id}"\nsecret = "{self.users[user].secret}"\n')
        keys.chmod(0o600)
        plain = {"name": SHOOTS, "endpoint": self.endpoint, "keys": str(keys), "prefix": "cards/"}
        return BucketTable(**plain | {"results": "merged/"} | changes)

    def other(self) -> S3Store:
        """The bucket as another client has it."""
        owner = self.users["studio"]
        return S3Store(
            SHOOTS,
            endpoint=self.endpoint,
            region="us-east-1",
            access_key_id=owner.id,
            secret_access_key=owner.secret,
            client_options={"allow_http": True},
        )

    def lay(self, key: str, data: bytes) -> str:
        """Put an object there, by the other client; its ETag."""
        return str(obstore.put(self.other(), key, data)["e_tag"])

    def read(self, key: str) -> bytes:
        return bytes(obstore.get(self.other(), key).bytes())

    def keys(self, prefix: str = "") -> list[str]:
        """Keys below a prefix."""
        return [each["path"] for page in obstore.list(self.other(), prefix or None) for each in page]


@contextmanager
def object_storage(port: int | None = None) -> Iterator[Storage]:
    """Run one; nothing that it holds has to survive."""
    made = Storage(port=port or free_port())
    environment = {k: v for k, v in os.environ.items() if not k.startswith("AWS_")}
    environment["INITIAL_NO_AUTH_ACTION_COUNT"] = "1000000"  # until there are users
    process = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", "moto.server", "-H", "127.0.0.1", "-p", str(made.port)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        _wait(made, process)
        _set_up(made)
        yield made
    finally:
        process.kill()
        process.wait()


def _wait(made: Storage, process: subprocess.Popen[bytes]) -> None:
    for _ in range(1200):
        assert process.poll() is None, "moto's server ended"
        with suppress(OSError), socket.create_connection(("127.0.0.1", made.port), 1.0):
            return
        time.sleep(0.05)
    raise AssertionError("moto's server does not answer")


def client(made: Storage, service: str, user: User | None = None) -> Any:
    return Session().create_client(
        service,
        endpoint_url=made.endpoint,
        region_name="us-east-1",
        aws_access_key_id=user.id if user else "nobody",
        aws_secret_access_key=user.secret if user else "nothing",
        config=Config(s3={"addressing_style": "path"}),
    )


def _set_up(made: Storage) -> None:
    iam = client(made, "iam")
    for name, actions in RIGHTS.items():
        iam.create_user(UserName=name)
        rule = {
            "Effect": "Allow",
            "Action": actions,
            "Resource": "*" if name == "warden" else [f"arn:aws:s3:::{SHOOTS}", f"arn:aws:s3:::{SHOOTS}/*"],
        }
        policy = json.dumps({"Version": "2012-10-17", "Statement": [rule]})
        iam.put_user_policy(UserName=name, PolicyName="rights", PolicyDocument=policy)
        key = iam.create_access_key(UserName=name)["AccessKey"]
        made.users[name] = User(id=key["AccessKeyId"], secret=key["SecretAccessKey"])
    client(made, "s3").create_bucket(Bucket=SHOOTS)
    _ask(f"{made.endpoint}/moto-api/reset-auth", b"0")  # from now on signatures and rights are checked


def _ask(url: str, data: bytes) -> None:
    asked = urllib.request.Request(url, data=data, headers={"content-type": "text/plain"})
    with urllib.request.urlopen(asked) as answer:
        assert answer.status == 200


class Wire:
    """Carries bytes to a port, and back until it is cut: after some bytes, or altogether."""

    def __init__(self, to: int) -> None:
        self.to = to
        self.left: int | None = None
        """Bytes of answers that still come through; None: any number."""
        self.cuts = 0
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        self._socket.close()

    def _accept(self) -> None:
        while True:
            try:
                here, _ = self._socket.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(here,), daemon=True).start()

    def _carry(self, here: socket.socket) -> None:
        try:
            there = socket.create_connection(("127.0.0.1", self.to))
        except OSError:
            here.close()
            return
        threading.Thread(target=self._pump, args=(here, there, False), daemon=True).start()
        self._pump(there, here, True)

    def _pump(self, source: socket.socket, target: socket.socket, back: bool) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                if back and self.left is not None:
                    data = data[: self.left]
                    self.left -= len(data)
                target.sendall(data)
                if back and self.left == 0:
                    self.cuts += 1
                    break
        for each in (source, target):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()

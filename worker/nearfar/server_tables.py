"""The tables of the server's settings: every setting there is, with what it means and what it may be.

`nearfar.server_settings` reads them; ``config/nearfar.toml`` explains them in the same order.
"""

from __future__ import annotations

import getpass
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import BeforeValidator, Field, model_validator

from nearfar.object_tables import ObjectsTable
from nearfar.settings import default_memory, default_threads
from nearfar.table_types import Days, Folder, Limit, Network, Seconds, Size, Table, listed


class ServerTable(Table):
    """Where the server lives, and who may talk to it."""

    data: Folder = Field(default_factory=lambda: Path.home() / "nearfar")
    """Folder of everything: inbox/, results/, and what the server keeps for itself."""
    host: str = "127.0.0.1"
    """Address to listen at. Anything but this machine's own asks for a key or accounts."""
    port: int = Field(default=8765, ge=0, le=65535)
    """0 takes a free one."""
    key: str | None = None
    """Whoever talks to the server shows this; never needed on the loopback address."""
    accounts: bool = False
    """People log in, and programs show keys of their own; see the table people."""
    proxies: Annotated[tuple[Network, ...], BeforeValidator(listed)] = ()
    """Addresses of reverse proxies, whose word for who asks is taken (X-Forwarded-For and -Proto)."""
    names: Annotated[tuple[str, ...], BeforeValidator(listed)] = ()
    """Further host names by which the server is reached, e.g. of a reverse proxy."""
    path: str = ""
    """Sub-path behind a reverse proxy, like ``/merge``."""
    shared: Annotated[tuple[Folder, ...], BeforeValidator(listed)] = ()
    """Folders from which the API may take frames by path, besides the inbox."""
    owner: str = Field(default_factory=getpass.getuser, min_length=1, max_length=100)
    """Owner of what comes without one."""
    largest_upload: Size = 2 << 30
    """Bytes that one uploaded frame may have."""
    looked: Size = 4 << 30
    """Room in scratch for frames that were made ready to be looked at: about four bytes a pixel each."""
    open_pictures: bool = False
    """Let other sites' pages show the pictures (IIIF) although the server asks for no key."""

    @model_validator(mode="after")
    def _closed_to_strangers(self) -> Self:
        if not self.locked and not self.local:
            raise ValueError(
                f"host {self.host} can be reached from other machines, and there is no key; set a key of at least 16 "
                "characters, let people log in (accounts = true), or listen at 127.0.0.1"
            )
        if self.key is not None and len(self.key) < 16:
            raise ValueError(f"key has {len(self.key)} characters; at least 16 are expected")
        if self.path and (not self.path.startswith("/") or self.path.endswith("/")):
            raise ValueError(f"path {self.path!r}: expected '' or something like '/merge'")
        return self

    @property
    def locked(self) -> bool:
        """Whether anything is asked of whoever comes."""
        return bool(self.key) or self.accounts

    @property
    def local(self) -> bool:
        """Whether only this machine can reach it."""
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


class PeopleTable(Table):
    """What holds for people who log in, and for owners of jobs. It counts if the server asks who comes."""

    private: bool = False
    """Whoever may not run the server sees only jobs of their own."""
    idle: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 12.0
    """Hours without a request after which someone has to log in again."""
    longest: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 7.0
    """Days after which someone has to log in again in any case."""
    jobs: int = Field(default=0, ge=0)
    """Jobs of one owner that have not ended; 0: any number."""
    uploads: Limit = 0
    """Bytes of uploaded frames that are kept for one owner; 0: any number."""
    results: Limit = 0
    """Bytes of results that are kept for one owner; 0: any number."""
    provider: str | None = None
    """Issuer of OpenID Connect at which people may log in."""
    client: str | None = None
    """By what name that provider knows this server."""
    secret: str | None = None
    """What this server shows to the provider."""
    newcomers: Literal["", "look", "submit", "mend", "run"] = ""
    """Role of someone whom the provider sends for the first time; empty: only who has an account may come."""
    claim: str = Field(default="preferred_username", min_length=1)
    """What the provider calls a newcomer's name."""

    @model_validator(mode="after")
    def _provider_whole(self) -> Self:
        if self.provider is None:
            return self
        if not self.client or not self.secret:
            raise ValueError("provider needs client and secret; the provider gives out both")
        parts = urlsplit(self.provider)
        near = parts.hostname in {"localhost", "127.0.0.1", "::1"}
        if not parts.hostname or parts.scheme not in ({"https", "http"} if near else {"https"}):
            raise ValueError(f"provider {self.provider!r}: expected an address like https://id.example")
        return self


class StoreTable(Table):
    """The job store."""

    url: str | None = None
    """``postgresql://user@host/database``; a SQLite file in the data folder if not given."""
    lease: Seconds = 60.0
    """How long a worker may be silent about a unit before another takes it."""
    attempts: int = Field(default=3, ge=1, le=100)
    """How often a unit is tried."""
    retry_after: float = Field(default=5.0, ge=0)
    """Seconds of rest after a first failure; doubled after each further one."""


class BrokerTable(Table):
    """What carries hints that work waits."""

    url: str | None = None
    """``redis://host:6379/0``; files in the data folder if not given, which needs no server."""


class WorkerTable(Table):
    """What the workers of this machine may take."""

    memory: Size = Field(default_factory=default_memory)
    """Bytes for all units at work together; the top-level setting ``memory`` says the same."""
    threads: int = Field(default_factory=default_threads, ge=1, le=1024)
    """Threads for all units together; the top-level setting ``threads`` says the same."""
    slots: int = Field(default=0, ge=0, le=256)
    """Units at a time; 0: one for every four threads."""
    scratch: Folder | None = None
    """Folder on a fast local disk for decoded frames; in the data folder if not given."""
    spare_disk: Size = 1 << 30
    """Bytes left free on every disk that is written to."""
    share_rows: bool = False
    """Keep decoded frames in the data folder, where workers of all machines see them, instead of in ``scratch``."""

    @property
    def places(self) -> int:
        """Units at a time."""
        return self.slots or max(1, self.threads // 4)

    @property
    def slot_memory(self) -> int:
        """Bytes for one unit."""
        return self.memory // self.places

    @property
    def slot_threads(self) -> int:
        """Threads of one unit."""
        return max(1, self.threads // self.places)


class WatchedFolder(Table):
    """A folder of stacks besides the inbox, each sub-folder of which is one."""

    path: Folder
    owner: str | None = None
    recipe: str | None = None
    priority: int = Field(default=0, ge=-9, le=9)
    each_folder: Literal["stack", "card"] | None = None
    """As for the inbox, if not given."""


class InboxTable(Table):
    """How the watched folders are read."""

    folders: Annotated[tuple[WatchedFolder, ...], BeforeValidator(listed)] = ()
    """Further folders; in the file as ``[[inbox.folders]]``."""
    each_folder: Literal["stack", "card"] = "stack"
    """What a folder of frames is, unless it is a card in any case."""
    scan: Seconds = 2.0
    """Seconds between two looks."""
    quiet: Seconds = 5.0
    """Seconds for which nothing may change in a stack before it counts as complete."""
    quiet_unseen: Seconds = 20.0
    """The same if it cannot be seen whether a file is still open for writing: shares, other users' programs."""
    patience: Seconds = 120.0
    """Seconds after which a quiet stack with a file that cannot be read is given up, until that file changes."""
    recipe: str = "standard"
    """Recipe of stacks that come without one."""
    duplicates: Literal["skip", "again"] = "skip"
    """What to do with a set of frames that was merged before."""
    after: Literal["leave", "move"] = "leave"
    """What becomes of the frames once the result was opened again and checked. They are never deleted."""
    move_to: Folder | None = None
    """Where ``after = "move"`` puts them; ``merged`` in the data folder if not given."""
    ignore: Annotated[tuple[str, ...], BeforeValidator(listed)] = ()
    """Further patterns of names that are no frames, like ``"*_proof.jpg"``."""


class KeepTable(Table):
    """How long what is no longer needed stays. In days; 0 keeps for ever."""

    jobs: Days = 0.0
    """Records of jobs that ended."""
    results: Days = 0.0
    """Their results, by when the job ended."""
    uploads: Days = 7.0
    """Uploaded frames, after the job that they belong to is done; those of failed jobs go with the job's record."""
    trail: Days = 365.0
    """Lines of the audit trail."""
    work: Days = 7.0
    """What was made on the way to a result, for running again with other settings."""
    versions: int = Field(default=3, ge=0, le=1000)
    """How many earlier versions of a mended picture stay, in number and not days, besides the first, which stays as long
    as the result does: mends begin from it.
    """


class NotifyTable(Table):
    """How messages are sent that people and programs want ('nearfar notify')."""

    smtp: str | None = None
    """``host`` or ``host:port`` of the mail server."""
    tls: Literal["starttls", "tls", "none"] = "starttls"
    """How the way to the mail server is kept from strangers."""
    user: str | None = None
    """By what name this server logs in at the mail server; not at all if not given."""
    password: str | None = None
    sender: str | None = None
    """Mailbox from which messages come."""
    url: str | None = None
    """Where people reach the server's pages; for the links in messages."""
    inside: Annotated[tuple[Network, ...], BeforeValidator(listed)] = ()
    """Networks of one's own to which webhooks may be sent."""
    keep: Days = 30.0
    """Days for which it is kept what was sent; 0: for ever."""


class ClientTable(Table):
    """How the commands that talk to a server find it: send, jobs, show, fetch, cancel and their kin."""

    url: str | None = None
    """``https://host/path``; the server of this machine's data folder if not given. `NEARFAR_URL` says the same."""
    key: str | None = None
    """What is shown to the server; the key of ``[server]`` if not given. `NEARFAR_KEY` says the same."""


class ServerSettings(Table):
    """All of it."""

    server: ServerTable = Field(default_factory=lambda: ServerTable())
    people: PeopleTable = Field(default_factory=lambda: PeopleTable())
    store: StoreTable = Field(default_factory=lambda: StoreTable())
    broker: BrokerTable = Field(default_factory=lambda: BrokerTable())
    worker: WorkerTable = Field(default_factory=lambda: WorkerTable())
    inbox: InboxTable = Field(default_factory=lambda: InboxTable())
    keep: KeepTable = Field(default_factory=lambda: KeepTable())
    notify: NotifyTable = Field(default_factory=lambda: NotifyTable())
    objects: ObjectsTable = Field(default_factory=lambda: ObjectsTable())
    client: ClientTable = Field(default_factory=lambda: ClientTable())

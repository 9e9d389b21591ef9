"""Accounts, keys, sessions and what belongs to them, as the rest of the program sees them. Every method is one transaction.

It works on an open `Store`: ``People(store)``. Any method may raise `StoreUnreachable`.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Mapping
from typing import Any

from nearfar.jobs import events, flags, quotas
from nearfar.jobs.engine import Tx
from nearfar.jobs.people import accounts, keys, links, passwords, sessions, tries
from nearfar.jobs.people.accounts import Account
from nearfar.jobs.people.keys import Key
from nearfar.jobs.people.roles import Role
from nearfar.jobs.people.sessions import Session
from nearfar.jobs.quotas import Taken
from nearfar.jobs.store import Store

PRIVATE = ("account.", "key.", "session.", "login.", "right.", "links.")
"""Lines of the trail that are for the role run alone begin like this."""


class People:
    """Those who use a server, by its store."""

    def __init__(self, store: Store) -> None:
        self._db = store.database

    # Accounts

    def add(
        self, name: str, *, role: Role, password: str | None = None, subject: str | None = None, who: str
    ) -> Account:
        """Make an account, with a password or the subject at a provider, or with neither yet.

        Raises
        ------
        UsageError
            The name or the password will not do.
        StoreError
            There is one of that name.
        """
        stored = self._kept(name, password)
        return self._db.write(
            lambda tx: accounts.add(tx, name, role=role, password=stored, subject=subject, who=who)
        )

    @staticmethod
    def _kept(name: str, password: str | None) -> str | None:
        if password is None:
            return None
        passwords.check(password, name=name)
        return passwords.kept(password)

    def change(
        self,
        name: str,
        *,
        role: Role | None = None,
        password: str | None = None,
        subject: str | None = None,
        closed: bool | None = None,
        who: str,
    ) -> Account:
        """Change what is given; all sessions end unless only the role changes. Raises `NotFound` and as `add`."""
        given = {"role": role, "password": self._kept(name, password), "subject": subject, "closed": closed}
        changes: Mapping[str, Any] = {key: value for key, value in given.items() if value is not None}
        return self._db.write(lambda tx: accounts.change(tx, name, changes, who=who))

    def remove(self, name: str, *, who: str) -> None:
        """Remove an account, its keys and sessions; its jobs stay. Raises `NotFound`."""
        self._db.write(lambda tx: accounts.remove(tx, name, who=who))

    def account(self, name: str) -> Account:
        """One; raises `NotFound`."""
        return self._db.read(lambda tx: accounts.get(tx, name))

    def accounts(self) -> tuple[Account, ...]:
        """All, by name."""
        return self._db.read(accounts.known)

    def by_subject(self, subject: str) -> Account | None:
        """The account that a provider's claims mean."""
        return self._db.read(lambda tx: accounts.by_subject(tx, subject))

    # Logging in

    def try_password(
        self, name: str, password: str, *, source: str, known: bool, address: str
    ) -> Account | float:
        """The account, if name and password go together; else the seconds to wait before the next try, or 0.

        The answer says nothing about whether there is such an account, and neither does the time that it takes.
        """
        wait = self._db.write(lambda tx: tries.begin(tx, name, source, known=known))
        if wait > 0:
            return wait
        found = self._db.read(lambda tx: accounts.find(tx, name))
        right = passwords.holds(password, found.password if found else None)
        if found is None or not right or found.closed:
            why = "closed" if found is not None and right else "no such name or password"
            self._db.write(lambda tx: tries.failed(tx, name, address=address, why=why))
            return 0.0
        again = passwords.kept(password) if found.password and passwords.ageing(found.password) else None
        self._db.write(lambda tx: self._came_in(tx, found, source, again))
        return found

    @staticmethod
    def _came_in(tx: Tx, account: Account, source: str, stored: str | None) -> None:
        tries.succeeded(tx, account.name, source)
        if stored is not None:
            accounts.renew_password(tx, account.name, stored)

    def begin_session(
        self, account: str, *, address: str, agent: str, how: str, instead_of: str | None = None
    ) -> str:
        """Log someone in; the token for the browser."""
        return self._db.write(
            lambda tx: sessions.begin(
                tx, account, address=address, agent=agent, how=how, instead_of=instead_of
            )
        )

    def session(self, token: str, *, idle: float, longest: float) -> Account | None:
        """Whose session a token is, if it is one that has not ended."""
        now, found = self._db.read(lambda tx: (tx.now, sessions.find(tx, token, idle=idle, longest=longest)))
        if found is None:
            return None
        session, account = found
        if now - session.seen > min(sessions.NOTE, idle / 4):
            self._db.write(lambda tx: sessions.seen(tx, session.id))
        return account

    def end_session(self, token: str) -> None:
        """Log someone out."""
        self._db.write(lambda tx: sessions.end(tx, token))

    def end_sessions(self, account: str) -> None:
        """End all sessions of an account."""
        self._db.write(lambda tx: accounts.end_sessions(tx, account))

    def sessions(self, account: str) -> tuple[Session, ...]:
        """Where someone is logged in."""
        return self._db.read(lambda tx: sessions.of(tx, account))

    def forget_sessions(self, *, idle: float, longest: float) -> int:
        """Remove sessions that ended; how many."""
        return self._db.write(lambda tx: sessions.forget(tx, idle=idle, longest=longest))

    # Keys

    def make_key(
        self, *, account: str | None, name: str, scopes: Iterable[Role], days: float | None, who: str
    ) -> tuple[Key, str]:
        """A new key and its secret, which cannot be shown again. Raises `UsageError`, `NotFound`."""
        seconds = None if days is None else 86400 * days
        chosen = tuple(scopes)
        return self._db.write(
            lambda tx: keys.make(tx, account=account, name=name, scopes=chosen, seconds=seconds, who=who)
        )

    def key(self, secret: str) -> tuple[Key, Account | None, str] | None:
        """The key of a secret, its account, and its state: 'good', 'revoked', 'expired' or 'closed'."""
        now, found = self._db.read(lambda tx: (tx.now, keys.shown(tx, secret)))
        if found is None:
            return None
        key, account = found
        state = "closed" if account is not None and account.closed else key.state(now)
        if state == "good" and now - (key.used or 0.0) > keys.NOTE:
            self._db.write(lambda tx: keys.used(tx, key.id))
        return key, account, state

    def keys(self, *, account: str | None = None) -> tuple[tuple[Key, str], ...]:
        """Keys with their states, all or those of an account."""
        return self._db.read(
            lambda tx: tuple((key, key.state(tx.now)) for key in keys.known(tx, account=account))
        )

    def revoke_key(self, number: int, *, who: str) -> Key:
        """End a key. Raises `NotFound`."""
        return self._db.write(lambda tx: keys.revoke(tx, number, who=who))

    # The rest

    def note(self, action: str, *, who: str, detail: Mapping[str, Any], job: int | None = None) -> None:
        """Put a line into the trail that belongs to no other change."""
        self._db.write(lambda tx: events.record(tx, action, who=who, job=job, detail=detail))

    def secret(self, name: str) -> bytes:
        """A secret of the server's own, made when it is first asked for: 'links' or 'cookies'."""
        known = self._db.read(lambda tx: flags.secret(tx, name))
        return known or self._db.write(lambda tx: flags.make_secret(tx, name, secrets.token_bytes(32)))

    def new_secret(self, name: str, *, who: str) -> None:
        """Replace a secret, which makes everything invalid that was signed with the old one."""

        def replace(tx: Tx) -> None:
            flags.make_secret(tx, name, secrets.token_bytes(32), anew=True)
            events.record(tx, f"{name}.ended", who=who)

        self._db.write(replace)

    def link(self, *, job: int, name: str, until: int) -> str:
        """A link to a file of a job's result that is good without a key until then; below the server's root path."""
        return links.address(self.secret("links"), job=job, name=name, until=until)

    def taken(self, owner: str) -> Taken:
        """What an owner takes up."""
        return self._db.read(lambda tx: quotas.taken(tx, owner))

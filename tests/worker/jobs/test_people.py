"""Accounts, keys, sessions and tries to log in, in both databases."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from nearfar.errors import NotFound, StoreError, UsageError
from nearfar.jobs import Account, People, Role, Store, open_store, restore
from nearfar.jobs.people import links, passwords, tries
from nearfar.jobs.people.tables import accounts, keys, sessions
from tests.worker.jobs.making import Clock

WORDS = "lichen slate rain kettle"
OTHER = "another row of words"


@pytest.fixture
def people(store: Store) -> People:
    return People(store)


def trail(store: Store) -> list[tuple[str, str]]:
    return [(event.action, event.who) for event in store.events()]


def log_in(people: People, name: str, password: str = WORDS, *, source: str = "10.0.0.1") -> Account | float:
    return people.try_password(name, password, source=source, known=False, address=source)


def test_roles_are_an_order_each_including_those_before() -> None:
    assert [role.value for role in Role] == ["look", "submit", "mend", "run"]
    assert all(high.covers(low) for low, high in zip(list(Role), list(Role)[1:], strict=False))
    assert not Role.SUBMIT.covers(Role.MEND)


def test_an_account_is_one_whatever_the_case_of_its_letters(people: People, store: Store) -> None:
    people.add("Mara", role=Role.SUBMIT, who="console")
    assert people.account(" mara ").name == "Mara"
    with pytest.raises(StoreError, match="already"):
        people.add("MARA", role=Role.LOOK, who="console")
    people.change("mara", role=Role.MEND, who="console")
    assert people.account("Mara").role is Role.MEND
    people.remove("MARA", who="console")
    with pytest.raises(NotFound):
        people.account("Mara")
    assert [action for action, _ in trail(store)] == ["account.added", "account.changed", "account.removed"]


@pytest.mark.parametrize("name", ["", "  ", "a/b", "<b>x", "x\ny", "http", "Server", "-x", "x" * 61, "a\0b"])
def test_names_that_would_mislead_are_refused(people: People, name: str) -> None:
    with pytest.raises(UsageError, match="name"):
        people.add(name, role=Role.LOOK, who="console")


@pytest.mark.parametrize("password", ["short", "x" * 20, "abababababababababab", "x" * 5000])
def test_passwords_that_are_easily_guessed_are_refused(people: People, password: str) -> None:
    with pytest.raises(UsageError, match="password"):
        people.add("mara", role=Role.LOOK, password=password, who="console")


def test_a_password_is_kept_as_argon2id_of_rfc_9106(people: People, store: Store) -> None:
    people.add("mara", role=Role.LOOK, password=WORDS, who="console")
    stored = store.database.read(lambda tx: tx.conn.scalar(sa.select(accounts.c.password)))
    # RFC 9106, section 4, second recommended option: t=3 iterations, p=4 lanes, m=2^16 KiB.
    assert stored is not None
    assert stored.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert passwords.holds(WORDS, stored)
    assert not passwords.holds(WORDS + "x", stored)
    assert not passwords.holds(WORDS, None)
    assert passwords.holds("ﬁve ﬁsh in the pond", passwords.kept("five fish in the pond")), "NFKC"


def test_the_right_password_lets_in_and_a_closed_account_does_not(people: People, store: Store) -> None:
    people.add("mara", role=Role.LOOK, password=WORDS, who="console")
    people.add("away", role=Role.LOOK, who="console")
    found = log_in(people, "MARA")
    assert isinstance(found, Account)
    assert found.name == "mara"
    assert log_in(people, "mara", OTHER) == 0.0
    assert log_in(people, "away", "") == 0.0
    assert log_in(people, "nobody at all") == 0.0
    people.change("mara", closed=True, who="console")
    assert log_in(people, "mara") == 0.0
    assert [action for action, _ in trail(store)].count("login.refused") == 4
    assert all(WORDS not in str(event.detail) and OTHER not in str(event.detail) for event in store.events())


def test_a_session_ends_idle_and_in_any_case(people: People, clock: Clock) -> None:
    people.add("mara", role=Role.LOOK, who="console")
    ends = {"idle": 3600.0, "longest": 86400.0}
    token = people.begin_session("mara", address="10.0.0.1", agent="x", how="password")
    for _ in range(24):
        clock.now += 3590
        assert people.session(token, **ends) is not None, "whoever is there stays"
    clock.now += 3590
    assert people.session(token, **ends) is None, "but not for ever"
    other = people.begin_session("mara", address="10.0.0.1", agent="x", how="password")
    clock.now += 3601
    assert people.session(other, **ends) is None
    assert people.forget_sessions(**ends) == 2
    assert people.sessions("mara") == ()


def test_a_new_session_ends_the_one_the_browser_had(people: People, store: Store) -> None:
    people.add("mara", role=Role.LOOK, who="console")
    ends = {"idle": 3600.0, "longest": 86400.0}
    first = people.begin_session("mara", address="", agent="", how="password")
    second = people.begin_session("mara", address="", agent="", how="password", instead_of=first)
    assert first != second
    assert people.session(first, **ends) is None
    assert people.session(second, **ends) is not None
    kept = store.database.read(lambda tx: tx.conn.scalar(sa.select(sessions.c.id)))
    assert kept == hashlib.sha256(second.encode()).hexdigest()
    people.end_session(second)
    assert people.session(second, **ends) is None
    assert trail(store)[-1] == ("session.ended", "mara")


def test_a_new_password_ends_all_sessions_and_a_new_role_none(people: People) -> None:
    people.add("mara", role=Role.LOOK, who="console")
    ends = {"idle": 3600.0, "longest": 86400.0}
    token = people.begin_session("mara", address="", agent="", how="password")
    people.change("mara", role=Role.RUN, who="console")
    found = people.session(token, **ends)
    assert found is not None
    assert found.role is Role.RUN, "the next request already has it"
    people.change("mara", password=OTHER, who="mara")
    assert people.session(token, **ends) is None


def test_a_key_is_shown_once_and_ends(people: People, store: Store, clock: Clock) -> None:
    people.add("mara", role=Role.SUBMIT, who="console")
    key, secret = people.make_key(
        account="mara", name="rig", scopes=[Role.LOOK, Role.SUBMIT], days=1, who="mara"
    )
    assert len(secret) >= 43, "256 bits in base64"
    stored = store.database.read(lambda tx: tx.conn.scalar(sa.select(keys.c.secret)))
    assert stored == hashlib.sha256(secret.encode()).hexdigest()
    found = people.key(secret)
    assert found is not None
    assert (found[0].id, found[2]) == (key.id, "good")
    assert people.key(secret + "x") is None
    clock.now += 86401
    assert people.key(secret)[2] == "expired"  # type: ignore[index]
    other, second = people.make_key(account="mara", name="rig", scopes=[Role.LOOK], days=None, who="mara")
    people.revoke_key(other.id, who="mara")
    people.revoke_key(other.id, who="mara")
    assert people.key(second)[2] == "revoked"  # type: ignore[index]
    assert [action for action, _ in trail(store)].count("key.revoked") == 1
    assert all(secret not in str(event) for event in store.events())


def test_a_key_can_do_no_more_than_its_account(people: People) -> None:
    people.add("mara", role=Role.MEND, who="console")
    with pytest.raises(UsageError, match="no more"):
        people.make_key(account="mara", name="rig", scopes=[Role.RUN], days=None, who="mara")
    with pytest.raises(UsageError, match="scope"):
        people.make_key(account="mara", name="rig", scopes=[], days=None, who="mara")
    key, secret = people.make_key(account="mara", name="rig", scopes=[Role.MEND], days=None, who="mara")
    people.change("mara", role=Role.LOOK, who="console")
    found = people.key(secret)
    assert found is not None
    assert key.role(found[1]) is Role.LOOK
    people.change("mara", closed=True, who="console")
    assert people.key(secret)[2] == "closed"  # type: ignore[index]
    people.remove("mara", who="console")
    assert people.key(secret) is None


def test_waits_double_up_to_a_quarter_of_an_hour() -> None:
    assert [tries.rest(n, 5) for n in (0, 4, 5, 6, 7, 14, 15, 10_000)] == [0, 0, 1, 2, 4, 512, 900, 900]


def fail(people: People, name: str, source: str, *, known: bool = False) -> float:
    return people._db.write(lambda tx: tries.begin(tx, name, source, known=known))


def test_one_source_has_to_wait_and_others_have_not(people: People, clock: Clock) -> None:
    for _ in range(tries.FREE):
        assert fail(people, "mara", "10.0.0.9") == 0
    assert fail(people, "mara", "10.0.0.9") == 1
    assert fail(people, "MARA", "10.0.0.9") == 1, "one that comes too soon is not counted"
    assert fail(people, "mara", "10.0.0.1") == 0
    assert fail(people, "lena", "10.0.0.9") == 0
    clock.now += 1.1
    assert fail(people, "mara", "10.0.0.9") == 0
    assert fail(people, "mara", "10.0.0.9") == 2
    clock.now += tries.MEMORY + 1
    assert [fail(people, "mara", "10.0.0.9") for _ in range(tries.FREE)] == [0] * tries.FREE


def test_an_address_that_tries_many_accounts_has_to_wait(people: People) -> None:
    for number in range(tries.FREE_SOURCE):
        assert fail(people, f"name-{number}", "10.0.0.9") == 0
    assert fail(people, "mara", "10.0.0.9") > 0
    assert fail(people, "mara", "10.0.0.1") == 0


def test_strangers_cannot_lock_out_a_browser_that_was_there_before(people: People) -> None:
    for number in range(tries.FREE_ACCOUNT):
        assert fail(people, "mara", f"10.0.{number}.9") == 0
    assert fail(people, "mara", "10.1.0.1") > 0, "many addresses together are held up too"
    assert fail(people, "mara", "browser:1", known=True) == 0
    for number in range(tries.FREE_SOURCE):
        fail(people, f"name-{number}", "127.0.0.1")
    assert fail(people, "lena", "127.0.0.1") > 0, "all come from one proxy"
    assert fail(people, "lena", "browser:2", known=True) == 0


def test_tries_survive_a_restart(people: People, store: Store) -> None:
    for _ in range(tries.FREE):
        fail(people, "mara", "10.0.0.9")
    assert fail(People(Store(store.database)), "mara", "10.0.0.9") > 0


def test_a_link_is_good_for_one_file_until_its_end(people: People) -> None:
    secret = people.secret("links")
    assert people.secret("links") == secret
    proof = links.proof(secret, job=3, name="moss.tif", until=1000)
    said: dict[str, Any] = {"job": 3, "name": "moss.tif", "until": 1000}
    assert links.holds(secret, proof, **said, now=999.0)
    assert not links.holds(secret, proof, **said, now=1000.0)
    for other in ({"job": 4}, {"name": "moss.report.json"}, {"until": 2000}):
        assert not links.holds(secret, proof, **(said | other), now=999.0)
    assert not links.holds(secret, proof[:-1], **said, now=999.0)
    people.new_secret("links", who="console")
    assert not links.holds(people.secret("links"), proof, **said, now=999.0)


def test_links_that_were_ended_do_not_come_back_with_an_older_copy(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path}/store.sqlite")
    before = People(store).secret("links")
    store.copy(tmp_path / "copy")
    restore(tmp_path / "copy", tmp_path / "again.sqlite")
    assert People(open_store(f"sqlite:///{tmp_path}/again.sqlite")).secret("links") != before


def test_a_proof_is_the_hmac_of_rfc_2104_over_what_is_fetched() -> None:
    # Reckoned by hand, as RFC 2104, section 2, says: H(K xor opad, H(K xor ipad, text)).
    key, text = b"k" * 32, b"fetch\n3\n1000\nmoss.tif"
    block = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + text).digest()
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).digest()
    expected = base64.urlsafe_b64encode(outer).rstrip(b"=").decode()
    assert links.proof(key, job=3, name="moss.tif", until=1000) == expected

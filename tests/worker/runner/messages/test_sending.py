"""Messages to people and programs arrive, once or again under the same name, and outlive those who send them.

Webhooks are checked by the reference library of the Standard Webhooks specification, e-mail by a mail server (aiosmtpd).
"""

from __future__ import annotations

import email
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from nearfar.cli import command, notify
from nearfar.errors import UsageError
from nearfar.jobs import JobState, Outbox, Store
from nearfar.jobs.messages.outbox import EVENTS
from nearfar.runner.messages import mails, webhooks, wording
from nearfar.runner.messages.sending import Notifier
from nearfar.server_settings import ServerSettings, to_environment
from tests.ports import free_port
from tests.worker.jobs.making import bring_to, must_claim, submit, work_off
from tests.worker.runner.serving import settings_for, store_of

RESTS = (0.0, 0.0)


@dataclass
class Receiver:
    """A program that is told: what came, and what it answers."""

    answers: list[int] = field(default_factory=list)
    came: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    port: int = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/told"


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    found = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            found.came.append(({k.lower(): v for k, v in self.headers.items()}, body))
            status = found.answers.pop(0) if found.answers else 204
            self.send_response(status)
            if status == 302:
                self.send_header("location", found.url)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        found.port = server.server_address[1]
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield found
        server.shutdown()


@dataclass
class Mailbox:
    """A mail server that keeps what it took, and may refuse."""

    refuses: str | None = None
    took: list[Any] = field(default_factory=list)

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.refuses is not None:
            return self.refuses
        self.took.append((envelope.rcpt_tos, email.message_from_bytes(envelope.content)))
        return "250 taken"


@pytest.fixture
def mailbox() -> Iterator[tuple[Mailbox, int]]:
    box = Mailbox()
    port = free_port()
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    yield box, port
    controller.stop()


@pytest.fixture
def told(tmp_path: Path, mailbox: tuple[Mailbox, int]) -> ServerSettings:
    notify = {"smtp": f"127.0.0.1:{mailbox[1]}", "tls": "none", "sender": "nearfar@studio.example"}
    notify |= {"url": "https://merge.studio.example/", "inside": "127.0.0.0/8"}
    settings = settings_for(tmp_path / "data", notify=notify)
    settings.server.data.mkdir()
    return settings


@pytest.fixture
def store(told: ServerSettings) -> Iterator[Store]:
    opened = store_of(told)
    yield opened
    opened.close()


def add(store: Store, channel: str, address: str, **more: Any) -> Any:
    given: dict[str, Any] = {"owner": "studio", "about": ("done", "failed", "held"), "who": "lena"}
    secret = webhooks.new_secret() if channel == "webhook" else None
    return Outbox(store).add(channel=channel, address=address, secret=secret, **(given | more))


def work(notifier: Notifier) -> None:
    """All that is due, as the threads would."""
    notifier.gather()
    while notifier.send_one():
        pass


def test_a_program_can_prove_that_a_message_is_ours(
    store: Store, told: ServerSettings, receiver: Receiver
) -> None:
    target = add(store, "webhook", receiver.url)
    job = submit(store)
    work_off(store)
    work(Notifier(told, store))
    ((headers, body),) = receiver.came
    verified = Webhook(target.secret).verify(body, headers)
    assert verified["type"] == "job.done"
    assert (verified["data"]["job"], verified["data"]["stack"]) == (job, "moss")
    assert headers["content-type"] == "application/json"
    with pytest.raises(WebhookVerificationError):
        Webhook(target.secret).verify(body + b" ", headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(webhooks.new_secret()).verify(body, headers)
    (message,) = Outbox(store).messages()
    assert (message.state, message.tries, message.answer) == ("sent", 1, "answered 204")


def test_our_signature_is_that_of_the_reference_library() -> None:
    secret = webhooks.new_secret()
    at = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
    expected = Webhook(secret).sign("msg_1", at, '{"test":1}')
    assert webhooks.signature(secret, "msg_1", int(at.timestamp()), b'{"test":1}') == expected


def test_a_message_that_did_not_arrive_is_sent_again_under_its_name_also_by_whoever_comes_after(
    store: Store, told: ServerSettings, receiver: Receiver
) -> None:
    add(store, "webhook", receiver.url)
    submit(store)
    bring_to(store, 1, JobState.FAILED)
    receiver.answers = [500, 302]
    first = Notifier(told, store, rests=RESTS)
    first.gather()
    assert first.send_one()
    del first
    work(Notifier(told, store, rests=RESTS))
    assert len({headers["webhook-id"] for headers, _ in receiver.came}) == 1
    assert len(receiver.came) == 3, "a redirection is not followed and counts as a failure"
    (message,) = Outbox(store).messages()
    assert (message.state, message.tries) == ("sent", 3)
    assert json.loads(receiver.came[0][1])["data"]["reason"] == "00.tif cannot be read"


def test_rests_grow_as_the_specification_says_and_end(
    store: Store, told: ServerSettings, receiver: Receiver
) -> None:
    assert webhooks.RESTS[:3] == (5.0, 300.0, 1800.0)
    assert sum(webhooks.RESTS) == pytest.approx(3 * 86400, rel=0.3)
    add(store, "webhook", receiver.url)
    submit(store)
    work_off(store)
    receiver.answers = [503] * 9
    work(Notifier(told, store, rests=RESTS))
    (message,) = Outbox(store).messages()
    assert (message.state, message.tries) == ("given up", len(RESTS) + 1)
    later = Notifier(told, store, rests=(3600.0,))
    submit(store, stack="later")
    work_off(store)
    receiver.answers = [503]
    work(later)
    assert not later.send_one(), "it rests"


def test_a_receiver_that_wants_nothing_any_longer_gets_nothing(
    store: Store, told: ServerSettings, receiver: Receiver
) -> None:
    target = add(store, "webhook", receiver.url)
    receiver.answers = [410]
    for stack in ("first", "second"):
        submit(store, stack=stack)
        work_off(store)
        work(Notifier(told, store))
    assert len(receiver.came) == 1
    assert "410" in str(Outbox(store).target(target.id).stopped)


def test_nothing_is_sent_into_the_house_unless_the_settings_say_so(
    store: Store, told: ServerSettings, receiver: Receiver
) -> None:
    add(store, "webhook", receiver.url)
    submit(store)
    work_off(store)
    closed = told.model_copy(update={"notify": told.notify.model_copy(update={"inside": ()})})
    work(Notifier(closed, store))
    (message,) = Outbox(store).messages()
    assert message.state == "given up"
    assert "not out in the world" in str(message.answer)
    assert receiver.came == []


def test_who_is_told_of_what(store: Store, told: ServerSettings, receiver: Receiver) -> None:
    submit(store, stack="before")
    work_off(store)
    add(store, "webhook", receiver.url, about=("failed",))
    add(store, "webhook", receiver.url, owner="lena")
    add(store, "webhook", receiver.url, owner="*", about=("done", "disk"))
    work(Notifier(told, store))
    assert receiver.came == [], "what happened before nobody is told of"
    submit(store, stack="done")
    work_off(store)
    Outbox(store).disk_low("the disk is nearly full")
    work(Notifier(told, store))
    work(Notifier(told, store))
    kinds = [json.loads(body)["type"] for _, body in receiver.came]
    assert sorted(kinds) == ["disk.low", "job.done"]


def test_a_letter_reaches_its_box_in_the_owners_words(
    store: Store, told: ServerSettings, mailbox: tuple[Mailbox, int]
) -> None:
    target = add(store, "mail", "lena@studio.example")
    submit(store)
    store.fail(must_claim(store), cause="frame", reason="00.tif cannot be read", retry=False)
    work(Notifier(told, store))
    ((to, letter),) = mailbox[0].took
    assert to == ["lena@studio.example"]
    assert letter["Subject"] == "moss failed"
    assert letter["From"] == "nearfar@studio.example"
    assert "00.tif cannot be read" in letter.get_payload()
    assert "https://merge.studio.example/jobs/1" in letter.get_payload()
    Outbox(store).reword(target.id, subject="{state}: {stack}", body="Ho, {owner}!", who="lena")
    submit(store, stack="fern")
    work_off(store)
    work(Notifier(told, store))
    letter = mailbox[0].took[1][1]
    assert (letter["Subject"], letter.get_payload().strip()) == ("done: fern", "Ho, studio!")


def test_a_mail_server_that_is_busy_is_asked_again_and_one_that_refuses_is_not(
    store: Store, told: ServerSettings, mailbox: tuple[Mailbox, int]
) -> None:
    add(store, "mail", "lena@studio.example")
    submit(store)
    work_off(store)
    mailbox[0].refuses = "451 busy"
    one = Notifier(told, store, rests=(0.0,))
    one.gather()
    one.send_one()
    assert Outbox(store).messages()[0].state == "waiting"
    mailbox[0].refuses = "550 no such box"
    one.send_one()
    (message,) = Outbox(store).messages()
    assert message.state == "given up"
    assert "550 no such box" in str(message.answer)


@pytest.mark.parametrize(
    "address", ["", "lena", "lena@", "Lena <lena@x.example>", "a@b\nBcc: c@d", "ä@b.example"]
)
def test_what_is_no_mailbox_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match="not the address of a mailbox"):
        mails.check_address(address)


@pytest.mark.parametrize(
    "template", ["{", "{secret}", "{stack.__class__}", "{stack!r}", "{job:>9999999}", "x" * 20_001]
)
def test_a_template_that_reaches_for_more_is_refused(template: str) -> None:
    with pytest.raises(UsageError, match="template"):
        wording.check(template)


def test_every_event_has_its_words_and_can_be_asked_for() -> None:
    assert set(wording.USUAL) == set(EVENTS.values()) == set(notify.EVENTS)
    for subject, body in wording.USUAL.values():
        assert wording.check(subject) == subject
        assert wording.check(body) == body


def test_the_command_adds_tests_lists_and_tells_what_was_sent(
    told: ServerSettings,
    store: Store,
    receiver: Receiver,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name, value in to_environment(told).items():
        monkeypatch.setenv(name, value)

    def run(*words: str) -> str:
        assert command.main(["notify", *words]) == 0
        return capsys.readouterr().out

    assert "no targets" in run("list")
    made = json.loads(run("add", "webhook", receiver.url, "--owner", "studio", "--json"))
    assert made["secret"].startswith("whsec_")
    assert "answered 204" in run("test", "1")
    Webhook(made["secret"]).verify(receiver.came[0][1], receiver.came[0][0])
    receiver.answers = [500]
    assert command.main(["notify", "test", "1"]) == 4
    assert "answered 500" in capsys.readouterr().out
    submit(store)
    work_off(store)
    work(Notifier(told, store))
    assert "done job 1, sent, 1 try" in run("trail")
    assert made["secret"] not in run("list", "--json")
    run("remove", "1")
    assert "no targets" in run("list")
    assert command.main(["notify", "add", "mail", "nobody"]) == 2
    assert command.main(["notify", "add", "webhook", "http://10.1.2.3/"]) == 2

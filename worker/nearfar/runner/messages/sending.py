"""Send what people and programs want to be told: a thread of the process that keeps the server running.

Messages lie in the store until they arrived or it is known that they never will, so that a restart loses none; a message
may arrive twice, under the same name. Nobody waits for a receiver that does not answer.
"""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections.abc import Callable
from ipaddress import ip_network

from nearfar.errors import StoreError, UsageError
from nearfar.jobs import Store
from nearfar.jobs.messages.outbox import Message, Outbox, Target
from nearfar.runner.messages import mails, webhooks, wording
from nearfar.server_settings import ServerSettings

log = logging.getLogger(__name__)

EVERY = 3.0
"""Seconds between two looks at what happened."""
SENDERS = 4
"""Messages that are on their way at a time."""
FORGET = 3600.0
"""Seconds between two looks at what may be forgotten."""
DAY = 86400.0


class Notifier:
    """Sends messages.

    Parameters
    ----------
    settings
        The mail server, and what else holds for all messages.
    store
        Asked from the threads alone.
    rests
        Seconds between one try and the next.
    """

    def __init__(
        self,
        settings: ServerSettings,
        store: Store,
        *,
        rests: tuple[float, ...] = webhooks.RESTS,
        every: float = EVERY,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.table = settings.notify
        self.outbox = Outbox(store)
        self.rests = rests
        self.every = every
        self.clock = clock
        self._allowed = tuple(ip_network(network) for network in self.table.inside)
        self._stop = threading.Event()
        self._forget = 0.0

    def start(self) -> None:
        """Begin; returns at once."""
        threading.Thread(target=self._gather, name="messages", daemon=True).start()
        for number in range(SENDERS):
            threading.Thread(target=self._send, name=f"messages {number}", daemon=True).start()

    def stop(self) -> None:
        """End; what is on its way is sent again by the next process."""
        self._stop.set()

    def _gather(self) -> None:
        while not self._stop.wait(self.every):
            self._quietly(self.gather)

    def _send(self) -> None:
        while not self._stop.wait(self.every / 2):
            while not self._stop.is_set() and self._quietly(self.send_one):
                pass

    def _quietly(self, do: Callable[[], bool]) -> bool:
        try:
            return do()
        except StoreError as error:  # whoever works with the store reports it
            log.debug("%s", error, extra={"action": "message.store-away"})
        except Exception:
            log.exception(
                "a mistake in Nearfar while a message was sent", extra={"action": "message.mistake"}
            )
        return False

    def gather(self) -> bool:
        """Make messages of what happened; whether there are new ones."""
        if self.table.keep and time.monotonic() >= self._forget:
            self.outbox.forget(before=self.clock() - self.table.keep * DAY)
            self._forget = time.monotonic() + FORGET
        return self.outbox.gather() > 0

    def send_one(self) -> bool:
        """Send one message that is due; False: there was none."""
        taken = self.outbox.take()
        if taken is None:
            return False
        target, message = taken
        try:
            arrived, answer, gone = self.deliver(target, message)
        except UsageError as error:  # it can never arrive
            self._note(target, message, f"given up: {error}")
            self.outbox.give_up(message, str(error))
            return True
        if arrived:
            self._note(target, message, f"sent: {answer}")
            self.outbox.sent(message, answer)
        elif gone:
            self._note(target, message, f"given up: {answer}")
            self.outbox.give_up(message, f"{answer}: nothing is sent there any longer", stop=True)
        elif message.tries > len(self.rests):
            self._note(target, message, f"given up after {message.tries} tries: {answer}")
            self.outbox.give_up(message, answer)
        else:
            rest = self.rests[message.tries - 1]
            self._note(target, message, f"tried again in {rest:.0f} s: {answer}")
            self.outbox.later(message, answer, rest)
        return True

    def deliver(self, target: Target, message: Message) -> tuple[bool, str, bool]:
        """Try once: whether it arrived, what was answered, and whether nothing is wanted there. Raises `UsageError`."""
        now = self.clock()
        if target.channel == "webhook":
            status, answer = webhooks.post(
                target.address,
                target.secret or "",
                name=message.name,
                content=message.content,
                now=now,
                allowed=self._allowed,
            )
            return status is not None and 200 <= status < 300, answer, status == webhooks.GONE
        subject, text = wording.words(
            message.about, message.content, subject=target.subject, body=target.body, url=self.table.url
        )
        letter = mails.letter(
            self.table, target.address, name=message.name, subject=subject, text=text, now=now
        )
        arrived, answer = mails.deliver(self.table, letter)
        return arrived, answer, False

    def try_now(self, target: Target, reason: str) -> tuple[bool, str]:
        """Send a test message once: whether it arrived, and what was answered. Raises `UsageError`."""
        data = {"stack": "a test", "owner": target.owner, "state": "held", "reason": reason}
        made = Message(
            id=0,
            target=target.id,
            name=f"msg_{secrets.token_hex(12)}",
            about="held",
            job=None,
            content={"type": "job.held", "at": self.clock(), "data": data},
            state="waiting",
            tries=1,
            due=0.0,
            created=0.0,
            finished=None,
            answer=None,
        )
        arrived, answer, _ = self.deliver(target, made)
        return arrived, answer

    def _note(self, target: Target, message: Message, what: str) -> None:
        about = {"job": message.job, "action": "message.tried"}
        log.info("message %s to %s %d %s", message.name, target.channel, target.id, what, extra=about)

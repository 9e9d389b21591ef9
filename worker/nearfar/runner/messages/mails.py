"""Messages to people by e-mail: plain text (RFC 5322), given to the mail server of the settings (RFC 5321)."""

from __future__ import annotations

import smtplib
import ssl
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr

from nearfar.errors import UsageError
from nearfar.server_tables import NotifyTable

TIMEOUT = 20.0
REFUSED_FOR_GOOD = range(500, 600)
"""Codes with which a mail server says that another try is of no use (RFC 5321, 4.2.1)."""


def check_address(address: str) -> str:
    """An address of one mailbox. Raises `UsageError`."""
    name, found = parseaddr(address)
    good = (
        found == address and not name and address.isascii() and address.isprintable() and " " not in address
    )
    local, _, domain = address.rpartition("@")
    if not good or not local or not domain:
        raise UsageError(f"{address!r} is not the address of a mailbox; expected one like lena@example.org")
    return address


def letter(table: NotifyTable, to: str, *, name: str, subject: str, text: str, now: float) -> EmailMessage:
    """The message; its Message-ID is the same at every try, so that one that arrives twice is seen to be one."""
    made = EmailMessage()
    made["From"] = table.sender or ""
    made["To"] = to
    made["Subject"] = " ".join(subject.split())[:200]
    made["Date"] = format_datetime(datetime.fromtimestamp(now, UTC))
    made["Message-ID"] = f"<{name}@{(table.sender or '').rpartition('@')[2] or 'nearfar'}>"
    made["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answer by a machine
    made.set_content(text)
    return made


def deliver(table: NotifyTable, message: EmailMessage) -> tuple[bool, str]:
    """Give a message to the mail server: whether it took it, and what it said.

    Raises
    ------
    UsageError
        The settings name no mail server, or it refuses this message for good.
    """
    if not table.smtp or not table.sender:
        raise UsageError("no mail server is set: give smtp and sender in the table notify of the settings")
    host, _, port = table.smtp.partition(":")
    try:
        with _connect(host, int(port or 0), table.tls) as server:
            if table.user:
                server.login(table.user, table.password or "")
            server.send_message(message)
    except smtplib.SMTPRecipientsRefused as error:
        code, said = next(iter(error.recipients.values()))
        return _refused(code, said)
    except smtplib.SMTPResponseException as error:
        return _refused(error.smtp_code, error.smtp_error)
    except (OSError, smtplib.SMTPException) as error:
        return False, f"{table.smtp}: {error}"
    return True, f"{table.smtp} took it"


def _connect(host: str, port: int, tls: str) -> smtplib.SMTP:
    context = ssl.create_default_context()
    if tls == "tls":
        return smtplib.SMTP_SSL(host, port or 465, timeout=TIMEOUT, context=context)
    server = smtplib.SMTP(host, port or (587 if tls == "starttls" else 25), timeout=TIMEOUT)
    if tls == "starttls":
        try:
            server.starttls(context=context)
        except BaseException:
            server.close()
            raise
    return server


def _refused(code: int, said: bytes | str) -> tuple[bool, str]:
    text = said.decode(errors="replace") if isinstance(said, bytes) else said
    if code in REFUSED_FOR_GOOD:
        raise UsageError(f"the mail server refused it: {code} {text}")
    return False, f"answered {code} {text}"

"""Whom to tell, and only when something has changed. No identifier, no cell value, no id of a case."""

from __future__ import annotations

import json
import os
import smtplib
import ssl
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from email.message import EmailMessage

from pipeline.settings import Settings

TIMEOUT_SECONDS = 20.0
#: A file of certificates for a private authority, beside those of the system.
CERTIFICATES = "LIMBAUDIT_CA_FILE"
MAIL_SERVER, MAIL_FROM, MAIL_USER, MAIL_PASSWORD = (
    "LIMBAUDIT_SMTP",
    "LIMBAUDIT_MAIL_FROM",
    "LIMBAUDIT_SMTP_USER",
    "LIMBAUDIT_SMTP_PASSWORD",
)


@dataclass(frozen=True)
class State:
    """How things stand after a task.

    Attributes:
        exit_code: 0 to 3, as of the command.
        edition: `<period>/<name>` of the newest one; empty if there is none.
        reasons: Why it is not 0: sentences with sites, tables, files and numbers.
    """

    exit_code: int
    edition: str = ""
    reasons: tuple[str, ...] = field(default=())

    @property
    def told(self) -> dict[str, object]:
        return {"exit_code": self.exit_code, "edition": self.edition, "reasons": list(self.reasons)}

    @classmethod
    def of(cls, told: Mapping[str, object]) -> State:
        """The state from what was told of it; nothing told is nothing wrong."""
        code = told.get("exit_code")
        return cls(
            code if code in (0, 1, 2, 3) else 0,
            str(told.get("edition", "")),
            tuple(_texts(told.get("reasons"))),
        )

    def with_other(self, other: State) -> State:
        """Both together: the worse exit code, all reasons once."""
        reasons = tuple(dict.fromkeys([*self.reasons, *other.reasons]))
        return State(max(self.exit_code, other.exit_code), self.edition or other.edition, reasons)


def notice_text(workspace: str, state: State, before: Mapping[str, object]) -> tuple[str, str]:
    """Subject and text of a notice.

    Args:
        workspace: Its folder's name.
        state: Now.
        before: What was told last; empty: nothing yet.
    """
    words = {
        0: "within tolerance",
        1: "done, something wants attention",
        2: "settings or files are wrong",
        3: "could not finish",
    }
    subject = f"limbaudit {workspace}: {words[state.exit_code]}"
    lines = [f"Now: {words[state.exit_code]} (exit code {state.exit_code})."]
    if before:
        lines.append(f"Before: {words[State.of(before).exit_code]}.")
    if state.edition and state.edition != before.get("edition"):
        lines.append(f"New edition: {state.edition}.")
    gone = [text for text in _texts(before.get("reasons")) if text not in state.reasons]
    lines += [f"- {text}" for text in state.reasons]
    lines += [f"No longer: {text}" for text in gone]
    return subject, "\n".join(lines) + "\n"


def _texts(value: object) -> list[str]:
    return [str(text) for text in value] if isinstance(value, list) else []


def tell(settings: Settings, workspace: str, state: State, before: Mapping[str, object]) -> tuple[str, ...]:
    """Send a notice by every way the settings name, if anything has changed since the last.

    Returns:
        What could not be sent and why; a dead notifier never fails a run.
    """
    if state.told == dict(before):
        return ()
    subject, text = notice_text(workspace, state, before)
    ways: list[tuple[str, Callable[[], None]]] = []
    if settings.notice_webhook:
        ways.append(("webhook", lambda: _post(settings.notice_webhook, subject, text, state)))
    if settings.notice_mail_to:
        ways.append(("mail", lambda: _mail(settings.notice_mail_to, subject, text)))
    return tuple(problem for name, send in ways if (problem := _problem(name, send)))


def _problem(name: str, send: Callable[[], None]) -> str:
    try:
        send()
    except (OSError, ValueError, smtplib.SMTPException, urllib.error.URLError) as fault:
        return f"The notice by {name} could not be sent: {type(fault).__name__}."
    return ""


def _post(address: str, subject: str, text: str, state: State) -> None:
    """JSON to a web address; proxies are those of the environment, loopback is exempt."""
    body = json.dumps({"subject": subject, "text": text, **state.told}, ensure_ascii=False).encode("utf-8")
    asked = urllib.request.Request(  # the scheme is checked when settings are read
        address, data=body, headers={"Content-Type": "application/json"}, method="POST"
    )
    handlers: list[urllib.request.BaseHandler] = [urllib.request.HTTPSHandler(context=_trusted())]
    if (asked.host or "").partition(":")[0] in ("127.0.0.1", "localhost", "[::1]"):
        handlers.append(urllib.request.ProxyHandler({}))
    with urllib.request.build_opener(*handlers).open(asked, timeout=TIMEOUT_SECONDS):
        pass


def _mail(to: str, subject: str, text: str) -> None:
    message = EmailMessage()
    message["Subject"], message["To"] = subject, to
    message["From"] = os.environ.get(MAIL_FROM) or to
    message.set_content(text)
    host, _, port = os.environ.get(MAIL_SERVER, "localhost:25").partition(":")
    with smtplib.SMTP(host, int(port or 25), timeout=TIMEOUT_SECONDS) as server:
        server.ehlo()
        if server.has_extn("starttls"):
            server.starttls(context=_trusted())
            server.ehlo()
        if user := os.environ.get(MAIL_USER):
            server.login(user, os.environ.get(MAIL_PASSWORD, ""))
        server.send_message(message)


def _trusted() -> ssl.SSLContext:
    context = ssl.create_default_context()
    if extra := os.environ.get(CERTIFICATES):
        context.load_verify_locations(extra)
    return context

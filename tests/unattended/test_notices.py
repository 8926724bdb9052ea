"""Notices: only on a change, without anybody's data, and never in the way of a run."""

import json
import threading
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from pipeline.settings import Settings
from pipeline.unattended import notices
from pipeline.unattended.notices import State, notice_text, tell

GOOD, BAD = State(0, "2026-10/draft-1"), State(1, "2026-10/draft-2", ("harbour is late.",))


@pytest.fixture
def webhook():
    """A listener on loopback: its settings, and what it was sent."""
    got: list[dict] = []

    class Listener(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Listener)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield Settings(notice_webhook=f"http://127.0.0.1:{server.server_port}/told"), got
    server.shutdown()
    server.server_close()
    thread.join()


def test_a_change_is_told_once(webhook):
    settings, got = webhook
    assert tell(settings, "audit", BAD, GOOD.told) == ()
    assert tell(settings, "audit", BAD, BAD.told) == ()
    assert len(got) == 1
    assert got[0]["exit_code"] == 1
    assert got[0]["reasons"] == ["harbour is late."]
    assert got[0]["subject"] == "limbaudit audit: done, something wants attention"


def test_a_proxy_is_not_asked_for_loopback(webhook, monkeypatch):
    settings, got = webhook
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    assert tell(settings, "audit", BAD, {}) == ()
    assert len(got) == 1


def test_what_is_over_is_said_too():
    subject, text = notice_text("audit", GOOD, BAD.told)
    assert subject == "limbaudit audit: within tolerance"
    assert "New edition: 2026-10/draft-1." in text
    assert "No longer: harbour is late." in text
    assert "Before: done, something wants attention." in text


def test_a_dead_listener_is_a_line_and_no_fault():
    settings = Settings(notice_webhook="http://127.0.0.1:9/nobody")
    (problem,) = tell(settings, "audit", BAD, {})
    assert problem == "The notice by webhook could not be sent: URLError."


def test_nobody_to_tell():
    assert tell(Settings(), "audit", BAD, {}) == ()


def test_mail(monkeypatch):
    sent = []

    class Server:
        def __init__(self, host: str, port: int, timeout: float) -> None:
            sent.append((host, port))

        def __enter__(self) -> "Server":
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def ehlo(self) -> None:
            pass

        def has_extn(self, name: str) -> bool:
            return False

        def send_message(self, message: object) -> None:
            sent.append(message)

    monkeypatch.setattr(notices.smtplib, "SMTP", Server)
    monkeypatch.setenv("LIMBAUDIT_SMTP", "mail.hospital.test:2525")
    monkeypatch.setenv("LIMBAUDIT_MAIL_FROM", "audit@hospital.test")
    assert tell(replace(Settings(), notice_mail_to="quality@hospital.test"), "audit", BAD, {}) == ()
    assert sent[0] == ("mail.hospital.test", 2525)
    assert (sent[1]["To"], sent[1]["From"]) == ("quality@hospital.test", "audit@hospital.test")
    assert "harbour is late." in sent[1].get_content()


def test_states_lay_together():
    other = State(3, "", ("the share is away",))
    assert BAD.with_other(other) == State(3, "2026-10/draft-2", ("harbour is late.", "the share is away"))
    assert State.of(BAD.told) == BAD
    assert State.of({}) == State(0)

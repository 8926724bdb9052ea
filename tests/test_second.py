"""The second process: it does what it is told, says what went wrong, and nothing is lost when it is gone."""

from __future__ import annotations

import operator
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import WrongUse
from pipeline.periods import parse_period
from pipeline.second import ALONE, PROCESSES, Second, helping_hand, processes_here

MARK = "LIMBAUDIT_TEST_MARK"


@pytest.fixture
def second(monkeypatch: pytest.MonkeyPatch) -> Iterator[Second]:
    """One in whose environment alone MARK is set, so that it can be told who did a piece of work."""
    monkeypatch.setenv(MARK, "there")
    made = Second()
    monkeypatch.delenv(MARK)
    yield made
    made.end()


def test_the_work_is_done_in_the_other_process(second: Second) -> None:
    assert second.begin(os.getpid)() not in (os.getpid(), 0)
    assert second.begin(os.getenv, MARK, "here")() == "there"
    assert second.begin(operator.add, "x" * 1_000_000, "y")() == "x" * 1_000_000 + "y"


def test_what_it_raises_is_raised_here(second: Second) -> None:
    with pytest.raises(ZeroDivisionError):
        second.begin(operator.truediv, 1, 0)()
    assert second.begin(os.getenv, MARK, "here")() == "there"


def test_a_message_of_ours_comes_whole(second: Second) -> None:
    with pytest.raises(WrongUse) as here:
        parse_period("2026-13")
    with pytest.raises(WrongUse) as there:
        second.begin(parse_period, "2026-13")()
    assert str(there.value) == str(here.value) != ""
    assert there.value.exit_code == 2


def test_what_comes_while_it_is_busy_waits_its_turn(second: Second) -> None:
    """Answers longer than a pipe holds too: nobody waits for the other."""
    slow = second.begin(operator.mul, "a", 5_000_000)
    after = second.begin(operator.concat, "b" * 5_000_000, "c")
    assert after() == "b" * 5_000_000 + "c"
    assert slow() == "a" * 5_000_000


def test_what_is_too_large_to_send_is_done_here(second: Second, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.second.MOST_SENT", 1_000)
    assert second.begin(os.getenv, MARK, "here")() == "there"
    assert second.begin(os.getenv, MARK, "x" * 1_000)() == "x" * 1_000


def test_its_work_is_done_here_when_it_was_ended(second: Second) -> None:
    waiting = second.begin(time.sleep, 0.5)
    second._process.send_signal(signal.SIGKILL)
    assert waiting() is None
    assert second.begin(os.getenv, MARK, "here")() == "here"


def test_one_process_alone_has_nobody_to_help() -> None:
    with helping_hand(1) as hand:
        assert hand is ALONE
        assert hand.begin(os.getpid)() == os.getpid()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a child with its parent")
def test_it_ends_with_the_first_process() -> None:
    code = (
        "import time; from pipeline.second import Second; one = Second(); one.begin(time.sleep, 60)\n"
        "print(one._process.pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as first:
        assert first.stdout is not None
        pid = int(first.stdout.readline())
        time.sleep(0.5)
        first.kill()
    until = time.monotonic() + 20
    while _lives(pid) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _lives(pid)


def _lives(pid: int) -> bool:
    """Running, not only waiting to be buried."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_the_number_of_processes_can_be_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PROCESSES, "1")
    assert processes_here() == 1
    monkeypatch.setenv(PROCESSES, "two")
    with pytest.raises(WrongUse, match="LIMBAUDIT_PROCESSES is 'two'"):
        processes_here()
    monkeypatch.delenv(PROCESSES)
    assert processes_here() in (1, 2)


def test_an_edition_is_the_same_with_its_help(
    root: Path, tmp_path: Path, limbaudit: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    for processes in ("1", "2"):
        monkeypatch.setenv(PROCESSES, processes)
        workspace = root / "tests/journeys/twelve_courses"
        assert limbaudit("run", workspace, "--out", tmp_path / processes).exit_code == 0
    one, two = (_files(tmp_path / processes) for processes in ("1", "2"))
    assert len(one) > 50
    assert one == two


def _files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name not in ("run.json", ".lock")
    }

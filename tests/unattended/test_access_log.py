"""The access log: one line a use, whole, in order, and never a reason to stop."""

import json
import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.unattended.access_log import FILE, Use, last_use, noted_use

USE = Use("2026-11-28T21:40:00+01:00", "anna", "trace", "2026-10/1", "harbour.H01.R", 0)
LINE = (
    '{"at": "2026-11-28T21:40:00+01:00", "user": "anna", "command": "trace", "edition": "2026-10/1", '
    '"subject": "harbour.H01.R", "exit_code": 0}\n'
)
ADDS = """
import sys
from pathlib import Path
from pipeline.unattended.access_log import Use, noted_use
for number in range(50):
    noted_use(Path(sys.argv[1]), Use("2026-11-28T21:40:00+01:00", sys.argv[2], "trace", "x" * 300, str(number)))
"""


def test_a_line_holds_who_when_what_and_how_it_ended(tmp_path: Path) -> None:
    noted_use(tmp_path / "own", USE)
    noted_use(tmp_path / "own", USE)
    assert (tmp_path / "own" / FILE).read_text("utf-8") == LINE * 2
    assert last_use(tmp_path / "own") == USE


def test_a_line_end_in_a_name_stays_within_its_line(tmp_path: Path) -> None:
    noted_use(tmp_path, Use(USE.at, "anna\nben", "trace"))
    assert len((tmp_path / FILE).read_text("utf-8").splitlines()) == 1


def test_only_the_owner_reads_it(tmp_path: Path) -> None:
    noted_use(tmp_path / "a" / "b", USE)
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("a", "a/b", f"a/b/{FILE}")]
    assert modes == [0o700, 0o700, 0o600]


def test_a_file_opened_to_several_stays_open(tmp_path: Path) -> None:
    (tmp_path / FILE).touch(mode=0o600)
    (tmp_path / FILE).chmod(0o660)
    noted_use(tmp_path, USE)
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o660


def test_processes_at_once_lose_no_line_and_tear_none(tmp_path: Path) -> None:
    def adds(name: str) -> int:
        root = Path(__file__).resolve().parents[2]
        command = [sys.executable, "-c", ADDS, str(tmp_path), name]
        return subprocess.run(command, env={**os.environ, "PYTHONPATH": str(root)}, check=False).returncode

    with ThreadPoolExecutor(4) as several:
        assert list(several.map(adds, "abcd")) == [0] * 4
    told = [json.loads(line) for line in (tmp_path / FILE).read_text("utf-8").splitlines()]
    for name in "abcd":
        assert [int(each["subject"]) for each in told if each["user"] == name] == list(range(50))


def test_each_year_has_a_file_of_its_own(tmp_path: Path) -> None:
    noted_use(tmp_path, Use("2025-12-31T23:59:59+00:00", "anna", "run"))
    noted_use(tmp_path, Use("2026-01-01T00:00:01+00:00", "anna", "run"))
    noted_use(tmp_path, Use("2026-01-02T00:00:01+00:00", "anna", "run"))
    lines = {path.name: len(path.read_text().splitlines()) for path in tmp_path.glob("access*.log")}
    assert lines == {"access-2025.log": 1, FILE: 2}


def test_a_year_that_is_put_by_already_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "access-2025.log").write_text("kept\n")
    noted_use(tmp_path, Use("2025-12-31T23:59:59+00:00", "anna", "run"))
    noted_use(tmp_path, Use("2026-01-01T00:00:01+00:00", "anna", "run"))
    assert (tmp_path / "access-2025.log").read_text() == "kept\n"
    assert len((tmp_path / FILE).read_text().splitlines()) == 2


@pytest.mark.parametrize("content", ["", "not a line\n", "{}\n", '{"at": 1}\n'])
def test_a_log_that_cannot_be_read_has_no_last_use_and_is_added_to(tmp_path: Path, content: str) -> None:
    (tmp_path / FILE).write_text(content)
    assert last_use(tmp_path) is None
    noted_use(tmp_path, USE)
    assert last_use(tmp_path) == USE

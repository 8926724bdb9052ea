"""Who may read what is written, and that every look at cases is written down."""

from __future__ import annotations

import json
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.unattended.memory import place_of

grp = pytest.importorskip("grp", reason="no groups on this system")
COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
CASE = "harbour.H01.R"
Command = Callable[..., Any]


@pytest.fixture
def wide_umask() -> Iterator[None]:
    """The machine's habit would let everybody read."""
    before = os.umask(0o000)
    yield
    os.umask(before)


@pytest.fixture
def group() -> str:
    """A group that this process may give files to, other than its own where there is one."""
    own = os.getegid()
    usable = [each.gr_gid for each in grp.getgrall()] if os.geteuid() == 0 else os.getgroups()
    other = next((number for number in sorted(usable) if number != own), own)
    return str(grp.getgrgid(other).gr_name)


@pytest.fixture
def office(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with a state folder of its own beside it."""
    monkeypatch.setenv("LIMBAUDIT_STATE_DIR", str(tmp_path / "machine" / "state"))
    shutil.copytree(COURSES, tmp_path / "audit")
    return tmp_path / "audit"


def state_of(workspace: Path) -> Path:
    return place_of(workspace.parent / "machine" / "state", workspace)


def uses(workspace: Path) -> list[dict[str, Any]]:
    file = state_of(workspace) / "access.log"
    return [json.loads(line) for line in file.read_text("utf-8").splitlines()] if file.exists() else []


def give_to(group: str, workspace: Path) -> None:
    settings = workspace / "audit.toml"
    settings.write_text(settings.read_text("utf-8") + f'\n[access]\ngroup = "{group}"\n', "utf-8")


def everything(workspace: Path, limbaudit: Command) -> list[Path]:
    """All that the commands leave, but for what people put into the workspace."""
    other = workspace.parent / "elsewhere" / "deep"
    for arguments in (
        ("run", workspace), ("check", workspace), ("nightly", workspace, "--out", other), ("trace", workspace, CASE),
        ("sheet", workspace, "harbour/S1"), ("review", workspace, "--reviewer", "S2"),
        ("sign", workspace, "2026-10", "--role", "office"),
    ):  # fmt: skip
        ended = limbaudit(*arguments)
        assert ended.exit_code in (0, 1), (arguments, ended.err)
    tops = [workspace / "editions", workspace / "to_review", workspace.parent / "machine", other.parent]
    return [place for top in tops for place in (top, *top.rglob("*")) if ".lock" not in place.name]


def modes(places: list[Path]) -> set[tuple[bool, int]]:
    return {(place.is_dir(), stat.S_IMODE(place.stat().st_mode)) for place in places}


@pytest.mark.usefixtures("wide_umask")
def test_the_owner_alone_reads_editions_checks_lists_and_state(office: Path, limbaudit: Command) -> None:
    places = everything(office, limbaudit)
    names = {place.name for place in places}
    assert {
        "access.log",
        "nights.json",
        "ledger.csv",
        "current.json",
        "index.html",
        "signature.json",
    } <= names
    assert modes(places) == {(True, 0o700), (False, 0o600)}


@pytest.mark.usefixtures("wide_umask")
def test_one_group_reads_all_of_it_where_it_is_named(office: Path, limbaudit: Command, group: str) -> None:
    give_to(group, office)
    places = everything(office, limbaudit)
    assert modes(places) == {(True, 0o750), (False, 0o640)}
    assert {place.group() for place in places} == {group}


@pytest.mark.parametrize(
    "command", [("run",), ("check",), ("nightly",), ("check", "--out", "checked"), ("run", "--out", "there")]
)
def test_a_group_that_is_not_there_is_wrong_use_and_nothing_is_written(
    office: Path, limbaudit: Command, command: tuple[str, ...]
) -> None:
    give_to("no-such-group", office)
    name, *options = command
    options = [str(office.parent / part) if part in ("checked", "there") else part for part in options]
    ended = limbaudit(name, office, *options)
    assert ended.exit_code == 2
    assert "names the group `no-such-group` under [access], but this machine has no such group" in ended.said
    left = {path.name for path in office.parent.iterdir()} - {"machine"}
    assert left == {"audit"}
    assert not (office / "editions").exists()


def test_check_does_not_touch_the_mode_of_what_else_lies_there(office: Path, limbaudit: Command) -> None:
    out = office.parent / "desk"
    out.mkdir(mode=0o755)
    (out / "script.sh").touch(mode=0o755)
    assert limbaudit("check", office, "--out", out).exit_code == 0
    assert modes([out, out / "script.sh", out / "ledger.csv"]) == {
        (True, 0o755),
        (False, 0o755),
        (False, 0o600),
    }


def test_every_look_at_cases_is_written_down(office: Path, limbaudit: Command) -> None:
    everything(office, limbaudit)
    draft = next(path.name for path in (office / "editions" / "2026-10").glob("draft-*"))
    told = [(use["command"], use["edition"], use["subject"], use["exit_code"]) for use in uses(office)]
    assert told == [
        ("run", f"2026-10/{draft}", "", 0),
        ("trace", f"2026-10/{draft}", CASE, 0),
        ("sheet", f"2026-10/{draft}", "harbour/S1", 0),
        ("review", f"2026-10/{draft}", "S2", 0),
        ("sign", "2026-10/1", "", 0),
    ]
    assert {use["at"][19] for use in uses(office)} <= {"+", "-"}
    assert all(use["user"] for use in uses(office))


@pytest.mark.parametrize("asked", ["Mary Smith", "H01 what about the infection?"])
def test_what_is_no_id_of_the_edition_is_not_written_down(
    office: Path, limbaudit: Command, asked: str
) -> None:
    assert limbaudit("trace", office, asked).exit_code == 2
    assert limbaudit("sheet", office, asked).exit_code == 2
    assert [(use["command"], use["subject"], use["exit_code"]) for use in uses(office)] == [
        ("trace", "", 2),
        ("sheet", "", 2),
    ]


def test_a_log_that_cannot_be_written_is_said_and_the_work_is_done(office: Path, limbaudit: Command) -> None:
    (state_of(office) / "access.log").mkdir(parents=True)
    traced = limbaudit("trace", office, CASE)
    assert traced.exit_code == 0
    assert traced.out.startswith(CASE)
    assert "WARNING: this use of `trace` could not be written into" in traced.err


def test_broken_settings_are_a_use_too(office: Path, limbaudit: Command) -> None:
    (office / "audit.toml").write_text("contract = ", "utf-8")
    assert limbaudit("run", office).exit_code == 2
    assert [(use["command"], use["exit_code"]) for use in uses(office)] == [("run", 2)]


def test_where_there_is_no_workspace_nothing_is_made(office: Path, limbaudit: Command) -> None:
    assert limbaudit("run", office.parent / "typo").exit_code == 2
    assert not (office.parent / "machine").exists()

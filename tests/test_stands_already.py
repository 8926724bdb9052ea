"""A run whose edition stands says what it said before, and works nothing out; whatever has changed is worked out."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline import stands_already
from pipeline.run import STAGES, Asked, Done, audited, ground_of
from pipeline.signing import signed
from pipeline.summary import Summary

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
PERIOD, DAY = "2026-10", date(2026, 11, 9)
#: A file that cannot be used, so that there is something to be said.
STRANGE = "2026-11-02/theatre_list.csv"


@pytest.fixture(scope="module")
def once_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Workspace, kept things and a draft, all in one folder; copied, never changed."""
    place = tmp_path_factory.mktemp("stands")
    shutil.copytree(COURSES, place / "audit")
    (place / "audit" / "received" / "harbour" / STRANGE).write_text("a\n1\n", "utf-8")
    assert stages_of(place) >= set(STAGES)
    return place


@pytest.fixture
def place(once_run: Path, tmp_path: Path) -> Path:
    shutil.copytree(once_run, tmp_path / "place")
    return tmp_path / "place"


def asked(place: Path, day: date | None = DAY, kept: bool = True) -> Asked:
    return Asked(place / "audit", PERIOD, day, kept=place / "kept" if kept else None)


def run(place: Path, kept: bool = True) -> tuple[Done, set[str]]:
    stages: set[str] = set()
    return audited(asked(place, kept=kept), place / "editions", stages.add), stages


def stages_of(place: Path) -> set[str]:
    return run(place)[1]


def said(done: Done) -> tuple[object, ...]:
    return done.place, done.warnings, done.summary, done.notes, done.written, done.exit_code


def files(folder: Path) -> dict[str, bytes]:
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {name: path.read_bytes() for name, path in found.items() if path.name != ".lock"}


def taken_over(place: Path, day: date = DAY) -> Done | None:
    known = stands_already.before(ground_of(asked(place, day)), place / "editions")
    assert known is not None
    return known.done()


def test_it_says_and_leaves_what_a_whole_run_does_and_works_nothing_out(place: Path) -> None:
    whole, stages = run(place, kept=False)
    assert stages >= set(STAGES)
    assert whole.exit_code == 1
    assert "theatre_list" in " ".join(whole.warnings)
    left = files(place / "editions")
    (place / "editions" / "index.html").unlink()
    (place / "editions" / ".building-999999999").mkdir()
    again, stages = run(place)
    assert stages == set()
    assert said(again) == said(whole)
    assert files(place / "editions") == left
    assert not (place / "editions" / ".building-999999999").exists()


def test_on_the_screen_it_is_the_same(
    limbaudit: Callable[..., Any], tmp_path: Path, monkeypatch: Any
) -> None:
    shutil.copytree(COURSES, tmp_path / "audit")
    (tmp_path / "audit" / "received" / "harbour" / STRANGE).write_text("a\n1\n", "utf-8")
    command = ("run", tmp_path / "audit", "--out", tmp_path / "editions")
    first = limbaudit(*command)

    def not_again(*_: object) -> None:
        raise AssertionError("it was worked out again")

    monkeypatch.setattr("pipeline.run.made", not_again)
    second = limbaudit(*command)
    assert (second.exit_code, second.out, second.err) == (1, first.out, first.err)


def test_where_a_signed_edition_stands_it_is_said_again(place: Path) -> None:
    signed(place / "audit", PERIOD, "quality officer", "looked at", place / "editions")
    first, stages = run(place)
    assert stages >= set(STAGES)
    again, stages = run(place)
    assert (stages, again.written) == (set(), False)
    assert "since 2026-10/1 was signed; it stands" in again.notes[0]
    assert said(again) == said(first)


# ---------------------------------------------------------------- what is worked out


def export_changed(place: Path) -> None:
    path = place / "audit" / "received" / "harbour" / "2026-11-02" / "events.csv"
    path.write_text(path.read_text("utf-8") + "\n", "utf-8")


def export_added(place: Path) -> None:
    folder = place / "audit" / "received" / "harbour" / "2026-11-08"
    folder.mkdir()
    shutil.copy(place / "audit" / "received" / "harbour" / "2026-11-02" / "events.csv", folder)


def export_gone(place: Path) -> None:
    (place / "audit" / "received" / "harbour" / STRANGE).unlink()


def settings_changed(place: Path) -> None:
    path = place / "audit" / "audit.toml"
    path.write_text(path.read_text("utf-8") + "\n# a word\n", "utf-8")


def decided(place: Path) -> None:
    """Also where it is decided later than the day of knowledge: an edition states the file it read."""
    path = next(iter(sorted((place / "audit" / "decisions").rglob("*.csv"))))
    path.write_text(path.read_text("utf-8") + "\n", "utf-8")


def asked_to_be_left_out(place: Path) -> None:
    (place / "audit" / "removals").mkdir(exist_ok=True)
    request = "site_id,patient_id,received_on,kind\nharbour,P03,2026-11-01,erasure\n"
    (place / "audit" / "removals" / "requests.csv").write_text(request, "utf-8")


def pointer_gone(place: Path) -> None:
    (place / "editions" / PERIOD / "current.json").unlink()


def edition_damaged(place: Path) -> None:
    path = next(iter((place / "editions" / PERIOD).glob("draft-*/department/tables/rates.csv")))
    path.write_bytes(path.read_bytes() + b"x")


def edition_gone(place: Path) -> None:
    shutil.rmtree(next(iter((place / "editions" / PERIOD).glob("draft-*"))))


def signed_since(place: Path) -> None:
    signed(place / "audit", PERIOD, "quality officer", "looked at", place / "editions")


def kept_damaged(place: Path) -> None:
    for path in (place / "kept").glob("*.kept"):
        path.write_bytes(path.read_bytes()[:-3])


@pytest.mark.parametrize(
    "change",
    [export_changed, export_added, export_gone, settings_changed, decided, asked_to_be_left_out, pointer_gone,
     edition_damaged, edition_gone, signed_since, kept_damaged],
)  # fmt: skip
def test_whatever_has_changed_is_worked_out(place: Path, change: Callable[[Path], None]) -> None:
    assert taken_over(place) is not None
    change(place)
    assert taken_over(place) is None


def test_another_day_of_knowledge_is_worked_out(place: Path) -> None:
    assert taken_over(place, date(2026, 11, 10)) is None


def test_another_program_is_worked_out(place: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr("pipeline.shelf.program_fingerprint", lambda: "of another version")
    assert taken_over(place) is None


def test_a_file_that_came_and_went_during_the_run_is_noticed(place: Path) -> None:
    """The edition states a file more than lies there; what was looked at before the run knows nothing of it."""
    (manifest,) = (place / "editions" / PERIOD).glob("draft-*/department/manifest.json")
    told = json.loads(manifest.read_text("utf-8"))
    told["inputs"].append({"path": "received/harbour/2026-11-03/events.csv", "sha256": "0" * 64})
    manifest.write_text(json.dumps(told), "utf-8")
    known = stands_already.before(ground_of(asked(place)), place / "editions")
    assert known is not None
    known.keep(Done(manifest.parents[1], (), known.ground, Summary()), ())
    assert known.done() is None


def test_what_was_said_of_things_kept_is_not_said_again(place: Path) -> None:
    for path in sorted((place / "kept").glob("*.kept")):
        path.write_bytes(path.read_bytes()[:-3])
    first, _ = run(place)
    again, stages = run(place)
    assert "could not be relied on" in " ".join(first.notes)
    assert (stages, again.notes) == (set(), ())


def test_a_removal_takes_what_was_said(place: Path) -> None:
    """Only what the last run said is kept."""
    from pipeline.shelf import _opened

    def sayings() -> int:
        entries = [_opened(path.read_bytes(), path.stem) for path in (place / "kept").glob("*.kept")]
        return sum(entry is not None and entry[0] == {} for entry in entries)

    assert sayings() == 1
    asked_to_be_left_out(place)
    done, stages = run(place)
    assert stages >= set(STAGES)
    assert any(note.startswith("Left out on request: 1 patient") for note in done.notes)
    assert sayings() == 1
    assert said(run(place)[0]) == said(done)

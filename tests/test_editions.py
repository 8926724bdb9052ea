"""Editions appear whole or not at all."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from pipeline import editions, store
from pipeline.errors import CannotFinish, WrongUse


def test_the_hex_depends_on_the_inputs_and_not_on_their_order() -> None:
    one = editions.edition_hex({"files": {"a": "1", "b": "2"}, "as_of": date(2026, 11, 5)})
    other = editions.edition_hex({"as_of": date(2026, 11, 5), "files": {"b": "2", "a": "1"}})
    assert one == other
    assert len(one) == 12
    assert one != editions.edition_hex({"files": {"a": "1", "b": "3"}, "as_of": date(2026, 11, 5)})


def build(folder: Path, text: str, also: str = "") -> None:
    department = folder / "department"
    store.write_text(text, department / "ledger.csv")
    store.write_json({"files": store.hashes_under(department)}, department / "manifest.json")
    store.write_json({"seconds": 1}, folder / editions.RUN_RECORD)
    if also:
        store.write_text("late", department / also)


def build_and_fail(edition: editions.Edition) -> None:
    with edition as folder:
        build(folder, "two\n")
        raise RuntimeError("disk gone")


@pytest.fixture
def first(tmp_path: Path) -> editions.Edition:
    edition = editions.Edition(tmp_path / "all", "2026-10", "a" * 12)
    with edition as folder:
        build(folder, "one\n")
    return edition


def test_an_edition_appears_whole_and_the_pointer_names_it(first: editions.Edition) -> None:
    assert first.stands()
    assert editions.current_edition(first.editions, "2026-10") == first.folder
    assert (
        json.loads((first.editions / "2026-10" / "current.json").read_text())["edition"]
        == "draft-" + "a" * 12
    )
    assert not list(first.editions.glob(".building-*"))


def test_a_failure_midway_leaves_the_old_pointer(first: editions.Edition) -> None:
    second = editions.Edition(first.editions, "2026-10", "b" * 12)
    with pytest.raises(RuntimeError, match="disk gone"):
        build_and_fail(second)
    assert editions.current_edition(first.editions, "2026-10") == first.folder
    assert not second.folder.exists()
    assert not list(first.editions.glob(".building-*"))


def test_a_failure_while_the_pointer_is_replaced_leaves_the_old_one(
    first: editions.Edition, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError("share is away")

    second = editions.Edition(first.editions, "2026-10", "b" * 12)
    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(OSError, match="share is away"), second as folder:
        build(folder, "two\n")
    assert editions.current_edition(first.editions, "2026-10") == first.folder


def test_what_does_not_verify_is_not_published(first: editions.Edition) -> None:
    second = editions.Edition(first.editions, "2026-10", "b" * 12)
    with pytest.raises(CannotFinish, match=r"extra\.csv is not in the manifest"), second as folder:
        build(folder, "two\n", also="extra.csv")
    assert editions.current_edition(first.editions, "2026-10") == first.folder


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda folder: (folder / "department/ledger.csv").write_text("other"), "ledger.csv has other bytes"),
        (lambda folder: (folder / "department/ledger.csv").unlink(), "ledger.csv is missing"),
        (lambda folder: (folder / "department/x.csv").write_text("x"), "x.csv is not in the manifest"),
        (
            lambda folder: (folder / "department/manifest.json").write_text("{"),
            "manifest.json is missing or cannot",
        ),
    ],
)
def test_a_broken_edition_is_found_and_replaced(first: editions.Edition, damage: object, said: str) -> None:
    damage(first.folder)  # type: ignore[operator]
    assert said in editions.faults_of(first.folder)[0]
    assert not first.stands()
    with first as folder:
        build(folder, "one\n")
    assert first.stands()
    assert not list(first.editions.glob(".building-*"))


def test_run_json_is_no_part_of_the_check(first: editions.Edition) -> None:
    (first.folder / editions.RUN_RECORD).write_text("{}")
    assert first.stands()


def test_leftovers_of_dead_runs_are_removed_and_of_living_ones_kept(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    dead, living = tmp_path / f".building-{ended.pid}", tmp_path / f".building-{os.getppid()}"
    for folder in (dead, living):
        folder.mkdir()
    assert editions.sweep(tmp_path) == (dead,)
    assert living.exists()


def test_leftovers_older_than_a_day_are_removed_whoever_has_their_number_now(tmp_path: Path) -> None:
    old, pointer = (
        tmp_path / f".building-{os.getppid()}",
        tmp_path / "2026-10" / f".current.json.{os.getppid()}",
    )
    old.mkdir()
    pointer.parent.mkdir()
    pointer.write_text("{")
    for left in (old, pointer):
        os.utime(left, (1, 1))
    assert set(editions.sweep(tmp_path)) == {old, pointer}
    assert not old.exists()
    assert not pointer.exists()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "7", '{"edition": 3}', '{"edition": ""}', '{"edition": "../x"}']
)
def test_a_pointer_that_cannot_be_read_names_nothing_and_is_written_anew(
    first: editions.Edition, text: str
) -> None:
    (first.folder.parent / editions.POINTER).write_text(text)
    assert editions.current_edition(first.editions, first.period) is None
    first.renew()
    assert editions.current_edition(first.editions, first.period) == first.folder


def modes(folder: Path) -> set[tuple[bool, int]]:
    return {(path.is_dir(), stat.S_IMODE(path.stat().st_mode)) for path in [folder, *folder.rglob("*")]}


@pytest.mark.skipif(os.name == "nt", reason="no such modes on Windows")
def test_only_the_owner_reads_by_default(first: editions.Edition) -> None:
    assert modes(first.editions) == {(True, 0o700), (False, 0o600)}


@pytest.mark.skipif(os.name == "nt", reason="no groups on Windows")
def test_one_named_group_may_read(tmp_path: Path) -> None:
    import grp

    edition = editions.Edition(tmp_path / "all", "2026", "c" * 12, grp.getgrgid(os.getgid()).gr_name)
    with edition as folder:
        build(folder, "one\n")
    assert modes(edition.editions) == {(True, 0o750), (False, 0o640)}


def test_an_unknown_group_is_said_before_anything_is_built(tmp_path: Path) -> None:
    with (
        pytest.raises(WrongUse, match="no such group"),
        editions.Edition(tmp_path / "e", "2026", "c" * 12, "nobody-here"),
    ):
        pass
    assert not (tmp_path / "e").exists()

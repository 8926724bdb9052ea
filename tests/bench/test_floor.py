"""Two engines, one count: what `limbaudit check` writes is what the DuckDB script counts from the same files."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from floor import ABOUT_RECEIPTS, FATES, Counted, counted, of_rules, tied_to, told_in
from volume import FAULTS, Volume, made

from pipeline.audit import counted as audit_counted
from pipeline.clock import Clock
from pipeline.run import Asked, Done, accounted, checked, ground_of


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two hospitals with the same ids."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("volume.LARGEST_HOSPITAL", 1_500)
        return made(Volume(2_000, bad=0.05), tmp_path_factory.mktemp("volume"))


@pytest.fixture(scope="module")
def done(workspace: Path, tmp_path_factory: pytest.TempPathFactory) -> Done:
    return checked(Asked(workspace), tmp_path_factory.mktemp("checked"))


@pytest.fixture(scope="module")
def by_duckdb(workspace: Path) -> Counted:
    pytest.importorskip("duckdb")
    return counted(workspace)


def rows_of(done: Done, name: str) -> list[dict[str, str]]:
    with (done.place / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_and_every_broken_rule_is_counted_by_both(done: Done, by_duckdb: Counted) -> None:
    """Rows by place, findings and repairs by table, column and rule; both engines read the cells for themselves."""
    ours, theirs = told_in(done.place), of_rules(by_duckdb)
    assert ours == theirs
    assert all(theirs["fate", table, fate] for table in FAULTS for fate in FATES)
    assert sum(what == "rule" for what, *_ in theirs) >= sum(map(len, FAULTS.values()))


def test_records_are_tied_to_the_operation_they_name_by_both(workspace: Path, by_duckdb: Counted) -> None:
    rows = audit_counted(accounted(ground_of(Asked(workspace)), Clock()), Clock()).rows
    theirs = {key: count for key, count in by_duckdb.items() if key[0] not in ("rule", "fate")}
    assert tied_to(rows.resolved, rows.validated.accepted) == theirs
    assert {what for what, *_ in theirs} == {"standing", "tied", "within 90 days"}


def test_a_clean_volume_has_nothing_to_tell(tmp_path: Path) -> None:
    done = checked(Asked(made(Volume(500), tmp_path / "clean")), tmp_path / "out")
    assert done.warnings == ()
    assert {line["rule"] for line in rows_of(done, "quarantine")} <= ABOUT_RECEIPTS
    assert sum(int(line["superseded"]) for line in rows_of(done, "ledger")) > 0


def test_a_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    folders = [made(Volume(300, bad=0.1), tmp_path / name) for name in ("a", "b")]
    first, second = (
        {path.relative_to(folder): path.read_bytes() for path in sorted(folder.rglob("*.csv"))}
        for folder in folders
    )
    assert first == second
    assert len(first) == 8

"""Two engines, one count: what `limbaudit check` writes is what the DuckDB script counts from the same files."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import pytest
from floor import counted
from volume import FAULTS, Volume, made

from pipeline.run import Asked, Done, checked

#: What compares receipts by chance is left to our own engine; versions are compared as fates.
ABOUT_RECEIPTS = {"column_constant", "value_new"}
ABOUT_VERSIONS = {"record_superseded", "record_duplicate", "record_withdrawn"}
FATES = ("accepted", "quarantined", "superseded", "duplicate")


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made(Volume(2_000, bad=0.05), tmp_path_factory.mktemp("volume"))


@pytest.fixture(scope="module")
def done(workspace: Path, tmp_path_factory: pytest.TempPathFactory) -> Done:
    return checked(Asked(workspace), tmp_path_factory.mktemp("checked"))


@pytest.fixture(scope="module")
def by_duckdb(workspace: Path) -> dict[tuple[str, str, str], int]:
    pytest.importorskip("duckdb")
    return counted(workspace)


def rows_of(done: Done, name: str) -> list[dict[str, str]]:
    with (done.place / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_as_many_rows_end_in_each_place(done: Done, by_duckdb: dict[tuple[str, str, str], int]) -> None:
    ours: Counter[tuple[str, str]] = Counter()
    for line in rows_of(done, "ledger"):
        for fate in FATES:
            ours[line["table"], fate] += int(line[fate])
    theirs = {(table, fate): rows for (what, table, fate), rows in by_duckdb.items() if what == "fate"}
    assert {key: rows for key, rows in ours.items() if rows} == theirs
    assert all(theirs[table, fate] for table in FAULTS for fate in FATES)


def test_every_rule_is_broken_by_as_many_rows(done: Done, by_duckdb: dict[tuple[str, str, str], int]) -> None:
    """Findings and repairs, by table, column and rule; both engines read the cells for themselves."""
    findings, repairs = (
        Counter(
            (line["table"], f"{line['column']}__{line['rule']}")
            for line in rows_of(done, name)
            if line["rule"] not in ABOUT_RECEIPTS | ABOUT_VERSIONS
        )
        for name in ("quarantine", "repairs")
    )
    theirs = {(table, name[2:]): rows for (what, table, name), rows in by_duckdb.items() if what == "rule"}
    assert dict(findings | repairs) == theirs  # a masked note is both
    assert len(theirs) >= sum(map(len, FAULTS.values()))


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

"""One row dropped inside any stage stops the run: exit 3, nothing written.

Each test puts a thief behind a stage's door: the stage works as it does, then one row of what it hands on is gone.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

WORKSPACE = Path(__file__).parent / "journeys" / "twelve_courses"
TABLES = ("operations", "events", "followups", "measurements")

Thief = Callable[[Any], Any]


@dataclass(frozen=True)
class Theft:
    """`stage` and the function behind its door, what is stolen, and how."""

    stage: str
    door: str
    what: str
    steal: Thief


def from_export(table: str) -> Thief:
    def steal(intake: Any) -> Any:
        exports = [
            replace(export, rows=export.rows.slice(1)) if export.source.table == table else export
            for export in intake.exports
        ]
        return replace(intake, exports=tuple(exports))

    return steal


def from_accepted(table: str) -> Thief:
    def steal(validated: Any) -> Any:
        tables = {**validated.accepted.tables, table: validated.accepted.tables[table].slice(1)}
        return replace(validated, accepted=replace(validated.accepted, tables=tables))

    return steal


def from_facts(table: str) -> Thief:
    def steal(resolved: Any) -> Any:
        shorter = getattr(resolved.facts, table).iloc[:-1]
        return replace(resolved, facts=replace(resolved.facts, **{table: shorter}))

    return steal


def from_frame(name: str) -> Thief:
    """The last row of one frame of what a stage hands on."""

    def steal(handed: Any) -> Any:
        assert len(getattr(handed, name)) > 0
        return replace(handed, **{name: getattr(handed, name).iloc[:-1]})

    return steal


THEFTS = [
    *(Theft("intake.receive", "receive_all", table, from_export(table)) for table in TABLES),
    *(Theft("validate.kept", "validated_with", table, from_accepted(table)) for table in TABLES),
    *(Theft("resolve", "resolved", table, from_facts(table)) for table in TABLES),
    Theft("link", "linked", "a record of a case", from_frame("records")),
    Theft("link", "linked", "a record of no case", from_frame("unattributed")),
    Theft("link", "linked", "a case", from_frame("cases")),
    Theft("classify", "classified", "a complication", from_frame("complications")),
    Theft("classify", "classified", "a piece of evidence", from_frame("evidence")),
]


@pytest.mark.parametrize("theft", THEFTS, ids=lambda theft: f"{theft.stage}: {theft.what}")
def test_a_dropped_row_stops_the_run(
    monkeypatch: pytest.MonkeyPatch, limbaudit: Callable[..., Any], tmp_path: Path, theft: Theft
) -> None:
    module = importlib.import_module(f"pipeline.{theft.stage}")
    honest = getattr(module, theft.door)
    monkeypatch.setattr(module, theft.door, lambda *args, **named: theft.steal(honest(*args, **named)))
    finished = limbaudit("run", WORKSPACE, "--out", tmp_path / "out")
    assert finished.exit_code == 3, finished.said
    assert "Nothing was written" in finished.err
    assert not list(tmp_path.glob("out/*/draft-*"))


def test_a_case_dropped_before_counting_stops_the_run(
    monkeypatch: pytest.MonkeyPatch, limbaudit: Callable[..., Any], tmp_path: Path
) -> None:
    module = importlib.import_module("pipeline.count")
    honest = module.counted

    def thief(cases: Any, *args: Any, **named: Any) -> Any:
        number = len(cases.cases) - 1
        kept = {
            name: getattr(cases, name)[getattr(cases, name)["case"] < number]
            for name in ("complications", "assessed")
        }
        return honest(replace(cases, cases=cases.cases.iloc[:-1], **kept), *args, **named)

    monkeypatch.setattr(module, "counted", thief)
    finished = limbaudit("run", WORKSPACE, "--out", tmp_path / "out")
    assert finished.exit_code == 3, finished.said
    assert not list(tmp_path.glob("out/*/draft-*"))


def test_without_a_thief_the_run_is_sound(limbaudit: Callable[..., Any], tmp_path: Path) -> None:
    finished = limbaudit("run", WORKSPACE, "--out", tmp_path / "out")
    assert finished.exit_code == 0, finished.said

"""Cutting the patients into parts changes nothing but memory: every joined frame and every number is equal."""

from __future__ import annotations

import csv
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline import memory
from pipeline.audit import Analysed, analysed
from pipeline.clock import Clock
from pipeline.engine import Local, engine_for
from pipeline.handover import RECORD_TABLES
from pipeline.parts import parts_of
from pipeline.run import Accounted, Asked, accounted, ground_of
from pipeline.side_by_side import FEWEST_ROWS, threads

WORKSPACE = Path(__file__).parent / "journeys" / "twelve_courses"
MANY = (2, 3, 5, 8, 64)
#: Positions inside a part; they say where a row is, not what it is.
WITHIN_A_PART = ["record", "sitting"]
FRAMES = (
    "cases",
    "chain",
    "records",
    "unattributed",
    "shared_visits",
    "members",
    "complications",
    "evidence",
    "spoken",
    "unread",
    "heard",
    "decided",
)


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> Accounted:
    """The twelve courses, and one more note in which nothing can be understood."""
    place = tmp_path_factory.mktemp("parts") / "audit"
    shutil.copytree(WORKSPACE, place)
    events = place / "received" / "harbour" / "2026-11-02" / "events.csv"
    with events.open(newline="", encoding="utf-8") as stream:
        header, *sent = csv.reader(stream)
    note = {"event_id": "UNREAD", "patient_id": "P01", "occurred_on": "2025-05-05", "side": "right", "joint": "knee",
            "source": "clinic", "note": "Seen by Quilfrey."}  # fmt: skip
    with events.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows([header, *sent, [note.get(name, "") for name in header]])
    return accounted(ground_of(Asked(place)), Clock())


def in_parts(rows: Accounted, parts: int) -> Analysed:
    asked = replace(rows.ground.asked, engine=Local(parts))
    return analysed(replace(rows, ground=replace(rows.ground, asked=asked)), Clock())


@pytest.fixture(scope="module")
def whole(rows: Accounted) -> Analysed:
    return in_parts(rows, 1)


@pytest.fixture(scope="module", params=MANY, ids=lambda parts: f"{parts} parts")
def cut(request: Any, rows: Accounted) -> Analysed:
    return in_parts(rows, request.param)


def comparable(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.drop(columns=[name for name in WITHIN_A_PART if name in frame])


@pytest.mark.parametrize("name", FRAMES)
def test_joined_frames_are_equal(whole: Analysed, cut: Analysed, name: str) -> None:
    expected, found = (comparable(getattr(each.whole, name)) for each in (whole, cut))
    assert name == "shared_visits" or len(expected) > 0
    pd.testing.assert_frame_equal(found, expected, check_dtype=False)


@pytest.mark.parametrize("name", ["cases", "complications", "assessed"])
def test_counted_cases_of_all_parts_are_equal(whole: Analysed, cut: Analysed, name: str) -> None:
    """Lists are made of them; their own rows may come in another order, cases not."""
    expected, found = (comparable(getattr(each.cases, name)) for each in (whole, cut))
    assert len(expected) > 0 or name == "assessed"
    if name != "cases":
        by = [name for name in ("case", "category", "level", "status", "day") if name in expected]
        expected, found = (frame.sort_values(by, ignore_index=True)[by] for frame in (expected, found))
    pd.testing.assert_frame_equal(found, expected, check_dtype=False)


def test_steps_of_the_flow_add_up_to_the_same(whole: Analysed, cut: Analysed) -> None:
    """Every part counts its own rows of a step; the published flow adds them."""
    key = ["site", "procedure", "order"]
    expected, found = (each.whole.flow.groupby(key)["count"].sum() for each in (whole, cut))
    pd.testing.assert_series_equal(found, expected, check_dtype=False)


@pytest.mark.parametrize("name", ["rates", "cohorts", "event_free", "comparisons", "baseline", "activity"])
def test_published_numbers_are_equal(whole: Analysed, cut: Analysed, name: str) -> None:
    pd.testing.assert_frame_equal(getattr(cut, name), getattr(whole, name))


@pytest.mark.parametrize("name", ["volumes", "nonoperative_care", "return_to_sport", "scores"])
def test_what_stands_beside_complications_is_equal(whole: Analysed, cut: Analysed, name: str) -> None:
    assert len(whole.benefit["volumes"]) > 0
    pd.testing.assert_frame_equal(cut.benefit[name], whole.benefit[name])


@pytest.mark.parametrize("name", ["surgeon_outcomes", "risk_models", "monitoring", "charts"])
def test_what_rests_on_expected_risk_is_equal(whole: Analysed, cut: Analysed, name: str) -> None:
    assert (
        len(whole.by_risk[name]) > 0 or name == "monitoring"
    )  # none of these courses makes a chart of ten cases
    pd.testing.assert_frame_equal(cut.by_risk[name], whole.by_risk[name])


@pytest.mark.parametrize("parts", MANY)
def test_every_row_is_in_one_part(rows: Accounted, parts: int) -> None:
    facts = rows.resolved.facts
    cuts = list(parts_of(facts, parts))
    assert len(cuts) == parts
    for name in (*RECORD_TABLES, "patients"):
        found = np.sort(np.concatenate([getattr(part, name)["row"].to_numpy() for part in cuts]))
        assert np.array_equal(found, np.sort(getattr(facts, name)["row"].to_numpy())), name
    for name in ("concomitants", "codes", "decisions", "links"):
        assert sum(len(getattr(part, name)) for part in cuts) == len(getattr(facts, name)), name


def test_a_patient_is_in_one_part_with_everything(rows: Accounted) -> None:
    facts = rows.resolved.facts
    owner: dict[int, int] = {}
    for number, part in enumerate(parts_of(facts, 5)):
        for name in RECORD_TABLES:
            for patient in getattr(part, name)["patient"].unique():
                assert owner.setdefault(int(patient), number) == number


@pytest.mark.parametrize("parts", [2, 5])
def test_links_point_to_the_same_record(rows: Accounted, parts: int) -> None:
    facts = rows.resolved.facts

    def targets(part: Any) -> set[tuple[int, int, int]]:
        frames = [getattr(part, name)["row"].to_numpy() for name in RECORD_TABLES]
        links = part.links[["table", "record", "operation"]].to_numpy()
        return {
            (int(table), int(frames[table][record]), int(operation)) for table, record, operation in links
        }

    assert targets(facts)
    assert set().union(*(targets(part) for part in parts_of(facts, parts))) == targets(facts)


def test_parts_that_are_not_said_are_as_many_as_may_work_at_a_time() -> None:
    assert Local(7).parts_for(FEWEST_ROWS) == Local(7).parts_for(0) == 7
    assert Local().parts_for(FEWEST_ROWS - 1) == 1
    assert Local().parts_for(FEWEST_ROWS) == threads() >= 1


@pytest.mark.parametrize("parts", [7])
def test_parts_that_lie_in_files_give_the_same(
    rows: Accounted, whole: Analysed, tmp_path: Path, parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More parts than are worked on at a time; afterwards nothing of them is left."""
    laid: list[Path] = []
    monkeypatch.setattr("pipeline.pieces.mapped", lambda path: laid.append(path) or memory.mapped(path))
    with engine_for("local", "", parts, tmp_path / "editions") as engine:
        asked = replace(rows.ground.asked, engine=engine)
        found = analysed(replace(rows, ground=replace(rows.ground, asked=asked)), Clock())
    assert len(laid) >= 4 * parts  # facts, links, complications and cases of each
    assert list((tmp_path / "editions").iterdir()) == []
    for name in FRAMES:
        ours, theirs = (comparable(getattr(each.whole, name)) for each in (whole, found))
        pd.testing.assert_frame_equal(theirs, ours, check_dtype=False)
    for name in ("rates", "cohorts", "event_free", "comparisons", "baseline", "activity"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(whole, name))
    for name, table in whole.by_risk.items():
        pd.testing.assert_frame_equal(found.by_risk[name], table)


def test_so_many_operations_are_cut_finer_than_processors(tmp_path: Path) -> None:
    """Parts of at most 250,000 operations from 1.5 million on: 6 of 1,500,000, 7 of 1,500,001."""
    with engine_for("local", "", 0, tmp_path) as engine:
        assert [engine.parts_for(rows) for rows in (0, 1_500_000, 1_500_001)] == [1, 6, 7]
    with engine_for("local", "", 3, tmp_path) as engine:
        assert engine.parts_for(1_500_000) == 3


def test_accepted_tables_that_lie_in_files_give_the_same(
    rows: Accounted, whole: Analysed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From one row on: every table is mapped from a file of its own, and columns, fates and rates are equal."""
    monkeypatch.setattr("pipeline.room.MANY_ROWS", 1)
    with engine_for("local", "", 0, tmp_path / "editions") as engine:
        again = accounted(ground_of(replace(rows.ground.asked, engine=engine)), Clock())
        (scratch,) = (tmp_path / "editions").iterdir()
        assert list(scratch.iterdir()) == []
        assert len(memory._MAPPED) > len(RECORD_TABLES)  # tables with rows, and the facts
        assert not again.resolved.facts.events["row"].to_numpy().flags.writeable
        found = analysed(again, Clock())
    assert list((tmp_path / "editions").iterdir()) == []
    for name, table in rows.validated.accepted.tables.items():
        assert again.validated.accepted.tables[name].equals(table), name
        np.testing.assert_array_equal(again.resolved.fates[name], rows.resolved.fates[name])
    for name in ("rates", "cohorts", "event_free", "comparisons", "findings"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(whole, name))


def test_few_rows_stay_in_memory(rows: Accounted, tmp_path: Path) -> None:
    tables = rows.validated.accepted.tables
    with engine_for("local", "", 0, tmp_path / "editions") as engine:
        room = engine.room_for(sum(table.num_rows for table in tables.values()))
        assert all(room.table(table) is table for table in tables.values())
    assert not (tmp_path / "editions").exists()

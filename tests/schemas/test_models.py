"""Models catch what they should, name its row and column, and never its value."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from pandera.errors import SchemaError, SchemaErrorReason

from schemas.columns import Column, Table
from schemas.exports import EXPORTS
from schemas.fit import UnfitFrame, arrow_schema, arrow_type, failures, typed
from schemas.models import model, model_failures, models
from schemas.people import PEOPLE
from schemas.published import PUBLISHED

CANARY = "canary-7391"

GOOD: dict[str, dict[str, Any]] = {
    "operations": {
        "operation_id": "o1", "patient_id": "p1", "performed_on": date(2025, 3, 3), "procedure_code": "KX1",
        "side": "left", "age_years": 17, "sex": "female",
    },
    "events": {"event_id": "e1", "patient_id": "p1", "occurred_on": date(2025, 4, 3), "code": "S82.0XXA"},
    "followups": {"followup_id": "f1", "patient_id": "p1", "seen_on": date(2025, 4, 3), "status": "seen"},
    "measurements": {
        "measurement_id": "m1", "patient_id": "p1", "measured_on": date(2025, 6, 1), "joint": "hip",
        "measure": "flexion", "mode": "passive", "value": 95.0, "unit": "deg",
    },
    "decisions": {
        "case_id": "harbour.o1.L", "category": "sore", "counts": True, "reviewer": "r1",
        "decided_on": date(2025, 9, 1),
    },
    "review": {"case_id": "harbour.o1.L", "category": "sore", "why": "side unknown"},
}  # fmt: skip
TABLES = EXPORTS | PEOPLE | PUBLISHED


def rows(name: str, *records: dict[str, Any]) -> pd.DataFrame:
    """Typed rows of a table: the good row, changed as each record says."""
    filled = [GOOD[name] | record for record in records]
    return pa.Table.from_pylist(filled, schema=arrow_schema(TABLES[name])).to_pandas(
        types_mapper=pd.ArrowDtype
    )


def faults(name: str, *records: dict[str, Any]) -> list[tuple[int, str, str]]:
    frame = rows(name, *records)
    found = model_failures(TABLES[name], frame)
    pd.testing.assert_frame_equal(failures(TABLES[name], frame), found)  # asked about faulty rows only
    return list(found.itertuples(index=False, name=None))


@pytest.mark.parametrize("name", GOOD)
def test_a_good_row_passes(name: str) -> None:
    assert faults(name, {}) == []


@pytest.mark.parametrize(
    ("name", "column", "cell", "rule"),
    [
        ("operations", "operation_id", None, "value_missing"),
        ("operations", "patient_id", "  ", "value_missing"),
        ("operations", "performed_on", None, "value_missing"),
        ("operations", "age_years", None, "value_missing"),
        ("operations", "age_years", -1, "value_out_of_range"),
        ("operations", "age_years", 91, "value_out_of_range"),
        ("operations", "asa_class", 0, "value_out_of_range"),
        ("operations", "asa_class", 6, "value_out_of_range"),
        ("operations", "bmi", 9.9, "value_out_of_range"),
        ("operations", "bmi", 80.5, "value_out_of_range"),
        ("operations", "bmi", float("nan"), "value_unparsable"),
        ("operations", "bmi", float("inf"), "value_unparsable"),
        ("operations", "nonoperative_weeks", 521, "value_out_of_range"),
        ("operations", "side", "L", "value_unknown_word"),
        ("operations", "side", "Left", "value_unknown_word"),
        ("operations", "sex", "", "value_unknown_word"),
        ("operations", "status", "done", "value_unknown_word"),
        ("operations", "record_status", "deleted", "value_unknown_word"),
        ("events", "instability_level", 6, "value_out_of_range"),
        ("events", "severity_grade", "VI", "value_unknown_word"),
        ("events", "through_fixation_site", "true", "value_unknown_word"),
        ("events", "energy", "medium", "value_unknown_word"),
        ("events", "source", "rumour", "value_unknown_word"),
        ("events", "reduced_by", "ambulance", "value_unknown_word"),
        ("followups", "pain", 11, "value_out_of_range"),
        ("followups", "status", None, "value_missing"),
        ("followups", "return_to_sport", "yes", "value_unknown_word"),
        ("measurements", "value", -201.0, "value_out_of_range"),
        ("measurements", "value", None, "value_missing"),
        ("measurements", "unit", "cm", "value_unknown_word"),
        ("decisions", "counts", None, "value_missing"),
        ("decisions", "severity_grade", "VI", "value_unknown_word"),
    ],
)  # fmt: skip
def test_a_bad_cell_is_named_by_row_column_and_rule(name: str, column: str, cell: Any, rule: str) -> None:
    found = faults(name, {}, {column: cell}, {})
    assert (1, column, rule) in found
    assert {(row, where) for row, where, _ in found} == {(1, column)}


@pytest.mark.parametrize(
    ("name", "column", "cell"),
    [
        ("operations", "age_years", 0), ("operations", "age_years", 90), ("operations", "bmi", 10.0),
        ("operations", "bmi", 80.0), ("operations", "asa_class", 1), ("operations", "asa_class", 5),
        ("operations", "nonoperative_weeks", 520), ("followups", "pain", 10), ("events", "severity_grade", "IIIa"),
        ("operations", "surgeon_id", None), ("operations", "smoker", None), ("events", "joint", "anything"),
        ("measurements", "value", -10.0), ("operations", "fixation", "screws;anything"),
    ],
)  # fmt: skip
def test_ends_of_ranges_and_gaps_are_fine(name: str, column: str, cell: Any) -> None:
    assert faults(name, {column: cell}) == []


def test_every_bad_cell_of_a_row_is_told_once() -> None:
    found = faults("operations", {"side": "L", "age_years": 200, "patient_id": None}, {}, {"side": "R"})
    assert found == [
        (0, "age_years", "value_out_of_range"),
        (0, "patient_id", "value_missing"),
        (0, "side", "value_unknown_word"),
        (2, "side", "value_unknown_word"),
    ]


def test_rows_are_positions_whatever_the_index() -> None:
    frame = rows("operations", {}, {"side": "L"}).set_axis([5, 5])
    before = frame.copy(deep=True)
    assert model_failures(EXPORTS["operations"], frame)["row"].tolist() == [1]
    pd.testing.assert_frame_equal(frame, before)


def test_every_word_of_a_list_is_compared() -> None:
    sports = Column("sports", "words", "Sports.", vocabulary=("ball", "run"), source="test")
    table = Table("made_up", "Only here.", (sports,), ("sports",))
    cells = pa.table({"sports": ["ball", "run;ball", "ball;swim", "", None]}).to_pandas(
        types_mapper=pd.ArrowDtype
    )
    assert model_failures(table, cells)["row"].tolist() == [2, 3]


def test_an_empty_table_has_no_faults() -> None:
    frame = typed(EXPORTS["events"], rows("events"))
    found = model_failures(EXPORTS["events"], frame)
    assert found.empty
    assert list(found.columns) == ["row", "column", "rule"]
    assert found["row"].dtype == "int64"


def test_a_table_that_comes_in_may_carry_where_it_came_from() -> None:
    frame = rows("operations", {"side": "L"}).assign(site="harbour", source_line=2)
    assert model_failures(EXPORTS["operations"], frame)["column"].tolist() == ["side"]


def test_optional_columns_may_be_absent_required_ones_not() -> None:
    frame = rows("operations", {})
    assert model_failures(EXPORTS["operations"], frame.drop(columns=["bmi", "recorded_at"])).empty
    with pytest.raises(UnfitFrame, match="`operations` has no column `side`"):
        model_failures(EXPORTS["operations"], frame.drop(columns="side"))


@pytest.mark.parametrize("column", ["age_years", "performed_on", "bmi", "smoker", "recorded_at"])
def test_a_column_still_in_text_stops_and_shows_no_value(column: str) -> None:
    frame = rows("operations", {}).assign(**{column: pd.array([CANARY], dtype=pd.ArrowDtype(pa.string()))})
    with pytest.raises(UnfitFrame, match=rf"`operations.{column}` is of type string") as stopped:
        model_failures(EXPORTS["operations"], frame)
    assert CANARY not in str(stopped.value)
    assert stopped.value.__cause__ is None
    assert stopped.value.__context__ is None


def test_no_value_is_in_the_failures() -> None:
    found = model_failures(EXPORTS["operations"], rows("operations", {"side": CANARY}))
    assert CANARY not in found.to_csv()


# Tables a run writes.


def test_a_repeated_key_is_a_fault_of_each_row_that_carries_it() -> None:
    found = faults("review", {}, {"category": "other one"}, {})
    assert found == [(row, "case_id, category, why, evidence", "key_repeated") for row in (0, 2)]


def test_published_columns_stand_in_order_and_alone() -> None:
    frame = rows("review", {})
    with pytest.raises(UnfitFrame, match="another order"):
        model_failures(PUBLISHED["review"], frame[frame.columns[::-1]])
    with pytest.raises(UnfitFrame, match="does not know: `extra`"):
        model_failures(PUBLISHED["review"], frame.assign(extra=1))
    with pytest.raises(UnfitFrame, match="has no column `would_move`"):
        model_failures(PUBLISHED["review"], frame.drop(columns="would_move"))


def _in_its_range(column: Column) -> object:
    if column.vocabulary:
        return column.vocabulary[0]
    text_like = {"date": date(2026, 10, 31), "moment": pd.Timestamp("2026-10-31"), "yes_no": True}
    if column.kind in {"integer", "number"}:
        return column.low if column.low is not None else column.high if column.high is not None else 1
    return text_like.get(column.kind, "x")


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_every_table_accepts_a_row_within_its_description(table: Table) -> None:
    frame = pd.DataFrame({column.name: [_in_its_range(column)] for column in table.columns})
    assert model_failures(table, typed(table, frame)).empty


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_every_table_finds_an_empty_row(table: Table) -> None:
    frame = arrow_schema(table).empty_table().to_pandas(types_mapper=pd.ArrowDtype).reindex([0])
    found = model_failures(table, frame)
    filled = [column.name for column in table.columns if (table.name in PUBLISHED and not column.nullable)]
    expected = filled if table.name in PUBLISHED else list(table.required)
    assert found["column"].tolist() == sorted(expected)
    assert set(found["rule"]) <= {"value_missing"}


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_models_carry_meaning_unit_source_and_display(table: Table) -> None:
    described = models()[table.name]
    assert described is model(table)
    for column in table.columns:
        kept = described.columns[column.name]
        assert kept.description == column.description
        assert kept.metadata == {"unit": column.unit, "source": column.source, "display": column.display}
        assert kept.coerce is False
        assert kept.dtype.type == pd.ArrowDtype(arrow_type(column))


# Ordinary frames into Arrow types.


def test_typed_keeps_whole_numbers_whole_beside_gaps() -> None:
    frame = rows("operations", {}, {"age_years": None}).astype({"age_years": "float64"})
    ages = typed(EXPORTS["operations"], frame)["age_years"]
    assert ages.dtype == pd.ArrowDtype(pa.int64())
    assert ages.tolist() == [17, pd.NA]


def test_typed_takes_ordinary_frames_in_any_order() -> None:
    ordinary = pd.DataFrame(
        {"why": ["a"], "case_id": ["c"], "evidence": [None], "category": [None], "would_move": [""]}
    )
    made = typed(PUBLISHED["review"], ordinary)
    assert tuple(made.columns) == PUBLISHED["review"].names
    assert model_failures(PUBLISHED["review"], made).empty


@pytest.mark.parametrize(("column", "cell"), [("age_years", 17.5), ("side", 3), ("age_years", CANARY)])
def test_typed_refuses_what_would_be_lost(column: str, cell: object) -> None:
    frame = rows("operations", {}).astype({column: object}).assign(**{column: pd.Series([cell])})
    with pytest.raises(UnfitFrame, match=rf"`operations.{column}` holds") as stopped:
        typed(EXPORTS["operations"], frame)
    assert CANARY not in str(stopped.value)


def test_typed_wants_exactly_the_columns() -> None:
    with pytest.raises(UnfitFrame, match=r"missing \['side'\], too much \['sides'\]"):
        typed(EXPORTS["operations"], rows("operations", {}).rename(columns={"side": "sides"}))


def test_a_failure_without_a_row_stops_and_shows_no_value(monkeypatch: pytest.MonkeyPatch) -> None:
    """The library tells some faults of a whole column without a row; none may pass as a fault of no row."""
    rowless = SchemaError(
        model(EXPORTS["events"]),
        None,
        CANARY,
        failure_cases=CANARY,
        reason_code=SchemaErrorReason.CHECK_ERROR,
    )
    monkeypatch.setattr("schemas.models._errors", lambda table, frame: [rowless])
    with pytest.raises(UnfitFrame, match=r"`events` cannot be checked row by row \(CHECK_ERROR\)") as stopped:
        model_failures(EXPORTS["events"], rows("events", {}))
    assert CANARY not in str(stopped.value)


def test_the_library_is_loaded_only_for_rows_that_break_a_rule() -> None:
    program = """
import sys, pandas as pd, pyarrow as pa
from schemas.exports import EXPORTS
from schemas.fit import arrow_schema, failures
table = EXPORTS["surgeons"]
for name, expected in (("s1", 0), (None, 1)):
    rows = pa.Table.from_pylist([{"surgeon_id": name}], schema=arrow_schema(table))
    found = failures(table, rows.to_pandas(types_mapper=pd.ArrowDtype))
    print(len(found) == expected, "pandera" in sys.modules)
"""
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert told.stdout.splitlines() == ["True False", "True True"]

"""What `repairs` says of a file: expected lines are written by hand from the cells."""

from __future__ import annotations

from pipeline.handover import Reading
from pipeline.settings import Settings
from pipeline.validate import checked

PLACES = ("shoulder", "knee")


def lines(result) -> list[list[object]]:
    """Line (0: the whole column), column, rule, before, after."""
    said = result.repairs[["source_line", "column", "rule", "before", "after"]]
    return [
        [int(line) if line == line else 0, *rest] for line, *rest in said.fillna({"source_line": 0}).values
    ]


def test_blanks_around_cells_are_one_line_a_column(export):
    result = checked(
        export("operations", {"side": " left "}, {"side": "left ", "sex": " "}, {}), Settings(), PLACES
    )
    assert lines(result) == [
        [0, "side", "blanks_trimmed", "", "2 cells"],
        [0, "sex", "blanks_trimmed", "", "1 cell"],
    ]


def test_every_other_difference_is_a_line_a_cell(export):
    change = {
        "side": " LEFT",
        "performed_on": "2025-03-03 08:15",
        "age_years": "90",
        "asa_class": "+2",
        "bmi": "999",
    }
    result = checked(export("operations", change), Settings(), PLACES)
    assert lines(result) == [
        [0, "side", "blanks_trimmed", "", "1 cell"],
        [2, "performed_on", "time_dropped", "2025-03-03 08:15", "2025-03-03"],
        [2, "side", "word_folded", "LEFT", "left"],
        [2, "age_years", "age_over_89", "", "90+"],
        [2, "asa_class", "number_reread", "+2", "2"],
        [2, "bmi", "value_code_for_missing", "999", ""],
    ]


def test_what_was_masked_is_logged_without_showing_it(export):
    result = checked(export("events", {"note": "ask Dr. Miller"}), Settings(), PLACES)
    assert lines(result) == [[2, "note", "identifier_masked", "", "[masked]"]]
    assert result.accepted["note"].to_pylist() == ["ask [masked]"]


def test_the_zone_is_told_once_a_column(export):
    reading = Reading(timezone="Europe/Dublin")
    change = {"occurred_on": "2025-06-30T23:30:00Z", "recorded_at": "2025-10-26T01:30:00"}
    result = checked(export("events", change, change, reading=reading), Settings(), PLACES)
    assert result.findings[["source_line", "column", "rule", "action"]].fillna(
        {"source_line": 0}
    ).values.tolist() == [
        [0, "occurred_on", "days_moved_by_zone", "warn"],
        [0, "recorded_at", "hour_unclear", "warn"],
    ]
    assert [message.split(".")[0] for message in result.findings["message"]] == ["2 cells", "2 cells"]
    moved = [2, "occurred_on", "date_moved_by_zone", "2025-06-30T23:30:00Z", "2025-07-01"]
    assert lines(result) == [moved, [3, *moved[1:]]]

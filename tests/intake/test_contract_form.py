"""What a mapping makes of a file's rows."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.intake.shifted_dates import _sum

MAPPED = """
[[table]]
table = "operations"
file = "log.csv"
columns.operation_id = ["Case No", "CaseNumber"]
columns.patient_id = "Pt"
columns.performed_on = "Day"
columns.procedure_code = "Op"
columns.side = "Lat"
columns.age_years = "Age"
constants = { sex = "unknown", procedure_system = "local" }
"""
LOG = "CaseNumber,Pt,Day,Op,Lat,Age,Status\n"


def test_columns_alternatives_and_constants(workspace: Any) -> None:
    workspace.map(MAPPED)
    workspace.put("log.csv", LOG + "c1,p1,2026-10-01,X, R ,20,DONE\n")
    row = workspace.only().rows.to_pylist()[0]
    assert row["operation_id"] == "c1"
    assert row["side"] == " R "
    assert (row["sex"], row["procedure_system"]) == ("unknown", "local")


def test_both_alternatives_in_one_file_are_unclear(workspace: Any) -> None:
    workspace.map(MAPPED)
    workspace.put("log.csv", "Case No," + LOG + "c1,c1,p1,2026-10-01,X,R,20,DONE\n")
    rule, message = workspace.refused()
    assert rule == "header_repeated_name"
    assert "`Case No` and `CaseNumber`" in message


def test_missing_header_is_named_with_its_purpose(workspace: Any) -> None:
    workspace.map(MAPPED)
    workspace.put("log.csv", LOG.replace("CaseNumber", "Number") + "c1,p1,2026-10-01,X,R,20,DONE\n")
    message = workspace.refused()[1]
    assert "no column `Case No` or `CaseNumber` (for `operation_id`)" in message
    assert "`Number`" in message


def test_translated_words_are_logged_cell_by_cell(workspace: Any) -> None:
    workspace.map(MAPPED + 'values.side = { R = "right", L = "left", left = "left" }\n')
    rows = ["c1,p1,2026-10-01,X, R ,20,", "c2,p1,2026-10-01,X,left,20,", "c3,p1,2026-10-01,X,?,20,"]
    workspace.put("log.csv", LOG + "\n".join([*rows, "c4,p1,2026-10-01,X,,20,"]) + "\n")
    intake = workspace.received()
    assert intake.exports[0].rows["side"].to_pylist() == ["right", "left", "?", None]
    translated = intake.repairs[intake.repairs["rule"] == "word_translated"]
    assert translated.to_dict("records") == [
        {
            "site": "harbour",
            "source_file": "received/harbour/2026-11-02/log.csv",
            "source_line": 2,
            "table": "operations",
            "record_id": "c1",
            "column": "side",
            "rule": "word_translated",
            "before": " R ",
            "after": "right",
        }
    ]


def test_lists_are_translated_word_by_word(workspace: Any) -> None:
    workspace.map(MAPPED + 'values.fixation = { KW = "wire", PL = "plate" }\n')
    workspace.put("log.csv", LOG.replace("Status", "fixation") + "c1,p1,2026-10-01,X,R,20,KW; PL;x\n")
    assert workspace.only().rows["fixation"].to_pylist() == ["wire;plate;x"]


def test_a_constant_is_logged_once_a_file(workspace: Any) -> None:
    workspace.map(MAPPED)
    workspace.put("log.csv", LOG + "c1,p1,2026-10-01,X,R,20,\nc2,p2,2026-10-01,X,R,20,\n")
    repairs = workspace.received().repairs
    made = repairs.loc[repairs["rule"] == "column_made", ["column", "rule", "before", "after"]]
    assert made.to_numpy().tolist() == [
        ["sex", "column_made", "", "unknown"],
        ["procedure_system", "column_made", "", "local"],
    ]


@pytest.mark.parametrize(
    ("cells", "told"), [(("Unknown", ""), []), (("unknown", "f"), ["1 of its cells"]), (("m", "f"), ["2 of its cells"])]
)  # fmt: skip
def test_a_constant_against_a_column_of_the_file_is_told(
    workspace: Any, cells: tuple[str, str], told: list[str]
) -> None:
    workspace.map(MAPPED)
    rows = [f"c{n},p{n},2026-10-01,X,R,20,{cell}\n" for n, cell in enumerate(cells)]
    workspace.put("log.csv", LOG.replace("Status", " Sex ") + "".join(rows))
    intake = workspace.received()
    assert intake.exports[0].rows["sex"].to_pylist() == ["unknown", "unknown"]
    said = intake.findings[["rule", "column", "action", "message"]].to_numpy().tolist()
    assert [found[:3] for found in said] == [["column_given_twice", "sex", "warn"]] * len(told)
    assert all(
        part in found[3] and "mappings/harbour.toml" in found[3]
        for part, found in zip(told, said, strict=True)
    )


def test_where_counts_what_it_leaves_out(workspace: Any) -> None:
    workspace.map(MAPPED + 'where = { Status = ["DONE", ""] }\n')
    rows = [f"c{n},p1,2026-10-01,X,R,20,{word}\n" for n, word in enumerate([" DONE ", "BOOKED", "", "done"])]
    workspace.put("log.csv", LOG + "".join(rows))
    export = workspace.only()
    assert export.rows["operation_id"].to_pylist() == ["c0", "c2"]
    assert export.rows["source_line"].to_pylist() == [2, 4]
    assert export.source.not_selected == 2
    assert "status" not in export.rows.column_names


def test_mapped_optional_column_that_is_absent_is_told(workspace: Any, rules: Any) -> None:
    workspace.map(MAPPED + 'columns.asa_class = "ASA"\n')
    workspace.put("log.csv", LOG + "c1,p1,2026-10-01,X,R,20,DONE\n")
    assert rules(workspace.received()) == ["header_mapped_absent"]


EVENTS = """
[[table]]
table = "events"
file = "recurrences.csv"
id_from = ["id", "enum"]
dates.occurred_on = { from = "random", plus_days = "tstop" }
site_from = "center"
values.site_id = { "1" = "north" }
columns = { patient_id = "id", code = "what" }
"""


def test_made_ids_dates_and_sites(workspace: Any, rules: Any) -> None:
    workspace.map(EVENTS)
    text = "id,enum,random,tstop,center,what\n"
    text += "7,1,2026-02-27,3,1,A\n7,2,2026-02-27,x,south,B\n8,,,5,two words,C\n"
    workspace.put("recurrences.csv", text)
    intake = workspace.received()
    assert [list(row.values()) for row in intake.exports[0].rows.to_pylist()] == [
        ["7-1", "7", "2026-03-02", "A", "north", 2],
        ["7-2", "7", "2026-02-27 + x", "B", "south", 3],
    ]
    assert [list(row.values()) for row in intake.exports[0].broken.to_pylist()] == [
        [None, "8", None, "C", "two words", 4]
    ]
    assert rules(intake) == ["row_site_unclear"]
    assert intake.repairs[["source_line", "column", "rule", "before", "after"]].astype(object).fillna(
        0
    ).to_numpy().tolist() == [
        [0, "occurred_on", "column_made", "random + tstop", "day and days after it"],
        [0, "event_id", "column_made", "id + enum", "joined by -"],
        [0, "site_id", "column_made", "center", "the site of each row"],
        [2, "site_id", "word_translated", "1", "north"],
    ]


@pytest.mark.parametrize(
    ("start", "plus_days", "order", "expected"),
    [
        ("2024-02-28", "1", "", "2024-02-29"),
        ("2024-02-28", "-365", "", "2023-02-28"),
        ("2024-02-28 00:00:00", "2.0", "", "2024-03-01"),
        ("01/02/2024", "1", "DMY", "2024-02-02"),
        ("01/02/2024", "1", "MDY", "2024-01-03"),
        ("01/02/2024", "1", "", "01/02/2024 + 1"),
        ("2024-02-30", "1", "", "2024-02-30 + 1"),
        ("2024-02-28", "1.5", "", "2024-02-28 + 1.5"),
        ("100", "20", "", "120"),
    ],
)
def test_sum_of_a_day_and_days(start: str, plus_days: str, order: str, expected: str) -> None:
    assert _sum(f"{start}\x1f{plus_days}", order) == expected


MOTION = """
[[table]]
table = "measurements"
file = "motion*.csv"
unpivot = { column = "measure", value = "value", of = { "FF" = "forward_flexion", "ER" = "external_rotation" } }
constants = { mode = "passive", unit = "deg", joint = "shoulder" }
"""


def test_unpivot_makes_a_row_of_each_filled_cell(workspace: Any) -> None:
    workspace.map(MOTION)
    text = "measurement_id,patient_id,measured_on,FF,ER\nm1,p1,2026-10-10,120,40\n\nm2,p2,2026-10-11, ,30\nm3,p3\n"
    workspace.put("motion.csv", text)
    export = workspace.only()
    read = export.rows.select(["measurement_id", "measure", "value", "source_line"]).to_pylist()
    assert [tuple(row.values()) for row in read] == [
        ("m1-forward_flexion", "forward_flexion", "120", 2),
        ("m1-external_rotation", "external_rotation", "40", 2),
        ("m2-external_rotation", "external_rotation", "30", 4),
    ]
    source = export.source
    assert (source.rows_read, source.non_data, source.not_selected, len(export.broken)) == (7, 1, 1, 2)


def test_unpivot_needs_all_its_columns(workspace: Any) -> None:
    workspace.map(MOTION)
    workspace.put("motion.csv", "measurement_id,patient_id,measured_on,FF\nm1,p1,2026-10-10,120\n")
    assert workspace.refused()[0] == "header_column_missing"


def test_one_file_feeds_several_tables(workspace: Any) -> None:
    second = '[[table]]\ntable = "patients"\nfile = "log.csv"\ncolumns = { patient_id = "Pt" }\n'
    workspace.map(MAPPED + second)
    workspace.put("log.csv", LOG + "c1,p1,2026-10-01,X,R,20,DONE\n")
    intake = workspace.received()
    assert [source.table for source in intake.sources] == ["operations", "patients"]
    assert [len(export.rows) for export in intake.exports] == [1, 1]


def test_declarations_are_handed_on_for_the_name_rule_too(workspace: Any, header: str, row: str) -> None:
    workspace.map('date_order = "DMY"\ndecimal = ","\n')
    workspace.put("operations.csv", header + row)
    reading = workspace.only().reading
    assert (reading.date_order, reading.decimal) == ("DMY", ",")


def test_where_of_a_required_column_keeps_the_column(workspace: Any, header: str, row: str) -> None:
    workspace.map('[[table]]\ntable = "operations"\nfile = "o.csv"\nwhere = { side = ["left"] }\n')
    workspace.put("o.csv", header + row + row.replace("left", "right"))
    assert workspace.only().rows["side"].to_pylist() == ["left"]

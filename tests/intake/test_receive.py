"""Whole files through the stage: what is accepted, counted, refused, and what is said."""

from __future__ import annotations

import gzip
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.intake import newest_receipt, read
from pipeline.settings import Settings, Site

OPS = "operations.csv"


def lines(export: Any) -> list[int]:
    return [int(line) for line in export.rows["source_line"].to_pylist()]


def test_contract_form_by_name(workspace: Any, header: str, row: str) -> None:
    workspace.put("Operations_2026-10.CSV", header + row)
    export = workspace.only()
    assert export.rows.to_pylist() == [
        {
            "operation_id": "o1",
            "patient_id": "p1",
            "performed_on": "2026-10-01",
            "procedure_code": "X1",
            "side": "left",
            "age_years": "20",
            "sex": "male",
            "site": "harbour",
            "source_line": 2,
        }
    ]
    assert export.source.source_file == "received/harbour/2026-11-02/Operations_2026-10.CSV"
    assert export.broken is None
    assert export.unmapped is None


def test_headers_ignore_case_and_blanks_and_order(workspace: Any) -> None:
    workspace.put(
        OPS, " SEX ,Patient_ID,operation_id,performed_on,procedure_code,side,age_years\nmale,p,o,d,c,left,1\n"
    )
    assert workspace.only().rows.column_names[:2] == ["operation_id", "patient_id"]
    assert workspace.only().rows["sex"].to_pylist() == ["male"]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_line_ends(workspace: Any, header: str, row: str, ending: str, last: bool) -> None:
    text = (header + row + row).replace("\n", ending)
    workspace.put(OPS, text if last else text.removesuffix(ending))
    assert lines(workspace.only()) == [2, 3]


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_another_delimiter_is_found_and_logged(workspace: Any, header: str, row: str, delimiter: str) -> None:
    workspace.put(OPS, (header + row).replace(",", delimiter))
    intake = workspace.received()
    assert intake.exports[0].rows["sex"].to_pylist() == ["male"]
    assert list(intake.repairs["rule"]) == ["delimiter_found"]


def test_a_found_delimiter_must_fit_every_row(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, (header + row).replace(",", ";") + "o2;p2;x\n" + row.replace(",", ";"))
    rule, message = workspace.refused()
    assert rule == "delimiter_unclear"
    assert "line 3" in message


@pytest.mark.parametrize("cells", ["o2,p2,2026-10-02,X1,left,20,male,and more", "o2,p2,2026-10-02"])
def test_ragged_row_is_held_back_and_never_padded(workspace: Any, header: str, row: str, cells: str) -> None:
    workspace.put(OPS, header + cells + "\n" + row)
    intake = workspace.received()
    assert lines(intake.exports[0]) == [3]
    broken = intake.exports[0].broken.to_pylist()
    assert [(each["operation_id"], each["source_line"]) for each in broken] == [("o2", 2)]
    found = intake.findings.iloc[0]
    assert (found["rule"], found["action"], found["source_line"]) == ("row_ragged", "quarantine", 2)


def test_preamble_blank_lines_repeated_headers_and_totals_are_no_data(
    workspace: Any, header: str, row: str
) -> None:
    text = "Report run by someone\n\n" + header + row + "\n" + header + ",,,,,,\n" + row
    workspace.put(OPS, text + "Total,2,,,,,\nEnd of report")
    intake = workspace.received()
    source = intake.sources[0]
    assert (source.rows_read, source.non_data) == (9, 7)
    assert lines(intake.exports[0]) == [4, 8]
    assert list(intake.repairs["rule"]) == ["header_below_preamble", *["row_not_data"] * 3]
    assert not intake.repairs[["before", "after"]].map(lambda text: "someone" in text).any(axis=None)


@pytest.mark.parametrize("above", [0, 1, 19])
def test_header_among_the_first_twenty_rows(workspace: Any, header: str, row: str, above: int) -> None:
    workspace.put(OPS, "a title\n" * above + header + row)
    assert lines(workspace.only()) == [above + 2]


def test_two_different_header_rows_are_unclear(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, "title\n" + header.replace("\n", ",x\n") + header.replace("\n", ",y\n") + row)
    assert workspace.refused()[0] == "header_unclear"


def test_missing_column_says_what_was_found_and_where_to_map_it(
    workspace: Any, header: str, row: str
) -> None:
    workspace.put("operations_2026-10.csv", header.replace("side", "laterality") + row)
    assert workspace.refused() == (
        "header_column_missing",
        "operations_2026-10.csv has no column `side`. Found: `laterality`. Map it in mappings/harbour.toml.",
    )


def test_a_file_without_header_shows_none_of_its_cells(workspace: Any, row: str) -> None:
    workspace.put(OPS, row + row)
    rule, message = workspace.refused()
    assert rule == "header_column_missing"
    assert "p1" not in message


@pytest.mark.parametrize(("own", "added"), [("side", "side "), ("SIDE", "Side")])
def test_same_header_twice(workspace: Any, header: str, row: str, own: str, added: str) -> None:
    twice = header.replace("side", own).replace("sex", f"sex,{added}")
    workspace.put(OPS, twice + row.replace("male", "male,left"))
    assert workspace.refused()[0] == "header_repeated_name"


def test_unknown_columns_are_named_once_and_not_copied(workspace: Any, rules: Any, row: str) -> None:
    header = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,Surname,,\n"
    workspace.put(OPS, header + row.replace("\n", ",Canary,,\n") + row.replace("\n", ",Canary,5,\n"))
    intake = workspace.received()
    assert rules(intake) == ["column_unknown", "column_unknown"]
    assert list(intake.findings["column"]) == ["Surname", "column 9"]
    export = intake.exports[0]
    assert "Surname" not in export.rows.column_names
    assert export.headers[7:] == ("Surname", "", "")
    assert export.unmapped["Surname"].to_pylist() == ["Canary", "Canary"]
    assert "Canary" not in intake.findings.to_csv()


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        ("", "file_empty"),
        ("{header}", "file_empty"),
        ("{header}\n\n", "file_empty"),
        ("{header}{row}o2,p2", "file_truncated"),
        ('{header}{row}o2,"p2\n{row}', "file_truncated"),
        ("{header}o1\0", "file_undecodable"),
        ("{header}o\ufffd", "file_undecodable"),
    ],
)
def test_refusals(workspace: Any, header: str, row: str, content: str, rule: str) -> None:
    workspace.put(OPS, content.format(header=header, row=row))
    assert workspace.refused()[0] == rule


def test_refused_files_count_their_rows(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header + row + row + "o3,p3")
    source = workspace.received().sources[0]
    assert (source.rows_read, source.refused, source.reason) == (3, 3, "file_truncated")
    assert len(source.sha256) == 64


def test_header_only_is_no_change_where_the_site_sends_changes(workspace: Any, header: str) -> None:
    workspace.settings = Settings(sites={"harbour": Site("harbour", sends="changes")}, sites_listed=True)
    workspace.put(OPS, header)
    export = workspace.only()
    assert len(export.rows) == 0
    assert export.rows.column_names[-2:] == ["site", "source_line"]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-8"])
def test_marks_name_the_encoding(workspace: Any, header: str, row: str, encoding: str) -> None:
    workspace.put(OPS, (header + row.replace("X1", "Löffel")).encode(encoding))
    assert workspace.only().rows["procedure_code"].to_pylist() == ["Löffel"]


def test_undecodable_names_the_line_and_a_declaration_mends_it(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, (header + row + row.replace("X1", "Löffel")).encode("cp1252"))
    rule, message = workspace.refused()
    assert rule == "file_undecodable"
    assert "line 3" in message
    workspace.map('encoding = "cp1252"\n')
    assert workspace.only().rows["procedure_code"].to_pylist() == ["X1", "Löffel"]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("operations.zip", b"PK\x03\x04"),
        ("operations.xlsm", b"PK\x03\x04"),
        ("operations.xls", b"\xd0\xcf\x11\xe0"),
        ("operations.xlsx", b"\xd0\xcf\x11\xe0" + bytes(600)),
        ("operations.xlsx", b"PK\x03\x04 no workbook"),
        ("operations.csv", b"PK\x03\x04"),
        ("operations.csv.gz", b"plain"),
        ("operations.parquet", b"PAR1"),
        ("letter.pdf", b"%PDF-1.7"),
    ],
)
def test_unreadable_files(workspace: Any, name: str, content: bytes) -> None:
    workspace.put(name, content)
    assert workspace.refused()[0] == "file_unreadable"


def test_gzip_is_read_within_its_limit(
    workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed = gzip.compress((header + row).encode(), mtime=0)
    path = workspace.put("operations.csv.gz", packed)
    assert lines(workspace.only()) == [2]
    path.write_bytes(packed[:-10])
    assert workspace.refused()[0] == "file_truncated"
    path.write_bytes(packed)
    monkeypatch.setattr(read, "LARGEST_UNPACKED_BYTES", 50)
    assert workspace.refused()[0] == "file_too_large"


def test_unclaimed_file_is_named_counted_and_stops_no_other(
    workspace: Any, rules: Any, header: str, row: str
) -> None:
    workspace.put("bloods.csv", "a,b\n1,2\n3,4\n")
    workspace.put(OPS, header + row)
    intake = workspace.received()
    assert rules(intake) == ["file_unmapped"]
    assert [(each.table, each.rows_read, each.refused) for each in intake.sources] == [
        ("", 2, 2),
        ("operations", 1, 0),
    ]


def test_only_receipts_up_to_as_of_are_read(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header + row, day="2026-11-02")
    workspace.put(OPS, header + row + row, day="2026-12-02")
    intake = workspace.received(as_of=date(2026, 11, 2))
    assert [source.receipt for source in intake.sources] == [date(2026, 11, 2)]
    assert newest_receipt(workspace.folder) == date(2026, 12, 2)


def test_what_lies_elsewhere_is_not_read(workspace: Any, rules: Any, header: str, row: str) -> None:
    workspace.put(OPS, header + row, day="november")
    workspace.put(OPS, header + row, day="2026-02-30")
    workspace.put(OPS, header + row, site="St. Elsewhere")
    workspace.put(".hidden.csv", header + row)
    workspace.put("~$operations.xlsx", b"lock")
    workspace.put("deeper/operations.csv", header + row)
    (workspace.folder / "received" / "harbour" / OPS).write_text(header + row)
    intake = workspace.received()
    assert intake.sources == ()
    assert sorted(rules(intake)) == [
        "file_outside_receipt",
        "folder_in_receipt",
        "folder_not_a_date",
        "folder_not_a_date",
        "site_id_malformed",
    ]


def test_links_are_not_followed(workspace: Any, tmp_path: Path, header: str, row: str) -> None:
    outside = tmp_path / "elsewhere.csv"
    outside.write_text(header + row)
    link = workspace.put("x", "").parent / OPS
    (link.parent / "x").unlink()
    link.symlink_to(outside)
    assert workspace.refused()[0] == "file_unreadable"


def test_unlisted_site_is_counted_and_not_used(workspace: Any, rules: Any, header: str, row: str) -> None:
    workspace.settings = Settings(sites={"harbour": Site("harbour")}, sites_listed=True)
    workspace.put(OPS, header + row)
    workspace.put(OPS, header + row + row, site="lakeside")
    intake = workspace.received()
    assert rules(intake) == ["site_not_listed"]
    assert [(each.site, each.refused, each.reason) for each in intake.sources] == [
        ("harbour", 0, ""),
        ("lakeside", 2, "site_not_listed"),
    ]
    assert len(intake.exports) == 1


def test_empty_workspace(workspace: Any) -> None:
    intake = workspace.received()
    assert (intake.sources, intake.exports, len(intake.findings), len(intake.repairs)) == ((), (), 0, 0)
    assert newest_receipt(workspace.folder) is None


def test_same_file_sent_twice_is_read_twice(workspace: Any, header: str, row: str) -> None:
    for day in ("2026-11-02", "2026-11-03"):
        workspace.put(OPS, header + row, day=day)
    sources = workspace.received().sources
    assert len({source.sha256 for source in sources}) == 1
    assert [source.rows_read for source in sources] == [1, 1]


def test_ledger_is_in_order_of_site_receipt_and_file(workspace: Any, header: str, row: str) -> None:
    for site, day, name in (
        ("b", "2026-11-01", "operations.csv"),
        ("a", "2026-11-02", "operations_2.csv"),
        ("a", "2026-11-02", "operations_1.csv"),
        ("a", "2026-11-01", "operations_9.csv"),
    ):
        workspace.put(name, header + row, site=site, day=day)
    order = [source.source_file.removeprefix("received/") for source in workspace.received().sources]
    assert order == [
        "a/2026-11-01/operations_9.csv",
        "a/2026-11-02/operations_1.csv",
        "a/2026-11-02/operations_2.csv",
        "b/2026-11-01/operations.csv",
    ]


def test_a_dropped_row_turns_the_identity_red(
    workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The count is made from the bytes: a reader that loses a row cannot hide it."""
    workspace.put(OPS, header + row + row)
    whole = read.read_delimited

    def losing(*arguments: Any) -> Any:
        cut = whole(*arguments)
        return replace(cut, cells=cut.cells.slice(1), lines=cut.lines[1:])

    monkeypatch.setattr(read, "read_delimited", losing)
    with pytest.raises(AssertionError):
        workspace.received()

"""Faults of whole files: headers, encodings, delimiters, lines that are no rows, broken and repeated files."""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from typing import Any

import pytest

OPERATIONS = "received/harbour/2026-11-02/operations.csv"
WHOLE = {"accepted": 60}
REQUIRED = {
    "operations": [
        "operation_id",
        "patient_id",
        "performed_on",
        "procedure_code",
        "side",
        "age_years",
        "sex",
    ],
    "events": ["event_id", "patient_id", "occurred_on"],
    "followups": ["followup_id", "patient_id", "seen_on", "status"],
    "measurements": [
        "measurement_id",
        "patient_id",
        "measured_on",
        "joint",
        "measure",
        "mode",
        "value",
        "unit",
    ],
}


def others_are_whole(outcome: Any, hospital: Any, spoiled: str) -> None:
    """The tables beside the spoiled one are used."""
    for table in hospital.tables:
        if table != spoiled:
            assert outcome.fates(table) == WHOLE, table


# ---------------------------------------------------------------- headers


@pytest.mark.parametrize("header", ["DateOfSurgery", "Op Date", "Datum", "performed on (local)"])
def test_fault_01_header_renamed_and_not_known(hospital: Any, header: str) -> None:
    """A renamed date column is never taken for the one that is missing: the file is set aside."""
    file = hospital.instead("operations", hospital.text("operations", headers={"performed_on": header}))
    outcome = hospital.check(1)
    assert outcome.reasons() == {file: "header_column_missing"}
    assert outcome.fates("operations") == {"refused": 60}
    found = outcome.finding("header_column_missing")
    assert (found["source_file"], found["source_line"], found["column"]) == (file, "1", "performed_on")
    assert "mappings/harbour.toml" in found["message"]
    others_are_whole(outcome, hospital, "operations")


@pytest.mark.parametrize("header", ["DateOfSurgery", "dateofsurgery", " DateOfSurgery ", "Op Date"])
def test_fault_01_header_renamed_and_listed(hospital: Any, header: str) -> None:
    """One of several names that the mapping lists. Nothing is logged by row: the mapping, a copy of which lies in
    every edition, says under which names the column is known."""
    hospital.mapping(
        '[[table]]\ntable = "operations"\nfile = "operations*"\ncolumns = { performed_on = ["Op Date", "DateOfSurgery"] }\n'
    )
    hospital.instead("operations", hospital.text("operations", headers={"performed_on": header}))
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules() == []


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("table", sorted(REQUIRED))
def test_fault_02_columns_reordered(hospital: Any, table: str, seed: int) -> None:
    """Columns are bound by name, so an order changes nothing. Nothing is logged: no cell is read otherwise than it
    was written, and every hospital has an order of its own."""
    before = hospital.check()
    names = list(hospital.tables[table][0])
    random.Random(seed).shuffle(names)
    hospital.tables[table] = [{name: row[name] for name in names} for row in hospital.tables[table]]
    after = hospital.check()
    assert after.fates(table) == WHOLE
    assert after.rules() == []
    assert before.lines("quality") == after.lines("quality")


@pytest.mark.parametrize(("table", "column"), [(t, c) for t, columns in REQUIRED.items() for c in columns])
def test_fault_03_required_column_missing(hospital: Any, table: str, column: str) -> None:
    for row in hospital.tables[table]:
        del row[column]
    outcome = hospital.check(1)
    assert outcome.fates(table) == {"refused": 60}
    found = outcome.finding("header_column_missing")
    assert (found["table"], found["column"]) == (table, column)
    assert outcome.lines(f"quarantined/{table}") == [], "nothing of a refused file is copied"
    others_are_whole(outcome, hospital, table)


@pytest.mark.parametrize("table", sorted(REQUIRED))
@pytest.mark.parametrize("header", ["theatre_room", "Ward", "Bemerkung"])
def test_fault_04_unknown_column(hospital: Any, table: str, header: str) -> None:
    for n, row in enumerate(hospital.tables[table]):
        row[header] = f"zq{n}wx"
    hospital.spoil(table, 3, patient_id="TEST")
    outcome = hospital.check()
    assert outcome.fates(table) == {"accepted": 59, "quarantined": 1}
    assert outcome.finding("column_unknown")["column"] == header
    assert outcome.holding("zq3wx") == [] == outcome.holding("zq7wx"), (
        "what nobody asked for is copied nowhere"
    )


@pytest.mark.parametrize(
    ("table", "column"), [("operations", "side"), ("events", "patient_id"), ("followups", "seen_on")]
)
def test_fault_05_required_column_twice(hospital: Any, table: str, column: str) -> None:
    for row in hospital.tables[table]:
        row["again"] = row[column]
    hospital.instead(table, hospital.text(table, headers={"again": column}))
    outcome = hospital.check(1)
    assert outcome.fates(table) == {"refused": 60}
    assert outcome.finding("header_repeated_name")["column"] == column


@pytest.mark.parametrize(
    ("table", "column"), [("operations", "surgeon_id"), ("events", "note"), ("followups", "pain")]
)
def test_fault_05_optional_column_twice(hospital: Any, table: str, column: str) -> None:
    """Which of two is meant cannot be known, so neither is used; the rows are."""
    for n, row in enumerate(hospital.tables[table]):
        row["again"] = str(n % 9)
    hospital.instead(table, hospital.text(table, headers={"again": column}))
    outcome = hospital.check()
    assert outcome.fates(table) == WHOLE
    assert outcome.finding("header_repeated_unused")["column"] == column


@pytest.mark.parametrize("header", ["theatre", ""])
def test_fault_05_unused_column_twice_or_nameless(hospital: Any, header: str) -> None:
    for n, row in enumerate(hospital.tables["operations"]):
        row |= {"one": f"zq{n}wx", "two": f"zq{n}wy"}
    hospital.instead("operations", hospital.text("operations", headers={"one": header, "two": header}))
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert set(outcome.rules()) == {"column_unknown"}
    assert outcome.holding("zq3w") == []


# ---------------------------------------------------------------- lines that are no rows

PREAMBLES = {
    "title": ["Theatre register", ""],
    "who ran it": ["Report run by Quill Tarrant on 01/11/2026 07:00", "", "Period: October"],
    "as wide as the table": ["Report,run,by,Quill Tarrant,,,,", ",,,,,,,"],
    "nineteen lines": [f"Selection criterion {n}" for n in range(19)],
}


@pytest.mark.parametrize("lines", PREAMBLES.values(), ids=PREAMBLES)
def test_fault_06_preamble(hospital: Any, lines: list[str]) -> None:
    file = hospital.instead("operations", "\n".join([*lines, hospital.text("operations")]))
    outcome = hospital.check()
    assert outcome.fates("operations") == {"accepted": 60, "non_data": len(lines)}
    logged = outcome.finding("header_below_preamble", "repairs")
    assert (logged["source_file"], logged["source_line"]) == (file, str(len(lines) + 1))
    assert outcome.holding("Tarrant") == [], "who ran the report is a person"


def test_fault_06_preamble_in_a_workbook(hospital: Any) -> None:
    rows = hospital.tables.pop("operations")
    grid = [["Report run by Quill Tarrant"], [], list(rows[0]), *(list(row.values()) for row in rows)]
    hospital.put("operations.xlsx", workbook_of({"Theatre": grid}))
    outcome = hospital.check()
    assert outcome.fates("operations") == {"accepted": 60, "non_data": 2}
    assert outcome.finding("header_below_preamble", "repairs")["source_line"] == "3"
    assert outcome.holding("Tarrant") == []


def workbook_of(sheets: dict[str, list[list[object]]]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, grid in sheets.items():
        sheet = book.create_sheet(name)
        for line in grid:
            sheet.append(line)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def test_fault_06_header_too_far_down(hospital: Any) -> None:
    """Beyond the first twenty lines nothing is taken for a header."""
    text = "\n".join([*(f"Criterion {n}" for n in range(25)), hospital.text("operations")])
    hospital.instead("operations", text)
    outcome = hospital.check(1)
    assert outcome.fates("operations") == {"refused": 85}
    others_are_whole(outcome, hospital, "operations")


def test_fault_06_two_headers(hospital: Any) -> None:
    """Two different lines that could both be the header: not found uniquely."""
    names = list(hospital.tables["operations"][0])
    other = ",".join([*reversed(names)])
    hospital.instead("operations", f"Columns sent:\n{other}\nUnits below\n{hospital.text('operations')}")
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "header_unclear"}
    assert outcome.fates("operations") == {"refused": 63}


TRAILERS = {
    "total": ["Total,214,,,,,,"],
    "total under another column": [",,,,Total:,,214,"],
    "total cases": ["Total cases: 60"],
    "end of report": ["End of report"],
    "end, padded": ["*** END OF REPORT ***,,,,,,,"],
    "blank lines": ["", "", ""],
    "commas only": [",,,,,,,", ",,,,,,,"],
    "rows": ["60 rows"],
    "several": ["", "Total,60,,,,,,", "Page 1 of 1", "End of report"],
}


@pytest.mark.parametrize("lines", TRAILERS.values(), ids=TRAILERS)
def test_fault_07_trailing_lines(hospital: Any, lines: list[str]) -> None:
    hospital.instead("operations", hospital.text("operations") + "\n".join([*lines, ""]))
    outcome = hospital.run()
    assert outcome.fates("operations") == {"accepted": 60, "non_data": len(lines)}
    assert len(outcome.cases()) == 60, "a total is no operation"


@pytest.mark.parametrize("every", [10, 25])
@pytest.mark.parametrize("table", ["operations", "events"])
def test_fault_07_header_repeated_at_page_breaks(hospital: Any, table: str, every: int) -> None:
    header, *rows = hospital.text(table).splitlines()
    pages = [rows[at : at + every] for at in range(0, len(rows), every)]
    hospital.instead(table, "\n".join(line for page in pages for line in (header, *page)) + "\n")
    outcome = hospital.check()
    assert outcome.fates(table) == {"accepted": 60, "non_data": len(pages) - 1}
    lines = [line["source_line"] for line in outcome.lines("repairs") if line["rule"] == "row_not_data"]
    assert lines == [str(1 + at * (every + 1)) for at in range(1, len(pages))]


def test_fault_07_total_in_a_workbook(hospital: Any) -> None:
    rows = hospital.tables.pop("operations")
    body = [list(row.values()) for row in rows]
    grid = [list(rows[0]), *body[:30], list(rows[0]), *body[30:], [], ["Total", 214], ["End of report"]]
    hospital.put("operations.xlsx", workbook_of({"Theatre": grid}))
    assert hospital.check().fates("operations") == {"accepted": 60, "non_data": 4}


# ---------------------------------------------------------------- broken, empty, repeated


def cut_within_a_row(text: str) -> str:
    lines = text.splitlines(keepends=True)
    return "".join(lines[:40]) + lines[40][: len(lines[40]) // 2]


BREAKS = {
    "last row short": (cut_within_a_row, 40),
    "unclosed quote": (lambda text: "".join(text.splitlines(keepends=True)[:41]) + 'O999,"P0', 41),
    "quote opened in the middle": (lambda text: text.replace("O020,P020", 'O020,"P020'), 20),
    "within the first row": (lambda text: text[: text.index("\n") + 12], 1),
}


@pytest.mark.parametrize(("damage", "rows"), BREAKS.values(), ids=BREAKS)
def test_fault_08_truncated(hospital: Any, damage: Any, rows: int) -> None:
    hospital.instead("operations", damage(hospital.text("operations")))
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "file_truncated"}
    assert outcome.fates("operations") == {"refused": rows}
    others_are_whole(outcome, hospital, "operations")


def test_fault_08_truncated_and_sent_whole_later(hospital: Any) -> None:
    """A refused file that an accepted one of the same table follows keeps no run from ending with 0."""
    whole = hospital.text("events")
    hospital.instead("events", cut_within_a_row(whole))
    hospital.check(1)
    hospital.put("events.csv", whole, receipt="2026-11-04")
    outcome = hospital.check(0)
    assert outcome.fates("events") == {"accepted": 60, "refused": 40}


def test_fault_08_truncated_archive(hospital: Any) -> None:
    packed = gzip.compress(hospital.text("events").encode(), mtime=0)
    hospital.instead("events", packed[: len(packed) // 2], "events.csv.gz")
    hospital.counts["harbour/2026-11-02/events.csv.gz"] = 0
    outcome = hospital.check(1)
    assert set(outcome.reasons().values()) <= {"file_truncated", "file_unreadable"}
    assert len(outcome.reasons()) == 1


def test_fault_08_no_line_end_after_a_whole_row(hospital: Any) -> None:
    """Common, and no fault: the last row has all its cells."""
    hospital.instead("events", hospital.text("events").rstrip("\n"))
    assert hospital.check().fates("events") == WHOLE


@pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b"\n", b"\n\n\n", b"  \n"], ids=repr)
@pytest.mark.parametrize("table", ["operations", "events"])
def test_fault_09_nothing_in_the_file(hospital: Any, table: str, content: bytes) -> None:
    """No bytes worth the name is never "no complications"."""
    file = hospital.instead(table, content)
    outcome = hospital.check(1)
    assert outcome.reasons() == {file: "file_empty"}
    others_are_whole(outcome, hospital, table)


@pytest.mark.parametrize("table", ["operations", "events"])
def test_fault_09_header_only_from_a_site_that_sends_everything(hospital: Any, table: str) -> None:
    hospital.settings = hospital.settings.replace("changes", "everything")
    file = hospital.instead(table, hospital.text(table).partition("\n")[0] + "\n")
    outcome = hospital.check(1)
    assert outcome.reasons() == {file: "file_empty"}


def test_fault_09_header_only_from_a_site_that_sends_changes(hospital: Any) -> None:
    """The design says so: for a site that sends what is new, a header alone means that nothing is."""
    hospital.put("events.csv", hospital.text("events").partition("\n")[0] + "\n", receipt="2026-11-04")
    outcome = hospital.check(0)
    assert outcome.reasons() == {}
    assert outcome.fates("events") == WHOLE


@pytest.mark.parametrize("name", ["operations.csv", "operations_copy.csv", "Operations (2).csv"])
@pytest.mark.parametrize("receipt", ["2026-11-02", "2026-11-04"])
def test_fault_10_same_file_again(hospital: Any, name: str, receipt: str) -> None:
    if (name, receipt) == ("operations.csv", "2026-11-02"):
        pytest.skip("the same name in the same folder is the same file")
    hospital.put(name, hospital.text("operations"), receipt=receipt)
    outcome = hospital.run()
    assert outcome.fates("operations") == {"accepted": 60, "duplicate": 60}
    assert len(outcome.cases()) == 60
    logged = outcome.finding("file_sent_again", "repairs")
    later = max("operations.csv", name) if receipt == "2026-11-02" else name  # by the order of names
    assert logged["source_file"] == f"received/harbour/{receipt}/{later}"


def test_fault_11_same_name_other_content(hospital: Any) -> None:
    """A later file of the same name: its records are newer versions, the other records stay."""
    hospital.tables["operations"][4]["side"] = "left"
    hospital.tables["operations"][5]["side"] = "right"
    corrected = [dict(row) for row in hospital.tables["operations"][:6]]
    corrected[4]["age_years"] = "44"
    hospital.put("operations.csv", csv_of(corrected), receipt="2026-11-04")
    outcome = hospital.run()
    assert outcome.fates("operations") == {"accepted": 60, "superseded": 1, "duplicate": 5}
    ages = dict(zip(outcome.table("cases")["operation_id"], outcome.table("cases")["age_band"], strict=True))
    assert ages["O005"] == "35-44"


def csv_of(rows: list[dict[str, str]]) -> str:
    return "\n".join([",".join(rows[0]), *(",".join(row.values()) for row in rows)]) + "\n"


def test_fault_11_received_under_a_name_that_is_taken(hospital: Any, limbaudit: Any, tmp_path: Any) -> None:
    """`receive` never writes over a file that was received."""
    hospital.check()
    new = tmp_path / "operations.csv"
    new.write_text(hospital.text("operations").replace("O001", "O101"), "utf-8")
    before = (hospital.place / OPERATIONS).read_bytes()
    finished = limbaudit("receive", hospital.place, "harbour", new, "--on", "2026-11-02")
    assert (hospital.place / OPERATIONS).read_bytes() == before
    assert finished.exit_code == 2 or "operations" in finished.out
    assert "operations.csv" in finished.said


# ---------------------------------------------------------------- encodings and delimiters

MARKS = {"utf-8-sig": "utf-8-sig", "utf-16-le": "utf-16", "utf-16-be": "utf-16-be"}


def marked(text: str, encoding: str) -> bytes:
    return (b"\xfe\xff" if encoding == "utf-16-be" else b"") + text.encode(encoding)


@pytest.mark.parametrize("encoding", MARKS.values(), ids=MARKS)
def test_fault_14_encoding_by_its_mark(hospital: Any, encoding: str) -> None:
    hospital.spoil("operations", patient_id="Pö7")
    for table, row in (("events", 7), ("followups", 7), ("measurements", 7)):
        hospital.spoil(table, row, patient_id="Pö7")
    hospital.instead("operations", marked(hospital.text("operations"), encoding))
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules("repairs", rule="encoding_by_mark") == ["encoding_by_mark"]
    assert outcome.lines("unattributed") == [], "an umlaut in a pseudonym joins"


def test_fault_14_windows_1252_undeclared(hospital: Any) -> None:
    hospital.spoil("operations", approach="médial")
    file = hospital.instead("operations", hospital.text("operations").encode("cp1252"))
    outcome = hospital.check(1)
    assert outcome.reasons() == {file: "file_undecodable"}
    found = outcome.finding("file_undecodable")
    assert found["source_line"] == "9"
    assert "encoding" in found["message"]
    assert "mappings/harbour.toml" in found["message"]


def test_fault_14_windows_1252_declared(hospital: Any) -> None:
    hospital.mapping('encoding = "cp1252"\n')
    hospital.spoil("operations", patient_id="Pö7", approach="médial")
    for table in ("events", "followups", "measurements"):
        hospital.spoil(table, patient_id="Pö7")
    for table in list(hospital.tables):
        hospital.put(f"{table}.csv", hospital.text(table).encode("cp1252"))
    hospital.tables.clear()
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    assert outcome.lines("unattributed") == [], "an umlaut in a pseudonym joins"


def test_fault_14_utf_8_declared_as_something_else(hospital: Any) -> None:
    """UTF-8 read as Windows-1252 gives Ã¶ for ö. The declaration holds, and that it is doubtful is said."""
    hospital.mapping('encoding = "cp1252"\n')
    hospital.spoil("operations", approach="médial")
    outcome = hospital.check()
    assert outcome.finding("encoding_doubtful")["source_file"] == OPERATIONS


@pytest.mark.parametrize("column", ["approach", "patient_id"])
def test_fault_14_replacement_character(hospital: Any, column: str) -> None:
    """A letter was lost at the source and nobody can say which."""
    hospital.spoil("operations", **{column: "m\ufffddial"})
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "file_undecodable"}


@pytest.mark.parametrize(
    ("delimiter", "name"),
    [(";", "operations.csv"), ("\t", "operations.csv"), ("\t", "operations.txt"), ("|", "operations.csv")],
)
def test_fault_15_delimiter_that_fits_every_row(hospital: Any, delimiter: str, name: str) -> None:
    hospital.instead("operations", hospital.text("operations", delimiter=delimiter), name)
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules("repairs") == ["delimiter_found"]


def test_fault_15_tab_in_a_tsv_file(hospital: Any) -> None:
    """The ending says it, so there is nothing to log."""
    hospital.instead("operations", hospital.text("operations", delimiter="\t"), "operations.tsv")
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules("repairs") == []


@pytest.mark.parametrize("break_", ["\n", "\r\n", "\n\n"])
def test_fault_15_line_break_in_a_quoted_letter(hospital: Any, break_: str) -> None:
    """One row, and the rows below keep their true line numbers."""
    hospital.spoil("events", 10, note=f"First line.{break_}Second, with a comma; and more.")
    hospital.spoil("events", 20, patient_id="TEST")
    outcome = hospital.check()
    assert outcome.fates("events") == {"accepted": 59, "quarantined": 1}
    breaks = break_.count("\n")
    assert outcome.finding("placeholder_patient")["source_line"] == str(22 + breaks)


def test_fault_15_delimiter_that_does_not_fit_every_row(hospital: Any) -> None:
    """Not declared and not in every row: it may be something else, so nothing is read."""
    lines = hospital.text("operations", delimiter=";").splitlines()
    lines[20] += ";x"
    hospital.instead("operations", "\n".join(lines) + "\n")
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "delimiter_unclear"}
    assert outcome.fates("operations") == {"refused": 60}
    assert "delimiter" in outcome.finding("delimiter_unclear")["message"]


def test_fault_15_declared_delimiter_that_does_not_fit_every_row(hospital: Any) -> None:
    """Declared, it is known, and only the row that it does not fit is held back."""
    hospital.mapping('delimiter = ";"\n')
    lines = hospital.text("operations", delimiter=";").splitlines()
    lines[20] += ";x"
    tables = {table: hospital.text(table, delimiter=";") for table in hospital.tables}
    hospital.tables.clear()
    for table, text in {**tables, "operations": "\n".join(lines) + "\n"}.items():
        hospital.put(f"{table}.csv", text)
    assert hospital.check().fates("operations") == {"accepted": 59, "quarantined": 1}


@pytest.mark.parametrize("table", ["operations", "events", "measurements"])
@pytest.mark.parametrize("how", ["more", "fewer"])
def test_fault_16_ragged_row(hospital: Any, table: str, how: str) -> None:
    """Neither padded nor cut: the row is held back, and the others count."""
    lines = hospital.text(table).splitlines()
    lines[20] = lines[20] + ",see letter" if how == "more" else lines[20].rpartition(",")[0]
    hospital.instead(table, "\n".join(lines) + "\n")
    outcome = hospital.check()
    assert outcome.fates(table) == {"accepted": 59, "quarantined": 1}
    assert outcome.finding("row_ragged")["source_line"] == "21"


def test_fault_16_unquoted_comma_in_text(hospital: Any) -> None:
    hospital.spoil("events", 30, note="MARK")
    text = hospital.text("events").replace("MARK", "warm, red, no pus")
    hospital.instead("events", text)
    outcome = hospital.check()
    assert outcome.fates("events") == {"accepted": 59, "quarantined": 1}
    assert outcome.held("events") == {"E031": ["row_ragged"]}


def test_fault_16_too_many_ragged_rows(hospital: Any) -> None:
    """Beyond the tolerance the run says so with exit code 1."""
    lines = hospital.text("events").splitlines()
    lines[20:24] = [line + ",x" for line in lines[20:24]]
    hospital.instead("events", "\n".join(lines) + "\n")
    outcome = hospital.check(1)
    assert outcome.fates("events") == {"accepted": 56, "quarantined": 4}


# ---------------------------------------------------------------- archives and locked files

OLE = bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 600


def zipped(name: str, content: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(name, content)
    return packed.getvalue()


def with_macros(book: bytes) -> bytes:
    packed = io.BytesIO(book)
    with zipfile.ZipFile(packed, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\0" * 64)
    return packed.getvalue()


SEALED = {
    "password": ("operations.xlsx", lambda text: OLE),
    "old format": ("operations.xls", lambda text: OLE),
    "macros": (
        "operations.xlsx",
        lambda text: with_macros(workbook_of({"Theatre": [["operation_id"], ["O1"]]})),
    ),
    "macro ending": (
        "operations.xlsm",
        lambda text: with_macros(workbook_of({"Theatre": [["operation_id"], ["O1"]]})),
    ),
    "zip": ("operations.zip", lambda text: zipped("operations.csv", text)),
    "zip named csv": ("operations.csv", lambda text: zipped("operations.csv", text)),
    "csv.zip": ("operations.csv.zip", lambda text: zipped("operations.csv", text)),
    "7z": ("operations.7z", lambda text: b"7z\xbc\xaf\x27\x1c" + b"\0" * 100),
}


@pytest.mark.parametrize(("name", "seal"), SEALED.values(), ids=SEALED)
def test_fault_73_locked_packed_or_with_macros(hospital: Any, name: str, seal: Any) -> None:
    """Refused with what to do; nothing is unpacked, no macro runs."""
    file = hospital.instead("operations", seal(hospital.text("operations").encode()), name)
    hospital.counts[file.removeprefix("received/")] = 0
    outcome = hospital.check(1)
    assert outcome.reasons() == {file: "file_unreadable"}
    assert "send" in outcome.finding("file_unreadable")["message"].lower()
    others_are_whole(outcome, hospital, "operations")


@pytest.mark.parametrize("name", ["operations.csv.gz", "operations.txt.gz"])
def test_fault_73_plain_gzip_is_read(hospital: Any, name: str) -> None:
    hospital.instead("operations", gzip.compress(hospital.text("operations").encode(), mtime=0), name)
    assert hospital.check().fates("operations") == WHOLE


def test_fault_73_gzip_that_grows_beyond_the_bound(hospital: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """What unpacks to more than the bound (here one megabyte) is given up, not read."""
    monkeypatch.setattr("pipeline.intake.read.LARGEST_UNPACKED_BYTES", 1 << 20)
    hospital.instead("operations", gzip.compress(b"\n" * 2**24, mtime=0), "operations.csv.gz")
    hospital.counts["harbour/2026-11-02/operations.csv.gz"] = 0
    outcome = hospital.check(1)
    assert set(outcome.reasons().values()) == {"file_too_large"}


# ---------------------------------------------------------------- sites that merge


def test_fault_63_two_ways_of_writing_days_in_one_file(hospital: Any) -> None:
    for n, row in enumerate(hospital.tables["operations"]):
        year, month, day = row["performed_on"].split("-")
        row["performed_on"] = f"{day}/{month}/{year}" if n < 30 else f"{month}/{day}/{year}"
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "date_order_unclear"}
    assert outcome.fates("operations") == {"refused": 60}


def test_fault_63_site_named_in_a_column(hospital: Any) -> None:
    """Two hospitals with one office: a column says whose a row is, and equal numbers are not the same record."""
    for n, row in enumerate(hospital.tables["operations"]):
        row |= {"unit": "hbr" if n < 30 else "isl", "operation_id": f"O{n % 30:03d}"}
    hospital.settings += '\n[sites.island]\nname = "Island"\nrequired = ["operations"]\n'
    hospital.mapping(
        '[[table]]\ntable = "operations"\nfile = "operations*"\nsite_from = "unit"\n'
        'values.site_id = { hbr = "harbour", isl = "island" }\n'
    )
    outcome = hospital.run()
    assert outcome.fates("operations") == WHOLE
    sites = outcome.table("cases")["site"].value_counts().to_dict()
    assert sites == {"harbour": 30, "island": 30}


def test_fault_63_site_that_is_not_configured(hospital: Any) -> None:
    for n, row in enumerate(hospital.tables["operations"]):
        row["unit"] = "harbour" if n else "faraway"
    hospital.mapping('[[table]]\ntable = "operations"\nfile = "operations*"\nsite_from = "unit"\n')
    outcome = hospital.check()
    assert outcome.fates("operations") == {"accepted": 59, "quarantined": 1}
    assert outcome.held("operations") == {"O001": ["row_site_unclear"]}


def test_fault_63_headers_without_a_mapping(hospital: Any) -> None:
    """A newcomer's own headers are not guessed."""
    hospital.settings += '\n[sites.island]\nname = "Island"\nrequired = ["operations"]\n'
    text = hospital.text(
        "operations", headers={"operation_id": "OP-NR", "performed_on": "Datum", "side": "Seite"}
    )
    hospital.put("operations.csv", text, site="island")
    outcome = hospital.check(1)
    assert outcome.fates("operations", "island") == {"refused": 60}
    assert "mappings/island.toml" in outcome.finding("header_column_missing", site="island")["message"]
    assert outcome.fates("operations") == WHOLE


def test_fault_07_a_header_in_large_letters_and_a_framed_count(hospital: Any) -> None:
    header, *rows = hospital.text("events").splitlines()
    hospital.instead(
        "events", "\n".join([header, *rows[:5], header.upper(), *rows[5:], "*** 60 rows ***", ""])
    )
    outcome = hospital.check()
    assert outcome.fates("events") == {"accepted": 60, "non_data": 2}
    lines = [line["source_line"] for line in outcome.lines("repairs") if line["rule"] == "row_not_data"]
    assert lines == ["7", "63"]  # header, five rows, the header again; 55 rows, the count

"""The workbook: its cells against the tables, how they show, what it says about itself, that spreadsheets open it."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
from dataclasses import replace
from datetime import date, datetime
from itertools import chain
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
from openpyxl.utils import get_column_letter

from pipeline import store
from pipeline.publish import Context
from pipeline.publish.context import Signature
from pipeline.publish.sheet_rows import MOST_SIGNS, column_letters, rows_as_xml, text_as_xml
from pipeline.publish.tables import ready
from pipeline.publish.workbook import MOST_ROWS, SHOWN, number_format, write_workbook
from schemas.columns import Column
from schemas.fit import arrow_schema
from schemas.published import AUDIT_TABLES, PUBLISHED

SOFFICE = shutil.which("soffice")
#: Every sheet as CSV, with figures as they are and not as they show.
AS_CSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"


@pytest.fixture(scope="module")
def written(tables: dict[str, pd.DataFrame]) -> dict[str, pa.Table]:
    return {name: ready(frame, PUBLISHED[name]) for name, frame in tables.items() if name in PUBLISHED}


@pytest.fixture(scope="module")
def path(written: dict[str, pa.Table], context: Context, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("workbook") / "workbook.xlsx"
    write_workbook(place, written, context)
    return place


@pytest.fixture(scope="module")
def book(path: Path) -> Any:
    return openpyxl.load_workbook(path)


def lines(sheet: Any) -> list[str]:
    """Each row of a sheet as one text."""
    return [" | ".join(str(cell) for cell in row if cell is not None) for row in sheet.values]


def as_in_csv(cell: Any) -> str:
    if isinstance(cell, datetime):
        return cell.date().isoformat()
    return "" if cell is None else f"{cell:.10g}" if isinstance(cell, int | float) else str(cell)


def test_every_table_that_was_written_has_a_sheet(book: Any, written: dict[str, pa.Table]) -> None:
    assert book.sheetnames[:3] == ["About", "Columns", "rates"]
    assert set(book.sheetnames[2:]) == {table.name for table in SHOWN} & set(written)
    assert {"rates", "comparisons", "flow", "ledger", "quality", "review"} <= set(book.sheetnames)


def test_no_sheet_lists_cases_records_or_single_findings() -> None:
    apart = {"cases", "complications", "letters", "evidence", "records", "questions", "sampling_frame"}
    apart |= {"quarantine", "repairs", "unattributed", "decisions_used"}
    assert {table.name for table in SHOWN} & apart == set()
    assert {table.name for table in AUDIT_TABLES} <= {table.name for table in SHOWN}


def test_names_of_sheets_are_short_enough() -> None:
    assert max(len(table.name) for table in SHOWN) <= 31


def test_cells_are_those_of_the_csv_files(book: Any, written: dict[str, pa.Table]) -> None:
    compared = 0
    for name in book.sheetnames[2:]:
        expected = list(csv.reader(io.StringIO(store.csv_text(written[name]))))
        sheet = book[name]
        assert (sheet.max_row, sheet.max_column) == (len(expected), len(expected[0])), name
        for row, cells in zip(sheet.values, expected, strict=True):
            for cell, text in zip(row, cells, strict=True):
                assert as_in_csv(cell) == text.removeprefix("'"), name
                compared += 1
    assert compared > 500


def test_headers_stand_still_and_can_be_filtered(book: Any, written: dict[str, pa.Table]) -> None:
    rates = book["rates"]
    assert rates.freeze_panes == "A2"
    last = get_column_letter(written["rates"].num_columns)
    assert rates.auto_filter.ref == f"A1:{last}{len(written['rates']) + 1}"
    assert rates.dimensions == rates.auto_filter.ref
    assert all(cell.font.bold for cell in rates[1])


@pytest.mark.parametrize(
    ("table", "column", "shows"),
    [
        ("rates", "rate", "0.0 %"),
        ("rates", "ci_low", "0.0 %"),
        ("rates", "window_days", "0"),
        ("rates", "cases", "#,##0"),
        ("rates", "person_years", "#,##0.0"),
        ("rates", "procedure", "@"),
        ("comparisons", "risk_ratio", "0.00"),
        ("comparisons", "risk_difference", "+0.0 %;-0.0 %;0.0 %"),
        ("comparisons", "p_fisher", "0.000"),
        ("surgeon_outcomes", "q_value", "0.000"),
        ("scores", "change", "#,##0.00"),
    ],
)
def test_figures_show_as_what_they_are(table: str, column: str, shows: str) -> None:
    assert number_format(PUBLISHED[table][column]) == shows


def test_cells_carry_the_format_of_their_column(book: Any) -> None:
    names = [cell.value for cell in book["rates"][1]]
    shown = {name: cell.number_format for name, cell in zip(names, book["rates"][2], strict=True)}
    assert (shown["rate"], shown["cases"], shown["procedure"]) == ("0.0 %", "#,##0", "@")


def test_days_and_moments_are_days_of_the_spreadsheet() -> None:
    assert number_format(Column("on", "date", "A day.")) == "yyyy-mm-dd"
    assert number_format(Column("at", "moment", "A moment.")) == "yyyy-mm-dd hh:mm"
    table = pa.table({
        "on": pa.array([date(2026, 10, 31), None], pa.date32()),
        "at": pa.array([datetime(1900, 3, 1, 12), None], pa.timestamp("us")),
    })  # fmt: skip
    # 1 January 2026 is day 46 023 of a spreadsheet, and 303 days later is 31 October; 1 March 1900 is day 61.
    assert rows_as_xml(table, [7, 8]) == (
        '<row r="2"><c r="A2" s="7"><v>46326</v></c><c r="B2" s="8"><v>61.5</v></c></row><row r="3"></row>'
    )


def test_a_header_says_what_its_column_means(book: Any) -> None:
    (header,) = [cell for cell in book["rates"][1] if cell.value == "rate_followed"]
    assert "too high, because complications bring patients back" in header.comment.text
    assert "Unit: fraction" in header.comment.text


def test_every_column_is_explained_on_the_second_sheet(book: Any, written: dict[str, pa.Table]) -> None:
    told = [row[:2] for row in book["Columns"].values][1:]
    assert told == [(name, column) for name in book.sheetnames[2:] for column in written[name].column_names]
    assert book["Columns"].freeze_panes == "C2"


def test_the_first_sheet_says_what_edition_this_is(book: Any, context: Context) -> None:
    told = lines(book["About"])
    assert told[0] == "Complication audit, October 2026"
    assert told[1] == "DRAFT: not signed; figures may still change"
    assert "Cut | operations, events and visits up to 31 October 2026" in told
    assert "As of | what had been received and decided by 9 November 2026" in told
    sites = [
        line for line in told if line.startswith(tuple(site.name or site.site for site in context.sites))
    ]
    assert len(sites) == len(context.sites)
    assert any("records up to 31 October 2026" in line for line in sites)
    assert any("not a trial" in line for line in told)
    assert book["About"]["A1"].font.size > 14


def test_a_signed_edition_says_who_signed_and_why_despite(
    tmp_path: Path, written: dict[str, pa.Table], context: Context
) -> None:
    signed = replace(context, number=2, signature=Signature("quality officer", despite="Hill is closed"))
    write_workbook(tmp_path / "w.xlsx", {"flow": written["flow"]}, signed)
    book = openpyxl.load_workbook(tmp_path / "w.xlsx")
    told = lines(book["About"])
    assert told[1] == "SIGNED: number 2, signed by the quality officer; it never changes"
    assert "Signed all the same | because: Hill is closed" in told
    assert "Draft" not in book["flow"].oddFooter.left.text


def test_the_first_sheet_leads_to_the_others_and_says_what_a_row_is(book: Any, written: dict[str, Any]) -> None:  # fmt: skip
    links = {row[0].hyperlink.location for row in book["About"].rows if row[0].hyperlink}
    assert links == {f"'{name}'!A1" for name in book.sheetnames[2:]}
    rates = next(line for line in lines(book["About"]) if line.startswith("rates | "))
    assert rates == f"rates | {PUBLISHED['rates'].description} | {len(written['rates'])}"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", '=HYPERLINK("http://x")', "{=1}", "http://x", "0042"]
)
def test_what_looks_like_a_formula_is_text(
    tmp_path: Path, written: dict[str, pa.Table], context: Context, text: str
) -> None:
    flow = written["flow"]
    place = flow.column_names.index("reason")
    risky = flow.set_column(place, "reason", pa.array([text] * len(flow), pa.string()))
    named = replace(context, sites=tuple(replace(site, name=text) for site in context.sites))
    write_workbook(tmp_path / "w.xlsx", {"flow": risky}, named)
    made = openpyxl.load_workbook(tmp_path / "w.xlsx")
    cell = made["flow"].cell(2, place + 1)
    assert (cell.value, cell.data_type, cell.number_format) == (text, "s", "@")
    assert [cell.data_type for cell in made["About"]["A"] if cell.value == text] == ["s"] * len(context.sites)


@pytest.mark.parametrize(
    ("text", "written_as"),
    [
        ('a <b> & "c"', 'a &lt;b&gt; &amp; "c"'),
        ("bell\x07", "bell_x0007_"),
        ("_x0007_", "_x005F_x0007_"),
        ("two\nlines\tand", "two\nlines\tand"),
        ("كتف", "كتف"),
        ("a" * (MOST_SIGNS + 1), "a" * MOST_SIGNS),
    ],
)
def test_any_text_can_stand_in_a_cell(text: str, written_as: str) -> None:
    assert text_as_xml(text) == written_as


@pytest.mark.parametrize("text", [" led", "trailed ", "two  blanks", "two\nlines", "plain", " "])
def test_blanks_are_kept(tmp_path: Path, written: dict[str, pa.Table], context: Context, text: str) -> None:
    flow = written["flow"]
    place = flow.column_names.index("reason")
    blank = flow.set_column(place, "reason", pa.array([text] * len(flow), pa.string()))
    write_workbook(tmp_path / "w.xlsx", {"flow": blank}, context)
    assert openpyxl.load_workbook(tmp_path / "w.xlsx")["flow"].cell(2, place + 1).value == text


def test_columns_are_lettered_as_in_a_spreadsheet() -> None:
    assert [column_letters(place) for place in range(800)] == [get_column_letter(n) for n in range(1, 801)]


def test_a_table_that_is_too_long_is_left_out_and_said_so(
    tmp_path: Path, written: dict[str, pa.Table], context: Context
) -> None:
    one = written["flow"].slice(0, 1)
    fits, long = (pa.concat_tables([one] * number) for number in (MOST_ROWS, MOST_ROWS + 1))
    write_workbook(tmp_path / "w.xlsx", {"flow": long, "rates": written["rates"]}, context)
    book = openpyxl.load_workbook(tmp_path / "w.xlsx")
    assert book.sheetnames == ["About", "Columns", "rates"]
    (said,) = [line for line in lines(book["About"]) if line.startswith("flow | ")]
    assert "more than 50,000 rows: see tables/flow.csv." in said
    assert said.endswith("| 50001")
    write_workbook(tmp_path / "w.xlsx", {"flow": fits}, context)
    assert openpyxl.load_workbook(tmp_path / "w.xlsx", read_only=True).sheetnames[2:] == ["flow"]


def test_a_table_without_rows_keeps_its_header(tmp_path: Path, context: Context) -> None:
    empty = {table.name: arrow_schema(table).empty_table() for table in SHOWN}
    write_workbook(tmp_path / "w.xlsx", empty, replace(context, sites=()))
    book = openpyxl.load_workbook(tmp_path / "w.xlsx")
    assert book.sheetnames[2:] == [table.name for table in SHOWN]
    assert [len(list(book[table.name].values)) for table in SHOWN] == [1] * len(SHOWN)
    assert [cell.value for cell in book["ledger"][1]] == list(PUBLISHED["ledger"].names)


def test_equal_tables_give_equal_bytes_and_the_day_is_that_of_knowledge(
    tmp_path: Path, path: Path, written: dict[str, pa.Table], context: Context, book: Any
) -> None:
    write_workbook(tmp_path / "again.xlsx", dict(reversed(written.items())), context)
    assert (tmp_path / "again.xlsx").read_bytes() == path.read_bytes()
    assert book.properties.created == book.properties.modified == datetime(2026, 11, 9)


@pytest.mark.skipif(SOFFICE is None, reason="LibreOffice is not installed")
def test_libreoffice_opens_it_and_reads_the_same_cells(
    tmp_path: Path, path: Path, written: dict[str, pa.Table]
) -> None:
    command = [str(SOFFICE), f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--headless",
               "--convert-to", AS_CSV, "--outdir", str(tmp_path), str(path)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    for name in ("rates", "comparisons", "flow", "ledger"):
        text = (tmp_path / f"workbook-{name}.csv").read_text("utf-8")
        read = list(csv.reader(io.StringIO(text)))
        expected = list(csv.reader(io.StringIO(store.csv_text(written[name]))))
        assert [len(row) for row in read] == [len(row) for row in expected]
        for cell, meant in zip(chain(*read), chain(*expected), strict=True):
            assert _figure(cell) == _nearly(_figure(meant.removeprefix("'"))), name


def _figure(cell: str) -> float | str:
    """A spreadsheet writes figures in its own way, shares as per cent with all their digits."""
    try:
        return float(cell.removesuffix("%")) / (100 if cell.endswith("%") else 1)
    except ValueError:
        return cell


def _nearly(meant: float | str) -> Any:
    return pytest.approx(meant, rel=1e-9) if isinstance(meant, float) else meant

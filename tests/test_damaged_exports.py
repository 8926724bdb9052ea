"""Thousands of damaged exports: every row is in one place with a reason, and every changed cell is in the log.

Each example is a network of hospitals that each send one damaged file; the files go through intake, checks,
versions and ledger as in `check`. What the program says is compared with a second, naive reading of the same
file by the standard library: how many records it holds, on which line each begins, and what each cell says.

`DAMAGED=all` tries two thousand files and more, which takes minutes; without it a part of them is tried.
"""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from schemas.exports import DEFAULTS, EXPORTS

COURSES = Path(__file__).parent / "journeys" / "twelve_courses" / "received" / "harbour" / "2026-11-02"
TABLES = ("operations", "events", "followups", "measurements")
PLACES = ("accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected", "refused",
          "removed")  # fmt: skip
#: Files in one network. With 12, 2 and 2 networks a table, the first of each whole: 4 * 13 * 40 = 2,080 damaged files.
FILES = 40
NASTY = [
    "", " ", "\N{NO-BREAK SPACE}", "N/A", "-", "?", "nil", "TBC", "null", "#N/A", "0", "-1", "1", "99", "999", "20.0", "020",
    "+20", "1e1", "1E+02", "12,5", "1.234", "110 deg", "110\N{DEGREE SIGN}", "110/180", "T8", "900", "-120", "91", "90", "90+",
    ">89", "-3", "\N{MINUS SIGN}5", "\N{FULLWIDTH DIGIT TWO}0", "\N{ARABIC-INDIC DIGIT ONE}", "31/02/2025", "03/04/2025",
    "13/04/2025", "04/13/2025", "3 Mar 2025", "03/2024", "2024", "45123", "45123.5", "20250303", "2025-02-30", "2999-01-01",
    "1900-01-01", "2025-03-03T10:15", "2025-03-03 00:00:00", "2025-06-30T23:30:00Z", "2025-06-30T23:30:00+01:00", "0000-00-00",
    "LEFT", "Left", " left", "L", "R/L", "RIGHT?", "BIL", "left;right", "none", "yes", "YES", "y", "TRUE", "Female", "F",
    "Forward Flexion", "shoulder/elbow", "UL", "Knee", "button|tape", "Button;;Tape", "m24411", "s83.005a", "M24.5;M25.6",
    "ICD10CM", "H01", "P01", "000000", "TEST", "LOCUM", "Dr. Miller", "call 01 234 5678", "=1+1", "@cmd", "\N{LINE SEPARATOR}",
    "a\tb", "Stra\N{LATIN SMALL LETTER SHARP S}e", "\\", "'", "withdrawn", "booked", "Total", "End of report", "x" * 300,
]  # fmt: skip

Grid = list[list[str]]


@dataclass(frozen=True)
class Form:
    """How a hospital writes: its delimiter, its headers, its mapping."""

    delimiter: str = ","
    day_first: bool = False

    def header(self, column: str) -> str:
        return f"Col {column}" if self.day_first else column

    def mapping(self, table: str) -> str:
        columns = ", ".join(f'{name} = "{self.header(name)}"' for name in EXPORTS[table].names)
        return (
            'contract = 1\ndate_order = "DMY"\ndecimal = ","\ntimezone = "Europe/Dublin"\nyear_pivot = 30\nexcel_base = 1900\n'
            f'[[table]]\ntable = "{table}"\nfile = "{table}*"\ncolumns = {{ {columns} }}\n'
            'values.side = { LI = "left", RE = "right" }\n'
        )


CONTRACT, OWN = Form(), Form(";", True)


@dataclass(frozen=True)
class Sent:
    """A file as sent. `grid` is what it holds where the bytes do not have to be read again."""

    name: str
    content: bytes
    form: Form
    grid: Grid | None = None


def courses(table: str, form: Form) -> Grid:
    with (COURSES / f"{table}.csv").open(newline="", encoding="utf-8") as stream:
        header, *rows = csv.reader(stream)
    if form.day_first:
        days = [at for at, name in enumerate(header) if EXPORTS[table][name].kind == "date"]
        rows = [[day_first(cell) if at in days else cell for at, cell in enumerate(row)] for row in rows]
    return [[form.header(name) for name in header], *rows]


def day_first(text: str) -> str:
    return "/".join(reversed(text.split("-")))


# Damage to the cells. `at` and `to` are any two numbers, `text` is a cell.


def edit(grid: Grid, at: int, to: int, text: str) -> None:
    row = grid[at % len(grid)]
    if row:
        row[to % len(row)] = text


def edit_data(grid: Grid, at: int, to: int, text: str) -> None:
    if len(grid) > 1:
        edit(grid[1:], at, to, text)


def fill_column(grid: Grid, at: int, to: int, text: str) -> None:
    for row in grid[1:]:
        if row:
            row[to % len(row)] = text


def dress_column(grid: Grid, at: int, to: int, text: str) -> None:
    dress = (str.upper, str.title, lambda cell: cell + " ", lambda cell: " " + cell, lambda cell: cell + ".0",
             lambda cell: "0" + cell, lambda cell: cell + "T00:00:00", lambda cell: cell.replace("_", "-"))[at % 8]  # fmt: skip
    for row in grid[1:]:
        if row and row[to % len(row)]:
            row[to % len(row)] = dress(row[to % len(row)])


def swap_columns(grid: Grid, at: int, to: int, text: str) -> None:
    width = min(map(len, grid))
    one, other = (at % width, to % width) if width else (0, 0)
    for row in grid[text == "" :]:  # with or without the header
        if row:
            row[one], row[other] = row[other], row[one]


def swap_rows(grid: Grid, at: int, to: int, text: str) -> None:
    one, other = at % len(grid), to % len(grid)
    grid[one], grid[other] = grid[other], grid[one]


def repeat_row(grid: Grid, at: int, to: int, text: str) -> None:
    grid.insert(to % (len(grid) + 1), list(grid[at % len(grid)]))


def drop_row(grid: Grid, at: int, to: int, text: str) -> None:
    if len(grid) > 1:
        del grid[at % len(grid)]


def blank_row(grid: Grid, at: int, to: int, text: str) -> None:
    grid.insert(at % (len(grid) + 1), [""] * (len(grid[0]) if to % 2 else 0))


def stray_row(grid: Grid, at: int, to: int, text: str) -> None:
    grid.insert(at % (len(grid) + 1), [text, *[""] * (to % 4)])


def shuffle(grid: Grid, at: int, to: int, text: str) -> None:
    grid[1:] = sorted(grid[1:], key=lambda row: hash((at, *map(len, row), *map(ord, "".join(row)))))


CELL_DAMAGES = (
    edit, edit_data, edit_data, edit_data, fill_column, dress_column, swap_columns, swap_rows, repeat_row, drop_row, blank_row,
    stray_row, shuffle,
)  # fmt: skip


# Damage to the bytes.


def flip(content: bytes, at: int, to: int, text: str) -> bytes:
    if not content:
        return content
    place = at % len(content)
    return content[:place] + bytes([to % 256]) + content[place + 1 :]


def cut_off(content: bytes, at: int, to: int, text: str) -> bytes:
    return content[: at % (len(content) + 1)]


def insert(content: bytes, at: int, to: int, text: str) -> bytes:
    place = at % (len(content) + 1)
    odd = (
        b'"',
        b"\n",
        b"\r",
        b"\0",
        b"\r\n",
        b'"\n"',
        text.encode("utf-8"),
        b"\xef\xbb\xbf",
        b"\x0b",
        b"\x1c",
    )[to % 10]
    return content[:place] + odd + content[place:]


def drop_line(content: bytes, at: int, to: int, text: str) -> bytes:
    lines = content.splitlines(keepends=True)
    return b"".join(line for place, line in enumerate(lines) if place != at % max(1, len(lines)))


def other_line_ends(content: bytes, at: int, to: int, text: str) -> bytes:
    return content.replace(b"\n", (b"\r\n", b"\r", b"\n\n", b"\n\r")[at % 4])


def other_delimiter(content: bytes, at: int, to: int, text: str) -> bytes:
    given = b";" if content.count(b";") > content.count(b",") else b","
    return content.replace(given, (b",", b";", b"\t", b"|", b":", b", ")[at % 6], -1 if to % 3 else to % 40)


def other_encoding(content: bytes, at: int, to: int, text: str) -> bytes:
    names = (
        "utf-8-sig",
        "utf-16",
        "utf-16-le",
        "utf-16-be",
        "cp1252",
        "latin-1",
        "utf-32",
        "utf-7",
        "cp500",
        "shift_jis",
    )
    return content.decode("utf-8", "replace").encode(names[at % len(names)], "replace")


def same(content: bytes, at: int, to: int, text: str) -> bytes:
    return content


BYTE_DAMAGES = (
    same,
    same,
    same,
    flip,
    cut_off,
    insert,
    insert,
    drop_line,
    other_line_ends,
    other_delimiter,
    other_encoding,
)

numbers = st.integers(0, 10_000)
cell_damage = st.tuples(st.sampled_from(CELL_DAMAGES), numbers, numbers, st.sampled_from(NASTY))
byte_damage = st.tuples(st.sampled_from(BYTE_DAMAGES), numbers, numbers, st.sampled_from(NASTY))
files = st.tuples(
    st.sampled_from([CONTRACT, OWN]), st.lists(cell_damage, min_size=1, max_size=4), byte_damage
)
networks = st.lists(files, min_size=FILES, max_size=FILES)


def damaged(table: str, form: Form, damages: list[Any]) -> Grid:
    grid = courses(table, form)
    for how, at, to, text in damages:
        how(grid, at, to, text)
    return grid


def as_csv(table: str, form: Form, damages: list[Any], of_bytes: Any) -> Sent:
    stream = io.StringIO()
    csv.writer(stream, delimiter=form.delimiter, lineterminator="\n").writerows(damaged(table, form, damages))
    how, at, to, text = of_bytes
    return Sent(f"{table}.csv", how(stream.getvalue().encode("utf-8"), at, to, text), form)


def as_workbook(table: str, form: Form, damages: list[Any], of_bytes: Any) -> Sent:
    import xlsxwriter

    grid = damaged(table, form, damages)
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        sheet = book.add_worksheet()
        for at, row in enumerate(grid):
            for to, cell in enumerate(row):
                if re.fullmatch("[1-9][0-9]{0,8}", cell):
                    sheet.write_number(at, to, int(cell))
                else:
                    sheet.write_string(at, to, cell)
    how, at, to, text = of_bytes
    how = how if how in (flip, cut_off) else same
    return Sent(f"{table}.xlsx", how(stream.getvalue(), at, to, text), form, grid)


def as_parquet(table: str, form: Form, damages: list[Any], of_bytes: Any) -> Sent:
    import pyarrow as pa
    import pyarrow.parquet as pq

    header, *rows = damaged(table, form, damages)
    rows = [[*row, *[""] * len(header)][: len(header)] for row in rows]
    columns = [pa.array([row[at] or None for row in rows], pa.string()) for at in range(len(header))]
    stream = io.BytesIO()
    pq.write_table(pa.table(columns, names=header), stream)
    how, at, to, text = of_bytes
    how = how if how in (cut_off,) else same
    return Sent(f"{table}.parquet", how(stream.getvalue(), at, to, text), form, [header, *rows])


# What the program says of a network.


@pytest.fixture(scope="module")
def network() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as place:
        workspace = Path(place) / "network"
        (workspace / "mappings").mkdir(parents=True)
        (workspace / "audit.toml").write_text("contract = 1\n", "utf-8")
        yield workspace


@dataclass(frozen=True)
class Rows:
    """What became of the rows of a network."""

    intake: Any
    validated: Any
    ledger: Any
    findings: Any


def checked(workspace: Path, table: str, sent: list[Sent]) -> Rows:
    """The stages of `check` up to the ledger."""
    from pipeline import findings
    from pipeline.intake import receive_all
    from pipeline.ledger import ledger_of
    from pipeline.people import people_known
    from pipeline.resolve import resolved
    from pipeline.run import Asked, ground_of
    from pipeline.validate import validated

    shutil.rmtree(workspace / "received", ignore_errors=True)
    for number, file in enumerate(sent):
        receipt = workspace / "received" / f"s{number:02}" / "2026-11-02"
        receipt.mkdir(parents=True)
        (receipt / file.name).write_bytes(file.content)
        mapping = workspace / "mappings" / f"s{number:02}.toml"
        mapping.write_text(file.form.mapping(table) if file.form.day_first else "contract = 1\n", "utf-8")
    ground = ground_of(Asked(workspace))
    intake = receive_all(workspace, ground.settings, ground.as_of)
    rows = validated(intake, ground.settings, ground.catalogue.places)
    people = people_known(workspace, ground.as_of)
    found = resolved(rows.accepted, people, ground.settings, ground.look, ground.cut_on)
    told = findings.joined([intake.findings, rows.findings, found.findings])
    intake = replace(intake, repairs=findings.without_refused(intake.repairs, rows.accepted.sources))
    return Rows(intake, rows, ledger_of(rows, found.fates), told)


def check(workspace: Path, table: str, damaged_files: list[Sent]) -> None:
    sent = [as_csv(table, CONTRACT, [], (same, 0, 0, "")), *damaged_files]
    rows = checked(workspace, table, sent)
    ledger = {line["site"]: line for line in rows.ledger.to_dict("records")}
    assert list(ledger) == [f"s{number:02}" for number in range(len(sent))]
    said = Said.by(rows, table)
    for number, file in enumerate(sent):
        site = f"s{number:02}"
        line = ledger[site]
        assert line["rows_read"] == sum(line[place] for place in PLACES), (site, line)
        of_site(file, table, line, said[site])
    whole = ledger["s00"]
    assert whole["accepted"] == whole["rows_read"] == len(courses(table, CONTRACT)) - 1, (
        "the others touch a whole file"
    )


@dataclass
class Said:
    """What was said of one hospital's file."""

    accepted: dict[int, dict[str, Any]]
    held: list[int]
    refused: bool
    reasons: set[int]
    repairs: set[tuple[int, str]]
    trimmed: set[str]
    #: Whether marks inside the file were taken out, which is said once for the whole file.
    marks: bool = False

    @classmethod
    def by(cls, rows: Any, table: str) -> dict[str, Said]:
        sites: dict[str, Said] = {}

        def of(site: str) -> Said:
            return sites.setdefault(site, cls({}, [], False, set(), set(), set()))

        for site in rows.ledger["site"]:
            of(site)
        accepted = rows.validated.accepted.tables[table].to_pylist()
        for row in accepted:
            assert row["source_line"] not in of(row["site"]).accepted
            of(row["site"]).accepted[row["source_line"]] = row
        for row in rows.validated.quarantined[table].to_pylist():
            of(row["site"]).held.append(row["source_line"])
        for one in rows.findings.to_dict("records"):
            if one["action"] == "quarantine":
                of(one["site"]).reasons.add(int(one["source_line"]))
            elif one["action"] == "refuse":
                of(one["site"]).refused = True
        for frame in (rows.intake.repairs, rows.validated.repairs):
            for one in frame[["site", "source_line", "column", "rule"]].to_dict("records"):
                if one["rule"] == "blanks_trimmed":
                    of(one["site"]).trimmed.add(one["column"])
                elif one["rule"] == "mark_inside":
                    of(one["site"]).marks = True
                elif isinstance(one["source_line"], int):
                    of(one["site"]).repairs.add((int(one["source_line"]), one["column"]))
        return sites


def of_site(file: Sent, table: str, line: dict[str, Any], said: Said) -> None:
    if line["reason"]:
        assert line["refused"] == line["rows_read"]
        assert said.refused
        assert (said.accepted, said.held, said.repairs) == ({}, [], set())
        return
    assert not set(said.held) & set(said.accepted)
    assert len(set(said.held)) == len(said.held)
    assert set(said.held) <= said.reasons, "a row without a reason"
    assert len(said.held) + len(said.accepted) == sum(line[place] for place in PLACES[:5])
    records = naive_records(file, table)
    if records is None:
        return
    header, body = records
    assert line["rows_read"] == len(body), (line, len(body))
    rest = set(body) - set(said.held) - set(said.accepted)
    assert len(rest) == line["non_data"] + line["not_selected"]
    assert not [(at, body[at], header) for at in rest if reads_as_record(body[at], header)]
    for at, row in said.accepted.items():
        of_row(file.form, table, at, row, header, body[at], said)


def reads_as_record(cells: list[str], header: list[str]) -> bool:
    """More than half of the cells hold something, and it is not the header again, in large or small letters."""
    again = [cell.lower() for cell in cells] == [cell.lower() for cell in header]
    return 2 * sum(bool(cell.strip()) for cell in cells) > len(header) and not again


def of_row(
    form: Form, table: str, at: int, row: dict[str, Any], header: list[str], cells: list[str], said: Said
) -> None:
    plain = [name.strip().casefold() for name in header]
    for column in EXPORTS[table].columns:
        name = form.header(column.name).casefold()
        if name not in plain:
            continue
        cell = cells[plain.index(name)]
        cell = cell.replace("\ufeff", "") if said.marks else cell
        text, value = cell.strip(), written(row[column.name], column.name)
        told = (at, column.name) in said.repairs
        if not text:
            assert value in ("", DEFAULTS.get(table, {}).get(column.name)), (column.name, cell, value)
        elif text != value and not same_moment(text, row[column.name]):
            assert told, (column.name, cell, value)
        assert cell == text or told or column.name in said.trimmed, (column.name, cell)


def written(value: Any, column: str) -> str:
    """A value as text, in the contract's words."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, datetime | date):
        return value.isoformat()
    return "90+" if column == "age_years" and value == 90 else str(value)


def same_moment(text: str, value: Any) -> bool:
    try:
        return isinstance(value, datetime) and datetime.fromisoformat(text) == value
    except (ValueError, TypeError):
        return False


# The second reading.


def naive_records(file: Sent, table: str) -> tuple[list[str], dict[int, list[str]]] | None:
    """The header, and the records below and above it by their first line; None where the file cannot be told."""
    if file.name.endswith("parquet") and file.grid:
        return file.grid[0], dict(enumerate(file.grid[1:], 1))
    if file.grid is not None:
        last = max((at for at, row in enumerate(file.grid, 1) if any(row)), default=0)  # a sheet ends there
        return split(dict(enumerate(file.grid[:last], 1)), file, table)
    encoding = next((name for mark, name in MARKS if file.content.startswith(mark)), "utf-8")
    try:
        text = file.content.decode(encoding)
    except UnicodeDecodeError:
        return None
    found = [cut for mark in ",;\t|" if (cut := split(by_line(text, mark), file, table))]
    return max(found, key=lambda each: len(each[0])) if found else None


MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32"), (b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"),
)  # fmt: skip


def by_line(text: str, delimiter: str) -> dict[int, list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    records, line = {}, 1
    for cells in reader:
        records[line] = cells
        line = reader.line_num + 1
    return records


def split(
    records: dict[int, list[str]], file: Sent, table: str
) -> tuple[list[str], dict[int, list[str]]] | None:
    needed = {file.form.header(name).casefold() for name in EXPORTS[table].required}
    at = next(
        (at for at, cells in records.items() if needed <= {cell.strip().casefold() for cell in cells}), None
    )
    if at is None:
        return None
    return records[at], {line: cells for line, cells in records.items() if line != at}


def often(networks: int) -> Callable[..., Any]:
    """Try so many networks where all are asked for, else a quarter."""
    networks = networks if os.environ.get("DAMAGED") == "all" else max(1, networks // 4)
    return settings(
        max_examples=networks, derandomize=True, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip


@pytest.mark.parametrize("table", TABLES)
@often(12)
@given(sent=networks)
def test_delimited_files(network: Path, table: str, sent: list[Any]) -> None:
    check(network, table, [as_csv(table, *file) for file in sent])


@pytest.mark.parametrize("table", TABLES)
@often(2)
@given(sent=networks)
def test_workbooks(network: Path, table: str, sent: list[Any]) -> None:
    check(network, table, [as_workbook(table, *file) for file in sent])


@pytest.mark.parametrize("table", TABLES)
@often(2)
@given(sent=networks)
def test_parquet_files(network: Path, table: str, sent: list[Any]) -> None:
    check(network, table, [as_parquet(table, *file) for file in sent])

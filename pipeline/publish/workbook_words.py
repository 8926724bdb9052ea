"""What the workbook says about itself: the lines of its first sheet, of its sheet on columns, and notes on headers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.tables import table_files
from schemas.columns import Column, Table
from schemas.dictionary import KINDS
from schemas.published import ACCOUNTS, AUDIT_TABLES

COLUMNS_HEADER = ("sheet", "column", "meaning", "unit", "kind", "filled", "source")

_SHORT_KINDS = {"id": "identifier", "yes_no": "yes or no"}

HOW_TO_READ = (
    "Every sheet but these two first ones is one table of the edition, with the names and words of its CSV file; this "
    "workbook is another form of the same rows, and nothing in it is worked out by formulas.",
    "Shares are kept as fractions of 1 and shown in per cent. Differences of shares show in per cent too and mean "
    "percentage points. Days are whole numbers from the operation, which is day 0.",
    "An empty cell is nothing, not nought: not estimated, not defined, or not known. Where there is a column `note`, it says "
    "why.",
    "A case stands in many rows: in several categories, levels and windows, and once in each part (`stratum`). Filter "
    "to one of each before adding anything up; begin with `stratum` none, one category, its main level and one window.",
    "Cases, complications, their evidence, single findings and mended cells are not here: they stand in files of their "
    "own beside this workbook.",
)


@dataclass(frozen=True)
class Line:
    """A line of the first sheet: a name, what is said, where it leads, how many rows; `look` names its dress."""

    name: str = ""
    text: str = ""
    look: str = ""
    sheet: str = ""
    rows: int | None = None
    last: str = ""


def about_lines(
    sheets: Sequence[tuple[Table, int, bool]], most_rows: int, context: Context
) -> Iterator[Line]:
    """The first sheet from top to bottom.

    Args:
        sheets: Table, its number of rows, and whether it is left out for being longer than `most_rows`.
    """
    yield Line(f"Complication audit, {words.period(context.period)}", look="title")
    yield Line(f"{words.state(context).upper()}: {words.state_told(context)}", look=context.state)
    yield Line()
    yield Line("Edition", words.period(context.period))
    yield Line("Cut", f"operations, events and visits up to {words.day(context.cut_on)}")
    yield Line("As of", f"what had been received and decided by {words.day(context.as_of)}")
    yield Line("Intervals", words.intervals(context))
    yield Line("Made by", f"limbaudit {context.version}")
    yield from _heading("Sites")
    yield from (Line(site.name or site.site, words.site_state(site)) for site in context.sites)
    if context.warnings:
        yield from _heading("Not within tolerance")
        yield from (Line(text=sentence) for sentence in context.warnings)
    if context.signature and context.signature.despite:
        yield Line("Signed all the same", f"because: {context.signature.despite}")
    yield from _heading("How to read the sheets")
    yield from (Line(text=sentence.replace("`", "")) for sentence in HOW_TO_READ)
    yield from _sheets("Audit tables", [sheet for sheet in sheets if sheet[0] in AUDIT_TABLES], most_rows)
    yield from _sheets("Accounts", [sheet for sheet in sheets if sheet[0] in ACCOUNTS], most_rows)
    yield from _heading("Read with care")
    yield from (Line(text=caution) for caution in words.CAUTIONS)


def columns_lines(tables: Sequence[Table]) -> Iterator[tuple[str, ...]]:
    """Header, then a line for each column of each table."""
    yield COLUMNS_HEADER
    for table in tables:
        for column in table.columns:
            yield (
                table.name,
                column.name,
                _plain(column.description),
                column.unit,
                _SHORT_KINDS.get(column.kind, _plain(KINDS[column.kind])),
                "not always" if column.nullable else "always",
                column.source,
            )


def note_on(column: Column) -> str:
    """What stands beside a header."""
    unit = f"\nUnit: {column.unit}" if column.unit else ""
    return _plain(column.description) + unit


def _heading(name: str, last: str = "") -> Iterator[Line]:
    yield Line()
    yield Line(name, look="heading", last=last)


def _sheets(title: str, sheets: Sequence[tuple[Table, int, bool]], most_rows: int) -> Iterator[Line]:
    yield from _heading(title, "rows")
    for table, rows, left_out in sheets:
        described = _plain(table.description)
        if left_out:
            file = table_files(table.name)[0]
            text = f"{described} Left out here, because it has more than {most_rows:,} rows: see {file}."
            yield Line(table.name, text, rows=rows)
        else:
            yield Line(table.name, described, sheet=table.name, rows=rows)


def _plain(description: str) -> str:
    return description.replace("`", "")

"""Findings about the rows and columns of a file that was accepted. None holds a cell value."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import Source
from pipeline.intake.bindings import Bindings
from pipeline.intake.cut import Cut, LoggedStep
from pipeline.intake.header import plain
from pipeline.intake.logs import said
from pipeline.intake.mapping import TableMapping
from pipeline.intake.records import Record

#: What is said of a row held back for one of its cells.
_HELD = {
    "formula_without_value": "`{column}` holds a formula and no value. Save the workbook in a spreadsheet, or send values.",
    "formula_error": "`{column}` holds an error such as #REF! instead of a value. Correct the formula, or send values.",
    "row_maybe_total": "A total, or a record without `{column}`: nothing says which. Leave totals out, or fill it.",
    "cells_merged": "`{column}` is merged with another cell. Undo the merging and fill every cell.",
}

#: Characters of a header that are shown.
LONGEST_HEADER = 80


def held_rows(source: Source, cut: Cut) -> list[dict[str, object]]:
    """Rows that do not fit the header, or a cell of which cannot be known."""
    return [
        _ragged(source, record, len(cut.headers))
        if record.column is None
        else _held(source, record, header_name(cut.headers, record.column))
        for record in cut.ragged
    ]


def _ragged(source: Source, record: Record, expected: int) -> dict[str, object]:
    message = (
        f"Line {record.line} has {record.width} cells, the header {expected}. "
        "Quote text that holds the delimiter."
    )
    return said(source, "row_ragged", message, source_line=record.line)


def _held(source: Source, record: Record, header: str) -> dict[str, object]:
    message = _HELD[record.why].format(column=header)
    return said(source, record.why, message, source_line=record.line, column=header)


def unclear_sites(source: Source, unclear: pa.Table, form: TableMapping) -> list[dict[str, object]]:
    """Rows whose column `site_from` names no usable site."""
    message = (
        f"`{form.site_from}` names no site that is known. Fill it, or translate it under `values.site_id`."
    )
    return [
        said(source, "row_site_unclear", message, source_line=line, column=form.site_from)
        for line in unclear["source_line"].to_pylist()
    ]


def header_name(headers: tuple[str, ...], at: int) -> str:
    """A header as messages name it: on one line, cut where it is long; a nameless one by its position from 1."""
    return " ".join(headers[at].split())[:LONGEST_HEADER] or f"column {at + 1}"


def unknown_columns(
    source: Source, cut: Cut, bound: Bindings, form: TableMapping, mapping: str
) -> list[dict[str, object]]:
    """One finding for each column that feeds nothing; nameless ones only if they hold anything."""
    given = _given_by_both(cut, bound, form)
    unused = [
        at
        for at in bound.unused
        if (cut.headers[at].strip() or _holds_anything(cut, at)) and at not in given.values()
    ]
    names = [header_name(cut.headers, at) for at in unused]
    return [
        said(
            source,
            "column_unknown",
            f"`{name}` is not used. Map it in {mapping}, or ignore this.",
            column=name,
        )
        for name in names
    ]


def _holds_anything(cut: Cut, at: int) -> bool:
    column = cut.cells.column(at)
    return bool(column.null_count < len(column))


def _given_by_both(cut: Cut, bound: Bindings, form: TableMapping) -> dict[str, int]:
    """Contract columns that the mapping makes and the file has too → where it has them."""
    named = {plain(cut.headers[at]): at for at in bound.unused}
    return {name: named[name] for name in sorted(form.provided) if name in named}


def columns_given_twice(
    source: Source, cut: Cut, bound: Bindings, form: TableMapping, mapping: str
) -> list[dict[str, object]]:
    """Columns that the mapping makes although the file says something else in a column of that name."""
    found = []
    for name, at in _given_by_both(cut, bound, form).items():
        differing = _cells_against(cut.cells.column(at), form.constants.get(name))
        if differing:
            message = (
                f"The file has a column `{name}` too; {mapping} says otherwise than {differing} of its cells, and was "
                f"followed. If the file is right, take `{name}` out of {mapping}."
            )
            found.append(said(source, "column_given_twice", message, column=name))
    return found


def _cells_against(column: pa.ChunkedArray, constant: str | None) -> int:
    """How many filled cells say something else than the constant; without a constant, how many are filled."""
    cells = pc.utf8_lower(pc.utf8_trim_whitespace(column))
    same = pc.equal(cells, "")
    if constant is not None:
        same = pc.or_(same, pc.equal(cells, constant.lower()))
    return int(pc.sum(pc.invert(pc.fill_null(same, True))).as_py() or 0)


def absent_columns(
    source: Source, bound: Bindings, form: TableMapping, mapping: str
) -> list[dict[str, object]]:
    """Optional columns whose mapped header the file lacks."""
    found = []
    for column in bound.absent:
        names = " or ".join(f"`{name}`" for name in form.columns[column])
        message = f"No column {names}, mapped to `{column}`. Add the new header in {mapping}."
        found.append(said(source, "header_mapped_absent", message, column=column))
    return found


def repeated_columns(source: Source, cut: Cut, bound: Bindings) -> list[dict[str, object]]:
    """Optional columns that could be several of the file's."""
    found = []
    for column, positions in bound.repeated.items():
        both = " and ".join(f"`{header_name(cut.headers, at)}`" for at in positions)
        message = f"{len(positions)} columns could be `{column}`: {both}. None is used; rename or remove one."
        found.append(said(source, "header_repeated_unused", message, column=column))
    return found


def reread_headers(bound: Bindings) -> tuple[LoggedStep, ...]:
    """Headers taken although they are not letter for letter those asked for."""
    return tuple(LoggedStep("header_reread", sent, asked) for sent, asked in bound.reread)

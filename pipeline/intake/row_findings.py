"""Findings about the rows and columns of a file that was accepted. None holds a cell value."""

from __future__ import annotations

import pyarrow as pa

from pipeline.handover import Source
from pipeline.intake.bindings import Bindings
from pipeline.intake.cut import Cut
from pipeline.intake.logs import said
from pipeline.intake.mapping import TableMapping


def ragged_rows(source: Source, cut: Cut) -> list[dict[str, object]]:
    """Rows with more or fewer cells than the header."""
    expected = len(cut.headers)
    return [
        said(
            source,
            "row_ragged",
            f"Line {record.line} has {len(record.cells)} cells, the header {expected}. "
            "Quote text that holds the delimiter.",
            source_line=record.line,
        )
        for record in cut.ragged
    ]


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
    """A header as messages name it; a nameless one by its position from 1."""
    return headers[at].strip() or f"column {at + 1}"


def unknown_columns(source: Source, cut: Cut, bound: Bindings, mapping: str) -> list[dict[str, object]]:
    """One finding for each column that feeds nothing; nameless ones only if they hold anything."""
    unused = [at for at in bound.unused if cut.headers[at].strip() or _holds_anything(cut, at)]
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

"""Rows held back because a cell they need cannot be known."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np
import pyarrow as pa

from pipeline.intake.bindings import Bindings
from pipeline.intake.cut import Cut, Unread
from pipeline.intake.furniture import TRAILER_ROWS
from pipeline.intake.mapping import TableMapping
from pipeline.intake.records import MOST_RAGGED, Record
from pipeline.intake.refusal import Refusal
from schemas.exports import ID_COLUMN


def without_unread(cut: Cut, bound: Bindings, form: TableMapping, name: str) -> Cut:
    """The same rows without those in which a used cell is unread; these join the ragged ones.

    Raises:
        Refusal: So many rows are concerned that the workbook is not what was meant to be sent.
    """
    used = {*bound.columns.values(), *bound.others.values()}
    held: dict[int, tuple[str, int]] = {}
    for unread in (*cut.unread, *_maybe_totals(cut, bound, form)):
        for line, column in _concerned(unread, cut.lines, used):
            held.setdefault(line, (unread.rule, column))
    if not held:
        return cut
    if len(held) > MOST_RAGGED:
        raise Refusal(
            "file_unreadable",
            f"{name}: {len(held)} rows hold formulas without a value, errors or merged cells. "
            "Send the values instead.",
        )
    rows = np.flatnonzero(np.isin(cut.lines, list(held)))
    keep = np.ones(len(cut.lines), bool)
    keep[rows] = False
    records = [
        Record.of(int(line), [cell or "" for cell in cells.values()]).held_for(*held[int(line)])
        for line, cells in zip(cut.lines[rows], cut.cells.take(pa.array(rows)).to_pylist(), strict=True)
    ]
    ragged = sorted([*cut.ragged, *records], key=lambda record: record.line)
    return replace(cut, cells=cut.cells.filter(pa.array(keep)), lines=cut.lines[keep], ragged=tuple(ragged))


def _concerned(unread: Unread, lines: np.ndarray, used: Collection[int]) -> list[tuple[int, int]]:
    """Line and column of the unread cells that the table needs."""
    needed = np.isin(unread.columns, list(used)) & np.isin(unread.lines, lines)
    return list(zip(unread.lines[needed].tolist(), unread.columns[needed].tolist(), strict=True))


def _maybe_totals(cut: Cut, bound: Bindings, form: TableMapping) -> tuple[Unread, ...]:
    """Of the last rows those without an id whose cells are mostly empty: a total, or a record that lost its id."""
    at = bound.columns.get(ID_COLUMN[form.table])
    if at is None or form.unpivot:
        return ()
    first = max(0, cut.cells.num_rows - TRAILER_ROWS)
    tail = [[(cell or "").strip() for cell in row.values()] for row in cut.cells.slice(first).to_pylist()]
    rows = [first + n for n, row in enumerate(tail) if not row[at] and 2 * sum(map(bool, row)) <= len(row)]
    return (Unread("row_maybe_total", cut.lines[rows], np.full(len(rows), at)),) if rows else ()

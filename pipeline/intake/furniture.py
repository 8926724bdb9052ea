"""Rows that are no records: totals, closing lines, repeated headers, blank rows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.intake.cut import Cut, LoggedStep
from pipeline.intake.records import Record

#: Blank to a reader: also the page feed and the end mark (Ctrl-Z) of older systems.
_BLANKS = " \t\r\n\x0b\x0c\x1a\xa0"
#: How far from the end a total or closing line may stand.
TRAILER_ROWS = 20
_CLOSING = re.compile(
    r"(?:(?:grand|sub)[- ]?)?totals?\b|sum\b|count\b|(?:number of |no\.? of )?(?:rows|records|lines|entries)\b"
    r"|\d+ (?:rows|records|lines|entries)\b"
    r"|(?:--?|\*+|=+|<)?\s*end of (?:report|file|list|export|extract|data)\b|page \d+\b"
    r"|(?:report|list|export|extract)(?:ed)? (?:run|printed|created|generated|produced|ended)\b"
    r"|(?:printed|generated|produced|exported) (?:on|by|at)\b|[-=*_]{3,}$"
    # the same in the languages hospitals of Europe write
    r"|(?:gesamt|end|zwischen)?summe\b|gesamt\b|anzahl\b|ende (?:des|der)\b|seite \d+"
    r"|(?:sous-)?total(?:e|en|t)?\b|somme\b|nombre\b|fin (?:du|de)\b|totaal\b|aantal\b|einde (?:van|rapport)\b"
    r"|suma\b|somma\b|soma\b|fine (?:del|report)\b|p[aá]gina \d+|pagina \d+|summa\b|antal\b|yhteensä\b|razem\b",
    re.IGNORECASE,
)


def _says_closing(text: str) -> bool:
    words = text.strip()
    return _CLOSING.match(words) is not None or _CLOSING.match(words.lstrip("*=-_ ")) is not None


def is_furniture(cells: Sequence[str]) -> bool:
    """A row outside the columns that a report prints for its readers: blank, or a closing line or total."""
    filled = [cell for cell in cells if cell.strip(_BLANKS)]
    return not filled or (len(filled) <= 2 and _says_closing(filled[0]))


def _is_total(cells: Sequence[str]) -> bool:
    """A row in the columns whose first filled cell speaks of a total and most of whose cells are empty."""
    filled = [cell for cell in cells if cell.strip()]
    return bool(filled) and _says_closing(filled[0]) and 2 * len(filled) <= len(cells)


def _is_empty(cells: pa.ChunkedArray) -> np.ndarray:
    trimmed = pc.utf8_trim_whitespace(cells)
    return pc.fill_null(pc.equal(trimmed, ""), True).to_numpy(zero_copy_only=False)


def _rows_where(cells: pa.Table, tests: list[tuple[int, str]], lower: bool = False) -> np.ndarray:
    """Rows whose columns all equal the given texts (an empty one: hold nothing), most telling column first.

    With `lower`, cells are compared in small letters.
    """
    rows = np.arange(cells.num_rows)
    for column, expected in tests:
        if not len(rows):
            break
        here = cells.column(column)
        here = here if len(rows) == cells.num_rows else here.take(pa.array(rows))
        said = pc.utf8_lower(here) if lower else here
        fits = pc.fill_null(pc.equal(said, expected), False).to_numpy(zero_copy_only=False)
        rows = rows[fits if expected else _is_empty(here)]
    return rows


def blank_rows(cells: pa.Table) -> np.ndarray:
    """Rows without a single filled cell."""
    fullest = sorted(range(cells.num_columns), key=lambda column: cells.column(column).null_count)
    return _rows_where(cells, [(column, "") for column in fullest])


def header_rows(cells: pa.Table, headers: Sequence[str]) -> np.ndarray:
    """Rows that repeat the header word for word, in large or small letters."""
    named = sorted(range(len(headers)), key=lambda column: not headers[column])
    return _rows_where(cells, [(column, headers[column].lower()) for column in named], lower=True)


def trailing_rows(cut: Cut) -> np.ndarray:
    """Rows of `cut.cells` near the end that are totals or closing lines."""
    first = max(0, cut.cells.num_rows - TRAILER_ROWS)
    tail = cut.cells.slice(first).to_pylist()
    return first + np.flatnonzero([_is_total([cell or "" for cell in row.values()]) for row in tail]).astype(
        int
    )


def without_furniture(cut: Cut) -> Cut:
    """The same rows without those that are no records; these are counted in `non_data` and logged."""
    blank = blank_rows(cut.cells)
    repeated = header_rows(cut.cells, cut.headers)
    closing = np.setdiff1d(trailing_rows(cut), np.concatenate([blank, repeated]))
    outside = [record for record in cut.ragged if is_furniture(record.cells)]
    found = len(blank) + len(repeated) + len(closing)
    if not found and not outside:
        return cut
    keep = np.ones(cut.cells.num_rows, bool)
    keep[np.concatenate([blank, repeated, closing]).astype(int)] = False
    return replace(
        cut,
        cells=cut.cells.filter(pa.array(keep)) if found else cut.cells,
        lines=cut.lines[keep],
        ragged=tuple(record for record in cut.ragged if not is_furniture(record.cells)),
        non_data=cut.non_data + found + len(outside),
        steps=(*cut.steps, *_logged(cut, repeated, closing, outside)),
    )


def _logged(cut: Cut, repeated: np.ndarray, closing: np.ndarray, outside: list[Record]) -> list[LoggedStep]:
    at = [(int(line), "repeated header") for line in cut.lines[repeated]]
    at += [(int(line), "total or closing line") for line in cut.lines[closing]]
    at += [(record.line, "total or closing line") for record in outside if any(map(str.strip, record.cells))]
    return [LoggedStep("row_not_data", kind, "", line) for line, kind in sorted(at)]

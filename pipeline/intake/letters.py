"""Letters that were turned into wrong ones before a file was sent: counted, never guessed."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import Source
from pipeline.intake.bindings import Bindings
from pipeline.intake.cut import Cut
from pipeline.intake.logs import said
from pipeline.intake.row_findings import header_name

#: What Windows-1252 makes of the second byte of a letter in UTF-8 (code points 0x80 to 0xBF).
_SECOND = (
    "\u0080-\u00bf\u20ac\u201a\u0192\u201e\u2026\u2020\u2021\u02c6\u2030\u0160\u2039\u0152\u017d"
    "\u2018\u2019\u201c\u201d\u2022\u2013\u2014\u02dc\u2122\u0161\u203a\u0153\u017e\u0178"
)
#: A letter of Western Europe (first byte C3), a sign (C2), a quotation mark or dash (E2 80) read as Windows-1252.
_WRONG = f"\u00c3[{_SECOND}]|\u00c2[\u00a0-\u00bf]|\u00e2\u20ac"


def mojibake(source: Source, cut: Cut, bound: Bindings) -> list[dict[str, object]]:
    """One finding a used column in which UTF-8 was taken for Windows-1252 and written anew."""
    found = []
    for at in sorted({*bound.columns.values(), *bound.others.values()}):
        rows = _rows_with_wrong_letters(cut.cells.column(at))
        if rows:
            name = header_name(cut.headers, at)
            message = (
                f"{rows} cells of `{name}` hold letters such as \u00c3\u00bc for \u00fc. "
                "Export them again as UTF-8; nothing was guessed."
            )
            found.append(said(source, "text_mojibake", message, column=name))
    return found


def _rows_with_wrong_letters(column: pa.ChunkedArray) -> int:
    is_plain = pc.fill_null(pc.string_is_ascii(column), True)
    if pc.all(is_plain).as_py() is not False:
        return 0
    others = column.filter(pc.invert(is_plain))
    return int(pc.sum(pc.match_substring_regex(others, _WRONG)).as_py() or 0)

"""Which row is the header, and which columns it offers."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.intake.records import Record
from pipeline.intake.refusal import Refusal

#: The header stands in one of the first 20 rows, so at most 19 … 20 lines lie above it.
OPENING_ROWS = 21
SHOWN_HEADERS = 20


@dataclass(frozen=True)
class Need:
    """A header the table cannot do without: any one of `names`. `column` is what it is needed for."""

    names: tuple[str, ...]
    column: str = ""


@dataclass(frozen=True)
class Wanted:
    """What a reader must find in a file, and how messages name file and mapping."""

    name: str
    mapping: str
    needs: tuple[Need, ...]
    header_row: int | None = None
    encoding: str = ""
    delimiter: str = ""


def plain(header: str) -> str:
    """A header as compared at second sight: case folded, without unseen characters, one blank for several.

    Unseen are soft hyphens, zero-width blanks, marks of byte order or of direction; line breaks and no-break blanks
    count as blanks.
    """
    if header.isascii():
        return " ".join(header.split()).casefold()
    seen = "".join(character for character in header if unicodedata.category(character) != "Cf")
    return " ".join(seen.split()).casefold()


def _unmet(cells: Sequence[str], needs: Sequence[Need]) -> list[Need]:
    present = {plain(cell) for cell in cells}
    return [need for need in needs if not any(plain(name) in present for name in need.names)]


def _same(one: Sequence[str], other: Sequence[str]) -> bool:
    return [plain(cell) for cell in one] == [plain(cell) for cell in other]


def header_positions(opening: Sequence[Record], wanted: Wanted) -> list[int]:
    """Positions in `opening` of the rows that hold every needed header; repeats of the first are left out."""
    fitting = [
        at
        for at, record in enumerate(opening)
        if any(cell.strip() for cell in record.cells) and not _unmet(record.cells, wanted.needs)
    ]
    return [
        at for at in fitting if at == fitting[0] or not _same(opening[at].cells, opening[fitting[0]].cells)
    ]


def header_position(opening: Sequence[Record], wanted: Wanted) -> int:
    """Position in `opening` of the header.

    Raises:
        Refusal: `header_column_missing`, or `header_unclear` where several different rows could be it.
    """
    if wanted.header_row is not None:
        return _declared(opening, wanted)
    found = header_positions(opening, wanted)
    if found and (found[0] == 0 or len(found) == 1):
        _refuse_records_above(opening, found[0], wanted)
        return found[0]
    if found:
        lines = " and ".join(str(opening[at].line) for at in found[:2])
        raise Refusal(
            "header_unclear",
            f"{wanted.name}: lines {lines} both hold the needed headers. Say `header_row = …` "
            f"in {wanted.mapping}.",
        )
    raise _missing(opening, wanted)


def _refuse_records_above(opening: Sequence[Record], at: int, wanted: Wanted) -> None:
    """A row above the header that fills its columns is no preamble: it would be lost unseen."""
    width = len(opening[at].cells)
    for record in opening[:at]:
        filled = sum(1 for cell in record.cells if cell.strip())
        if 2 * filled > width:
            raise Refusal(
                "header_unclear",
                f"{wanted.name}: line {record.line} fills the columns like a record but stands above the header "
                f"(line {opening[at].line}). Put the header first, or say `header_row = …` in {wanted.mapping}.",
                record.line,
            )


def _declared(opening: Sequence[Record], wanted: Wanted) -> int:
    at = next((at for at, record in enumerate(opening) if record.line == wanted.header_row), None)
    if at is None:
        raise Refusal(
            "header_column_missing",
            f"{wanted.name} has no row {wanted.header_row}, which {wanted.mapping} gives as `header_row`. "
            "Correct it there.",
        )
    if _unmet(opening[at].cells, wanted.needs):
        raise _missing([opening[at]], wanted)
    return at


def _missing(opening: Sequence[Record], wanted: Wanted) -> Refusal:
    best = min(opening, key=lambda record: len(_unmet(record.cells, wanted.needs)))
    unmet = _unmet(best.cells, wanted.needs)
    if len(unmet) == len(wanted.needs):
        return Refusal(
            "header_column_missing",
            f"{wanted.name}: none of the first {OPENING_ROWS - 1} rows holds a needed header, such as "
            f"{_named(unmet[0])}. Map the file's own headers in {wanted.mapping}.",
        )
    known = {plain(name) for need in wanted.needs for name in need.names}
    others = [cell.strip() for cell in best.cells if cell.strip() and plain(cell) not in known]
    found = ", ".join(f"`{header}`" for header in others[:SHOWN_HEADERS]) or "nothing else"
    more = ", …" if len(others) > SHOWN_HEADERS else ""
    missing = ", ".join(_named(need) for need in unmet)
    message = f"{wanted.name} has no column {missing}. Found: {found}{more}. Map it in {wanted.mapping}."
    return Refusal("header_column_missing", message, best.line, unmet[0].column)


def _named(need: Need) -> str:
    names = " or ".join(f"`{name}`" for name in need.names)
    purpose = f" (for `{need.column}`)" if need.column and need.names != (need.column,) else ""
    return names + purpose

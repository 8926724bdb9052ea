"""Which column of a file feeds which column of the contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.intake.header import Need, Wanted, plain
from pipeline.intake.mapping import Mapping, TableMapping
from pipeline.intake.refusal import Refusal
from schemas.exports import DEFAULTS, EXPORTS, ID_COLUMN


@dataclass(frozen=True)
class Bindings:
    """Positions of a file's columns, from 0.

    Attributes:
        columns: Contract column → position.
        others: Header named by the mapping for other uses → position.
        unused: Positions that feed neither.
        absent: Optional contract columns whose mapped header the file lacks.
    """

    columns: dict[str, int]
    others: dict[str, int]
    unused: tuple[int, ...]
    absent: tuple[str, ...]


def needs(form: TableMapping) -> tuple[Need, ...]:
    """The headers without which the table cannot be read."""
    not_needed = form.provided | DEFAULTS[form.table].keys()
    required = [name for name in EXPORTS[form.table].required if name not in not_needed]
    columns = [Need(form.columns.get(name, (name,)), name) for name in required]
    return (*columns, *(Need((header,)) for header in form.other_headers))


def wanted(form: TableMapping, mapping: Mapping, name: str) -> Wanted:
    """What a reader has to know about the table a file is to feed."""
    return Wanted(name, mapping.named, needs(form), form.header_row, form.encoding, form.delimiter)


def _positions(headers: Sequence[str], names: Sequence[str]) -> list[int]:
    asked = {plain(name) for name in names}
    return [at for at, header in enumerate(headers) if plain(header) in asked]


def _only(headers: Sequence[str], names: Sequence[str], column: str, file_name: str) -> int | None:
    found = _positions(headers, names)
    if len(found) > 1:
        both = " and ".join(f"`{headers[at].strip()}`" for at in found)
        raise Refusal(
            "header_repeated_name",
            f"{file_name} has {len(found)} columns for `{column}`: {both}. Rename or remove one at the source.",
        )
    return found[0] if found else None


def bindings(headers: Sequence[str], form: TableMapping, file_name: str) -> Bindings:
    """The file's columns bound by name.

    A contract column that the mapping does not mention is taken from the header of its own name, unless
    the mapping uses that header for something else.

    Raises:
        Refusal: `header_repeated_name` if a used column could be two.
    """
    spoken_for = {plain(name) for names in form.columns.values() for name in names}
    spoken_for |= {plain(name) for name in form.other_headers}
    table = EXPORTS[form.table]
    columns: dict[str, int] = {}
    for name in table.names:
        implied = () if name in form.provided or _is_taken(name, spoken_for, table.required) else (name,)
        at = _only(headers, form.columns.get(name, implied), name, file_name)
        if at is not None:
            columns[name] = at
    others = {name: _only(headers, (name,), name, file_name) for name in form.other_headers}
    found = {name: at for name, at in others.items() if at is not None}
    used = {*columns.values(), *found.values()}
    unused = tuple(at for at in range(len(headers)) if at not in used)
    return Bindings(columns, found, unused, tuple(name for name in form.columns if name not in columns))


def _is_taken(name: str, spoken_for: set[str], required: Sequence[str]) -> bool:
    return plain(name) in spoken_for and name not in required


def feeding(headers: Sequence[str], bound: Bindings, form: TableMapping) -> dict[str, tuple[str, ...]]:
    """The contract columns each header leads to; pieces of an id lead to the id."""
    pairs = [(headers[at].strip(), name) for name, at in bound.columns.items()]
    pairs += [(headers[bound.others[piece]].strip(), ID_COLUMN[form.table]) for piece in form.id_from]
    return {header: tuple(name for of, name in pairs if of == header) for header, _ in pairs}

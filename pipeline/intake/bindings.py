"""Which column of a file feeds which column of the contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

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
        repeated: Optional contract columns that could be several, with their positions; they stay unused.
        reread: Headers taken at second sight, as sent and as asked for.
    """

    columns: dict[str, int]
    others: dict[str, int]
    unused: tuple[int, ...]
    absent: tuple[str, ...]
    repeated: dict[str, tuple[int, ...]] = field(default_factory=dict)
    reread: tuple[tuple[str, str], ...] = ()


def needs(form: TableMapping) -> tuple[Need, ...]:
    """The headers without which the table cannot be read."""
    not_needed = form.provided | DEFAULTS[form.table].keys()
    required = [name for name in EXPORTS[form.table].required if name not in not_needed]
    columns = [Need(form.columns.get(name, (name,)), name) for name in required]
    return (*columns, *(Need((header,)) for header in form.other_headers))


def wanted(form: TableMapping, mapping: Mapping, name: str) -> Wanted:
    """What a reader has to know about the table a file is to feed."""
    return Wanted(name, mapping.named, needs(form), form.header_row, form.encoding, form.delimiter)


@dataclass(frozen=True)
class _Headers:
    """A file's headers, in which names are looked for: letter for letter, else at second sight."""

    sent: tuple[str, ...]
    asked: frozenset[str]
    file_name: str

    def find(self, names: Sequence[str]) -> list[int]:
        """Positions of the names; at second sight only headers that nothing else asks for by letter."""
        trimmed = {name.strip() for name in names}
        exact = [at for at, header in enumerate(self.sent) if header.strip() in trimmed]
        if exact:
            return exact
        meant = {plain(name) for name in names}
        return [
            at
            for at, header in enumerate(self.sent)
            if plain(header) in meant and header.strip() not in self.asked
        ]

    def refuse_several(self, found: list[int], column: str) -> None:
        if len(found) > 1:
            both = " and ".join(f"`{self.sent[at].strip()}`" for at in found)
            raise Refusal(
                "header_repeated_name",
                f"{self.file_name} has {len(found)} columns for `{column}`: {both}. "
                "Rename or remove one at the source.",
                column=column,
            )

    def reread(self, at: int, names: Sequence[str]) -> tuple[str, str] | None:
        """The header as sent and as asked for, where these differ by more than blanks around them."""
        sent = self.sent[at].strip()
        asked = next((name.strip() for name in names if plain(name) == plain(sent)), sent)
        return None if sent in {name.strip() for name in names} else (sent, asked)


def bindings(headers: Sequence[str], form: TableMapping, file_name: str) -> Bindings:
    """The file's columns bound by name.

    A contract column that the mapping does not mention is taken from the header of its own name, unless
    the mapping uses that header for something else. An optional column that could be two is left unused.

    Raises:
        Refusal: `header_repeated_name` if a needed column could be two.
    """
    names = _names(form)
    asked = frozenset(name.strip() for each in names.values() for name in each)
    asked |= {name.strip() for name in form.other_headers}
    look = _Headers(tuple(headers), asked, file_name)
    needed = EXPORTS[form.table].required
    columns: dict[str, int] = {}
    repeated: dict[str, tuple[int, ...]] = {}
    for column, its in names.items():
        found = look.find(its)
        if column in needed:
            look.refuse_several(found, column)
        if len(found) == 1:
            columns[column] = found[0]
        elif found:
            repeated[column] = tuple(found)
    others: dict[str, int] = {}
    for name in form.other_headers:
        found = look.find((name,))
        look.refuse_several(found, name)
        others |= {name: found[0]} if found else {}
    pairs = [(at, names[column]) for column, at in columns.items()]
    pairs += [(at, (name,)) for name, at in others.items()]
    twice = {at for found in repeated.values() for at in found}
    return Bindings(
        columns,
        others,
        tuple(at for at in range(len(headers)) if at not in {at for at, _ in pairs} | twice),
        tuple(name for name in form.columns if name not in columns and name not in repeated),
        repeated,
        tuple(sorted({each for at, its in pairs if (each := look.reread(at, its))})),
    )


def _names(form: TableMapping) -> dict[str, tuple[str, ...]]:
    """The headers each contract column may come from."""
    spoken_for = {plain(name) for names in form.columns.values() for name in names}
    spoken_for |= {plain(name) for name in form.other_headers}
    table = EXPORTS[form.table]
    found: dict[str, tuple[str, ...]] = {}
    for name in table.names:
        implied = () if name in form.provided or _is_taken(name, spoken_for, table.required) else (name,)
        found[name] = tuple(form.columns.get(name, implied))
    return found


def _is_taken(name: str, spoken_for: set[str], required: Sequence[str]) -> bool:
    return plain(name) in spoken_for and name not in required


def feeding(headers: Sequence[str], bound: Bindings, form: TableMapping) -> dict[str, tuple[str, ...]]:
    """The contract columns each header leads to; pieces of an id lead to the id."""
    pairs = [(headers[at].strip(), name) for name, at in bound.columns.items()]
    pairs += [(headers[bound.others[piece]].strip(), ID_COLUMN[form.table]) for piece in form.id_from]
    return {header: tuple(name for of, name in pairs if of == header) for header, _ in pairs}

"""How a fault is planted: a changed copy of the exports, and the list that says where it stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pandas as pd

from schemas.sample.hospitals import HARBOUR, HOSPITALS, MILLFIELD, NORTHGATE, Exports, Form
from schemas.sample.people import PREFIXES, SITES

Key = tuple[str, str, str, str]

LISTED = ("site", "source_file", "source_line", "table", "record_id", "column", "rule", "what")
ENOUGH_ROWS = 60  # of a table, for one row held back to stay within the tolerance

FIRST, LAST = HARBOUR.receipts[0], HARBOUR.receipts[-1]
REGISTER: Key = (MILLFIELD.site, MILLFIELD.receipts[-1], "op_register.csv", "")


def harbour(table: str, receipt: str = FIRST) -> Key:
    return (HARBOUR.site, receipt, f"{table}.csv", "")


def millfield(file: str, receipt: str = MILLFIELD.receipts[-1]) -> Key:
    return (MILLFIELD.site, receipt, f"{file}.csv", "")


def northgate(sheet: str) -> Key:
    return (NORTHGATE.site, NORTHGATE.receipts[0], "northgate_audit.xlsx", sheet)


def form_of(key: Key) -> Form:
    """The form whose rows a file or sheet holds, also where the file got a longer name."""
    site, _, name, sheet = key
    forms = next(hospital.forms for hospital in HOSPITALS if hospital.site == site)
    return next(
        form for form in forms if name.startswith(form.file.partition(".")[0]) and form.sheet == sheet
    )


def contract_name(form: Form, header: str) -> str:
    """The contract's column that a header of the form leads to."""
    if header in form.wide.values():
        return "value"
    return next((name for name, own in form.headers.items() if own == header), header)


@dataclass(frozen=True)
class Planted:
    """What was planted, and what only the writer of files can do.

    Attributes:
        listed: One row a fault; a line of 0 is the whole file.
        copies: Files sent again unchanged, new place to old place.
        broken_off: Files that end in the middle of their last row but one half.
        preambles: Lines that a report prints above the header of a sheet, and the total below.
        tails: Lines below the rows of a CSV file, as they are written.
    """

    listed: pd.DataFrame
    copies: dict[Key, Key] = field(default_factory=dict)
    broken_off: frozenset[Key] = frozenset()
    preambles: dict[Key, tuple[str, ...]] = field(default_factory=dict)
    tails: dict[Key, tuple[str, ...]] = field(default_factory=dict)


NO_FAULTS = Planted(pd.DataFrame(columns=list(LISTED)))


class Planter:
    """Changes a copy of the exports and keeps the list."""

    def __init__(self, made: Exports) -> None:
        self.made = {key: rows.copy() for key, rows in made.items()}
        self.listed: list[dict[str, object]] = []
        self.copies: dict[Key, Key] = {}
        self.broken_off: set[Key] = set()
        self.preambles: dict[Key, tuple[str, ...]] = {}
        self.tails: dict[Key, tuple[str, ...]] = {}

    def planted(self) -> Planted:
        """The list in the order of files and lines, with all that is left to the writer."""
        listed = pd.DataFrame(self.listed, columns=list(LISTED))
        order = ["source_file", "source_line", "record_id"]
        listed = listed.sort_values(order, kind="stable", ignore_index=True)
        return Planted(listed, self.copies, frozenset(self.broken_off), self.preambles, self.tails)

    def rows(self, key: Key) -> pd.DataFrame:
        return self.made.get(key, pd.DataFrame())

    def tell(
        self, key: Key, at: int | None, rule: str, what: str, record: str = "", column: str = ""
    ) -> None:
        """Lists a fault in the row at this position, or of the whole file."""
        site, receipt, name, sheet = key
        above = 2 + len(self.preambles.get(key, ()))
        place = f"received/{site}/{receipt}/{name}" + (f"#{sheet}" if sheet else "")
        line = 0 if at is None else at + above
        values = (site, place, line, form_of(key).table, record, column, rule, what)
        self.listed.append(dict(zip(LISTED, values, strict=True)))

    def add(self, key: Key, like: int, rule: str, what: str, column: str | None = None, **cells: str) -> str:
        """A row like the one at a position, under an id of its own, with these cells changed.

        Args:
            column: The contract's column at fault; by default the one of the first changed cell.

        Returns:
            The id of the row; empty where the table is too short for a fault.
        """
        rows = self.rows(key)
        if len(rows) < ENOUGH_ROWS:
            return ""
        changed = rows.iloc[[like]].copy()
        own = f"{PREFIXES[SITES.index(key[0])]}-X{len(self.listed) + 1:04d}"
        for header, text in {rows.columns[0]: own, **cells}.items():
            changed[header] = text
        self.made[key] = pd.concat([rows, changed], ignore_index=True)
        record = str(changed.iloc[0, 0])
        self.tell(key, len(rows), rule, what, record, _column(key, column, cells))
        return record

    def add_stranger(
        self, key: Key, like: int, rule: str, what: str, column: str | None = None, **cells: str
    ) -> str:
        """A row about a patient who stands nowhere else, so that no case can be touched by it."""
        form = form_of(key)
        headers = form.headers or {name: name for name in self.rows(key).columns}
        patient = {headers["patient_id"]: f"{PREFIXES[SITES.index(key[0])]}-PX{len(self.listed) + 1:04d}"}
        named = {} if form.table == "operations" else {headers["operation_id"]: ""}
        column = _column(key, column, cells)
        return self.add(key, like, rule, what, column, **{**patient, **named, **cells})

    def change(
        self, key: Key, at: int, rule: str, what: str, column: str | None = None, **cells: str
    ) -> None:
        """Other cells in the row at a position."""
        for header, text in cells.items():
            self.made[key].loc[at, header] = text
        self.tell(key, at, rule, what, str(self.made[key].iloc[at, 0]), _column(key, column, cells))


def _column(key: Key, column: str | None, cells: dict[str, str]) -> str:
    return contract_name(form_of(key), next(iter(cells), "")) if column is None else column


def rows_where(rows: pd.DataFrame, test: Callable[[pd.DataFrame], pd.Series]) -> list[int]:
    """Positions of the rows that pass a test; none of an empty table, which has no columns to test."""
    return [] if rows.empty else [int(at) for at in rows.index[test(rows)]]

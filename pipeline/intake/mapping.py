"""`mappings/<site>.toml`: how a site's own headers and words become the contract's."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from fnmatch import fnmatchcase

from pipeline.handover import Reading
from schemas.exports import ID_COLUMN

#: The site of a row where a column names it (`site_from`); its words may be translated under `values`.
SITE_COLUMN = "site_id"
UNDECLARED = Reading()


@dataclass(frozen=True)
class ShiftedDate:
    """A date that the file gives as a day (`start`) and a number of days after it; both headers as sent."""

    start: str
    plus_days: str


@dataclass(frozen=True)
class Unpivot:
    """One row per listed column: the word of the column goes to `column`, its cell to `value`."""

    column: str
    value: str
    of: dict[str, str]


@dataclass(frozen=True)
class TableMapping:
    """One `[[table]]`: which files feed the table, and how. Headers are as sent, compared trimmed."""

    table: str
    file: str = ""
    received_from: date | None = None
    received_until: date | None = None
    columns: dict[str, tuple[str, ...]] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    where: dict[str, tuple[str, ...]] = field(default_factory=dict)
    id_from: tuple[str, ...] = ()
    dates: dict[str, ShiftedDate] = field(default_factory=dict)
    unpivot: Unpivot | None = None
    site_from: str = ""
    encoding: str = ""
    delimiter: str = ""
    sheet: str = ""
    header_row: int | None = None
    reading: Reading = UNDECLARED

    def claims(self, file_name: str, received_on: date) -> bool:
        """Whether this `[[table]]` speaks of the file; upper and lower case and `.gz` make no difference."""
        name = file_name.lower()
        names = (name, name.removesuffix(".gz"))
        return (
            any(fnmatchcase(each, self.file.lower()) for each in names)
            and (self.received_from is None or received_on >= self.received_from)
            and (self.received_until is None or received_on <= self.received_until)
        )

    @property
    def provided(self) -> frozenset[str]:
        """Contract columns that no header needs to give."""
        made = {*self.constants, *self.dates}
        if self.id_from:
            made.add(ID_COLUMN[self.table])
        if self.unpivot:
            made |= {self.unpivot.column, self.unpivot.value}
        return frozenset(made)

    @property
    def other_headers(self) -> tuple[str, ...]:
        """Headers that are read but are no column of the table themselves."""
        shifted = [header for each in self.dates.values() for header in (each.start, each.plus_days)]
        pivoted = list(self.unpivot.of) if self.unpivot else []
        site = [self.site_from] if self.site_from else []
        return tuple(dict.fromkeys([*self.where, *self.id_from, *shifted, *pivoted, *site]))


@dataclass(frozen=True)
class Mapping:
    """A site's mapping. `named` is how messages call its file, whether or not it exists yet."""

    named: str
    tables: tuple[TableMapping, ...] = ()
    encoding: str = ""
    delimiter: str = ""
    reading: Reading = UNDECLARED

    def contract_form(self, table: str) -> TableMapping:
        """What the name rule applies: the contract's own headers, the site's declarations."""
        return TableMapping(table, encoding=self.encoding, delimiter=self.delimiter, reading=self.reading)

    def claiming(self, file_name: str, received_on: date) -> tuple[TableMapping, ...]:
        """Every `[[table]]` that speaks of the file, in the order of the mapping."""
        return tuple(each for each in self.tables if each.claims(file_name, received_on))

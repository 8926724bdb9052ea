"""`mappings/<site>.toml`: how a site's own headers and words become the contract's."""

from __future__ import annotations

import codecs
from collections.abc import Mapping as Lookup
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from fnmatch import fnmatchcase
from pathlib import Path

from pipeline.errors import WrongUse, did_you_mean
from pipeline.handover import Reading
from pipeline.toml_reading import TomlTable, read_toml
from schemas.exports import EXPORTS, ID_COLUMN

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


def load_mapping(path: Path) -> Mapping:
    """The mapping of a site, checked; an empty one if the file does not exist.

    Raises:
        WrongUse: Unknown keys, tables or columns, or contradictions, with file, line and a suggestion.
    """
    named = f"{path.parent.name}/{path.name}"
    if not path.exists():
        return Mapping(named)
    toml = read_toml(path)
    toml.require("contract")
    toml.whole("contract", low=1, high=1)
    reading = _reading(toml, Reading())
    site = Mapping(named, (), _encoding(toml), _delimiter(toml), reading)
    site = replace(site, tables=tuple(_table(entry, site) for entry in toml.tables("table")))
    toml.finish()
    return site


def _reading(toml: TomlTable, otherwise: Reading) -> Reading:
    pivot = toml.whole("year_pivot", otherwise.year_pivot, low=0, high=99)
    base = toml.whole("excel_base", otherwise.excel_base)
    if base not in (None, 1900, 1904):
        raise toml.wrong("excel_base", "1900 or 1904.")
    return replace(
        otherwise,
        date_order=toml.text("date_order", otherwise.date_order, among=("DMY", "MDY", "YMD")),
        decimal=toml.text("decimal", otherwise.decimal, among=(",", ".")),
        timezone=_timezone(toml, otherwise.timezone),
        excel_base=base,
        year_pivot=pivot,
        id_scope=toml.text("id_scope", otherwise.id_scope, among=("year",)),
    )


def _timezone(toml: TomlTable, otherwise: str) -> str:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    name = toml.text("timezone", otherwise)
    try:
        if name:
            ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise toml.wrong("timezone", 'a time zone such as "Europe/Dublin".') from None
    return name


def _encoding(toml: TomlTable, otherwise: str = "") -> str:
    name = toml.text("encoding", otherwise)
    try:
        b"x".decode(name or "utf-8", errors="replace")
    except LookupError:
        raise toml.wrong("encoding", 'an encoding such as "utf-8", "cp1252" or "utf-16".') from None
    return codecs.lookup(name).name if name else ""


def _delimiter(toml: TomlTable, otherwise: str = "") -> str:
    found = {"tab": "\t"}.get(toml.text("delimiter", otherwise), toml.text("delimiter", otherwise))
    if found and (len(found) != 1 or not found.isascii() or found in '"\r\n'):
        raise toml.wrong("delimiter", 'one character such as ";", or "tab".')
    return found


def _table(entry: TomlTable, site: Mapping) -> TableMapping:
    entry.require("table", "file")
    table = entry.text("table", among=tuple(EXPORTS))
    reading = _reading(entry, site.reading)
    found = TableMapping(
        table=table,
        file=entry.text("file"),
        received_from=entry.date("received_from"),
        received_until=entry.date("received_until"),
        columns=_lists(entry, "columns", table),
        values=_values(entry, table),
        constants=_constants(entry, table),
        where=_lists(entry, "where"),
        id_from=entry.texts("id_from", lone=True),
        dates=_dates(entry, table),
        unpivot=_unpivot(entry, table),
        site_from=entry.text("site_from"),
        encoding=_encoding(entry, site.encoding),
        delimiter=_delimiter(entry, site.delimiter),
        sheet=entry.text("sheet"),
        header_row=entry.whole("header_row", low=1),
        reading=replace(reading, missing=_lists(entry, "missing", table)),
    )
    entry.finish()
    _refuse_two_origins(entry, found)
    return found


def _refuse_unknown_column(toml: TomlTable, column: str, table: str, also: tuple[str, ...] = ()) -> None:
    known = (*EXPORTS[table].names, *also)
    if column not in known:
        hint = did_you_mean(column, known)
        raise WrongUse(f"{toml.place(column)}: `{column}` is no column of {table}.{hint}")


def _lists(entry: TomlTable, key: str, table: str = "") -> dict[str, tuple[str, ...]]:
    listed = entry.table(key)
    for name in listed.keys if table else ():
        _refuse_unknown_column(listed, name, table)
    return {name: listed.texts(name, lone=True) for name in listed.keys}


def _values(entry: TomlTable, table: str) -> dict[str, dict[str, str]]:
    values = entry.table("values")
    for name in values.keys:
        _refuse_unknown_column(values, name, table, (SITE_COLUMN,))
    return {
        name: {word.strip(): words.text(word) for word in words.keys}
        for name, words in values.named_tables().items()
    }


def _constants(entry: TomlTable, table: str) -> dict[str, str]:
    constants = entry.table("constants")
    for name in constants.keys:
        _refuse_unknown_column(constants, name, table)
    return {name: _as_text(constants, name) for name in constants.keys}


def _as_text(toml: TomlTable, key: str) -> str:
    value = toml.raw(key)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, str | int | float):
        return str(value)
    raise toml.wrong(key, "a text, a number or a date.")


def _dates(entry: TomlTable, table: str) -> dict[str, ShiftedDate]:
    found = {}
    for name, shifted in entry.table("dates").named_tables().items():
        _refuse_unknown_column(entry.table("dates"), name, table)
        shifted.require("from", "plus_days")
        found[name] = ShiftedDate(shifted.text("from"), shifted.text("plus_days"))
        shifted.finish()
    return found


def _unpivot(entry: TomlTable, table: str) -> Unpivot | None:
    if not entry.has("unpivot"):
        return None
    unpivot = entry.table("unpivot")
    unpivot.require("column", "value", "of")
    names = (
        unpivot.text("column", among=EXPORTS[table].names),
        unpivot.text("value", among=EXPORTS[table].names),
    )
    of = unpivot.table("of")
    if not of.keys:
        raise unpivot.wrong("of", 'headers and the word of each: { "FF" = "forward_flexion" }.')
    unpivot.finish()
    return Unpivot(*names, {header: of.text(header) for header in of.keys})


def _refuse_two_origins(entry: TomlTable, found: TableMapping) -> None:
    """A column may come from one place only."""
    pivoted = (found.unpivot.column, found.unpivot.value) if found.unpivot else ()
    made_id = (ID_COLUMN[found.table],) if found.id_from else ()
    origins: Lookup[str, tuple[str, ...]] = {
        "columns": tuple(found.columns),
        "constants": tuple(found.constants),
        "dates": tuple(found.dates),
        "unpivot": pivoted,
        "id_from": made_id,
    }
    seen: dict[str, str] = {}
    for origin, columns in origins.items():
        for column in columns:
            if column in seen:
                raise WrongUse(
                    f"{entry.place(origin)}: `{column}` is given under both `{seen[column]}` and `{origin}`. "
                    "Keep one of them."
                )
            seen[column] = origin

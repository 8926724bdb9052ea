"""`mappings/<site>.toml` read and checked key by key."""

from __future__ import annotations

import codecs
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path

from pipeline.errors import WrongUse, did_you_mean
from pipeline.handover import Reading
from pipeline.intake.mapping import SITE_COLUMN, Mapping, ShiftedDate, TableMapping, Unpivot
from pipeline.intake.mapping_checks import (
    refuse_contradictions,
    refuse_misfit,
    refuse_same_entry_twice,
    refuse_site_scope,
    refuse_unreadable_pattern,
)
from pipeline.toml_reading import TomlTable, read_toml
from schemas.exports import EXPORTS

#: Codecs that are no way of writing text.
_NO_ENCODINGS = ("idna", "punycode", "undefined", "unicode_escape", "raw_unicode_escape")


def load_mapping(path: Path) -> Mapping:
    """The mapping of a site, checked; an empty one if the file does not exist.

    Raises:
        WrongUse: Unknown keys, tables or columns, or contradictions, with file, line and a suggestion.
    """
    named = f"{path.parent.name}/{path.name}"
    if not path.exists():
        return Mapping(named)
    toml = read_toml(path, named)
    toml.require("contract")
    toml.whole("contract", low=1, high=1)
    reading = _reading(toml, Reading())
    site = Mapping(named, (), _encoding(toml), _delimiter(toml), reading)
    entries = toml.tables("table")
    site = replace(site, tables=tuple(_table(entry, site) for entry in entries))
    toml.finish()
    refuse_same_entry_twice(entries, site.tables)
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
    wrong = toml.wrong("encoding", 'an encoding such as "utf-8", "cp1252" or "utf-16".', name)
    try:
        b"x".decode(name or "utf-8", errors="replace")
        found = codecs.lookup(name).name.replace("-", "_") if name else ""
    except (LookupError, ValueError):
        raise wrong from None
    if found in _NO_ENCODINGS:
        raise wrong
    return codecs.lookup(name).name if name else ""


def _delimiter(toml: TomlTable, otherwise: str = "") -> str:
    found = {"tab": "\t"}.get(toml.text("delimiter", otherwise), toml.text("delimiter", otherwise))
    if found and (len(found) != 1 or not found.isascii() or found in '"\r\n'):
        raise toml.wrong("delimiter", 'one character such as ";", or "tab".')
    return found


def _table(entry: TomlTable, site: Mapping) -> TableMapping:
    entry.require("table", "file")
    table = entry.text("table", among=tuple(EXPORTS))
    refuse_unreadable_pattern(entry)
    refuse_site_scope(entry, table)
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
        id_from=_id_from(entry),
        dates=_dates(entry, table),
        unpivot=_unpivot(entry, table),
        site_from=entry.text("site_from").strip(),
        encoding=_encoding(entry, site.encoding),
        delimiter=_delimiter(entry, site.delimiter),
        sheet=entry.text("sheet"),
        header_row=entry.whole("header_row", low=1),
        reading=replace(reading, missing=_lists(entry, "missing", table)),
    )
    entry.finish()
    refuse_contradictions(entry, found)
    return found


def _refuse_unknown_column(toml: TomlTable, column: str, table: str, also: tuple[str, ...] = ()) -> None:
    known = (*EXPORTS[table].names, *also)
    if column not in known:
        hint = did_you_mean(column, known)
        raise WrongUse(f"{toml.place(column)}: `{column}` is no column of {table}.{hint}")


def _lists(entry: TomlTable, key: str, table: str = "") -> dict[str, tuple[str, ...]]:
    """Name → texts. Headers and words of `missing` may not be empty; the words of `where` may."""
    listed = entry.table(key)
    for name in listed.keys if table else ():
        _refuse_unknown_column(listed, name, table)
    return {name: _filled(listed, name, empty_allowed=key == "where") for name in listed.keys}


def _filled(toml: TomlTable, key: str, empty_allowed: bool = False) -> tuple[str, ...]:
    """A text or a list of texts, not empty and without repeats."""
    texts = toml.texts(key, lone=True)
    bare = [text.strip() for text in texts]
    if not bare or not (all(bare) or empty_allowed):
        raise toml.wrong(key, "at least one text that is not empty. Fill it, or take the line out.")
    if len(set(bare)) < len(bare):
        raise toml.wrong(key, "every text once. Take the repeated one out.")
    return texts


def _id_from(entry: TomlTable) -> tuple[str, ...]:
    return _filled(entry, "id_from") if entry.has("id_from") else ()


def _values(entry: TomlTable, table: str) -> dict[str, dict[str, str]]:
    values = entry.table("values")
    for name in values.keys:
        _refuse_unknown_column(values, name, table, (SITE_COLUMN,))
    return {name: _words(words, table, name) for name, words in values.named_tables().items()}


def _words(words: TomlTable, table: str, column: str) -> dict[str, str]:
    """Word of the site → word of the contract; an empty one says that nothing is known."""
    found: dict[str, str] = {}
    for word in words.keys:
        if word.strip() in found:
            raise words.wrong(word, "every word once, blanks around it apart. Take one of them out.")
        found[word.strip()] = words.text(word).strip()
        refuse_misfit(words, word, found[word.strip()], table, column)
    return found


def _constants(entry: TomlTable, table: str) -> dict[str, str]:
    constants = entry.table("constants")
    for name in constants.keys:
        _refuse_unknown_column(constants, name, table)
    return {name: _constant(constants, name, table) for name in constants.keys}


def _constant(constants: TomlTable, name: str, table: str) -> str:
    text = _as_text(constants, name).strip()
    column = EXPORTS[table][name]
    if column.kind == "id" and column.required:
        raise constants.wrong(
            name, "nothing: an id cannot be the same in every row. Name its header under `columns`."
        )
    if not text:
        raise constants.wrong(name, "a word for every row. Fill it, or take the line out.")
    refuse_misfit(constants, name, text, table, name)
    return text


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
        if EXPORTS[table][name].kind != "date":
            raise WrongUse(
                f"{shifted.place()}: `{name}` holds no day. Name a column with days under `dates`."
            )
        shifted.require("from", "plus_days")
        found[name] = ShiftedDate(_header(shifted, "from"), _header(shifted, "plus_days"))
        shifted.finish()
    return found


def _header(toml: TomlTable, key: str) -> str:
    header = toml.text(key).strip()
    if not header:
        raise toml.wrong(key, "a header of the file.")
    return header


def _unpivot(entry: TomlTable, table: str) -> Unpivot | None:
    if not entry.has("unpivot"):
        return None
    unpivot = entry.table("unpivot")
    unpivot.require("column", "value", "of")
    names = EXPORTS[table].names
    column, value = unpivot.text("column", among=names), unpivot.text("value", among=names)
    of = unpivot.table("of")
    if not of.keys or not all(header.strip() for header in of.keys):
        raise unpivot.wrong("of", 'headers and the word of each: { "FF" = "forward_flexion" }.')
    unpivot.finish()
    return Unpivot(column, value, _measures(of, table, column))


def _measures(of: TomlTable, table: str, column: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for header in of.keys:
        word = _header_word(of, header)
        if word in found.values():
            raise of.wrong(header, "a word of its own for each header: ids are made from it.")
        refuse_misfit(of, header, word, table, column)
        found[header] = word
    return found


def _header_word(of: TomlTable, header: str) -> str:
    word = of.text(header).strip()
    if not word:
        raise of.wrong(header, f'a word, such as {{ "{header}" = "flexion" }}.')
    return word

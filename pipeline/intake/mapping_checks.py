"""What a mapping must not say: words that a column does not have, keys that contradict each other."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime

from pipeline.errors import WrongUse, did_you_mean
from pipeline.intake.header import plain
from pipeline.intake.mapping import SITE_COLUMN, TableMapping
from pipeline.intake.read import ENDINGS
from pipeline.toml_reading import TomlTable
from schemas.columns import Column
from schemas.exports import DAY_COLUMN, EXPORTS, ID_COLUMN

_SITE_ID = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
_WHOLE_NUMBER = re.compile(r"[+-]?\d+")
#: Keys that speak of text files only, or of workbooks only.
_OF_TEXT, _OF_WORKBOOK = ("delimiter", "encoding"), ("sheet",)
_WORKBOOKS, _TEXTS = ("xlsx",), ("csv", "txt", "tsv")


def refuse_misfit(toml: TomlTable, key: str, text: str, table: str, column: str) -> None:
    """Raise WrongUse where a word that the mapping gives cannot stand in its column; an empty one may."""
    if not text:
        return
    if column == SITE_COLUMN:
        expected = "" if _SITE_ID.fullmatch(text) else "a site id: letters, digits, _ and -."
    else:
        expected = _expected(EXPORTS[table][column], text)
    if expected:
        raise toml.wrong(key, expected, text)


def _expected(column: Column, text: str) -> str:
    """What the column takes instead of the text; empty if it takes the text."""
    if column.vocabulary:
        listed = f"one of {', '.join(column.vocabulary)}."
        return "" if text in column.vocabulary else listed + did_you_mean(text, column.vocabulary)
    if column.kind == "yes_no":
        return "" if text in ("yes", "no") else "yes or no."
    if column.kind in ("integer", "number"):
        return _expected_number(column, text)
    if column.kind in ("date", "moment"):
        return "" if _is_moment(text, column.kind) else "a day such as 2026-10-31."
    return ""


def _expected_number(column: Column, text: str) -> str:
    kind, form = (
        ("a whole number", _WHOLE_NUMBER) if column.kind == "integer" else ("a number", _PLAIN_NUMBER)
    )
    low, high = column.low, column.high
    limits = f" from {low:g} to {high:g}" if low is not None and high is not None else ""
    in_range = form.fullmatch(text) and (not limits or low <= float(text) <= high)  # type: ignore[operator]
    return "" if in_range or (column.name == "age_years" and text == "90+") else f"{kind}{limits}."


def _is_moment(text: str, kind: str) -> bool:
    try:
        date.fromisoformat(text) if kind == "date" else datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def refuse_unreadable_pattern(entry: TomlTable) -> None:
    """Raise WrongUse where `file` can fit no received file, or a key does not go with its ending."""
    pattern = entry.text("file").strip()
    if not pattern:
        raise entry.wrong("file", 'the name of a file, such as "theatre_log*.csv".')
    if "/" in pattern or "\\" in pattern or pattern in (".", ".."):
        raise entry.wrong("file", "a name without folders: receipts hold files and nothing deeper.")
    if pattern.startswith((".", "~$")):
        raise entry.wrong("file", "a name that is read: those that begin with . or ~$ are passed over.")
    ending = pattern.lower().removesuffix(".gz").rpartition(".")[2] if "." in pattern else "*"
    if not re.search(r"[*?\[\]]", ending) and ending not in ENDINGS:
        raise entry.wrong(
            "file", f"an ending this program reads: {', '.join(ENDINGS)}.{did_you_mean(ending, ENDINGS)}"
        )
    for keys, others, kind in ((_OF_TEXT, _WORKBOOKS, "a text file"), (_OF_WORKBOOK, _TEXTS, "a workbook")):
        for key in keys:
            if entry.has(key) and ending in others:
                raise entry.wrong(key, f"nothing here: only {kind} has one. Take the line out.")


def refuse_site_scope(entry: TomlTable, table: str) -> None:
    """Raise WrongUse where numbers are to start again every year in a table whose rows have no day."""
    if entry.has("id_scope") and table not in DAY_COLUMN:
        raise entry.wrong("id_scope", f"nothing here: rows of {table} have no day. Take the line out.")


def refuse_contradictions(entry: TomlTable, found: TableMapping) -> None:
    """Raise WrongUse where two keys of one `[[table]]` cannot both be meant."""
    if found.received_from and found.received_until and found.received_from > found.received_until:
        raise entry.wrong("received_from", "a day not after `received_until`; no receipt fits both.")
    _refuse_two_origins(entry, found)
    _refuse_two_roles(entry, found)
    _refuse_idle_words(entry, found)


def _origins(found: TableMapping) -> Iterator[tuple[str, str]]:
    """(key, column) of every column that the mapping gives."""
    yield from (("columns", column) for column in found.columns)
    yield from (("constants", column) for column in found.constants)
    yield from (("dates", column) for column in found.dates)
    if found.unpivot:
        yield from (("unpivot", column) for column in (found.unpivot.column, found.unpivot.value))
    if found.id_from:
        yield "id_from", ID_COLUMN[found.table]


def _refuse_two_origins(entry: TomlTable, found: TableMapping) -> None:
    """A column may come from one place only."""
    seen: dict[str, str] = {}
    for origin, column in _origins(found):
        if column in seen:
            given = (
                f"under both `{seen[column]}` and `{origin}`"
                if seen[column] != origin
                else f"twice under `{origin}`"
            )
            raise WrongUse(f"{entry.place(origin)}: `{column}` is given {given}. Keep one of them.")
        seen[column] = origin


def _refuse_two_roles(entry: TomlTable, found: TableMapping) -> None:
    """A header whose cells become rows of their own is nothing else; a day and its days after are two headers."""
    for column, shifted in found.dates.items():
        if plain(shifted.start) == plain(shifted.plus_days):
            raise WrongUse(
                f"{entry.place('dates')}: `{column}` takes the day and the days after it from one header. "
                "Name two headers."
            )
    pivoted = {plain(header) for header in found.unpivot.of} if found.unpivot else set()
    for key, headers in _other_roles(found).items():
        both = next((header for header in headers if plain(header) in pivoted), None)
        if both is not None:
            raise WrongUse(
                f"{entry.place(key)}: the header `{both}` stands under both `{key}` and `unpivot.of`. Keep one of them."
            )
    asked = [plain(header) for header in found.where]
    if len(set(asked)) < len(asked):
        raise entry.wrong(
            "where", "every header once, upper and lower case alike. Put its words into one list."
        )


def _other_roles(found: TableMapping) -> Mapping[str, Sequence[str]]:
    """Key → headers whose cells a column, an id, a day or the site is made of."""
    return {
        "columns": [header for headers in found.columns.values() for header in headers],
        "id_from": found.id_from,
        "dates": [header for each in found.dates.values() for header in (each.start, each.plus_days)],
        "site_from": [found.site_from],
    }


def _refuse_idle_words(entry: TomlTable, found: TableMapping) -> None:
    """Translations that can never be met."""
    made = {
        column: origin for origin, column in _origins(found) if origin in ("constants", "dates", "id_from")
    }
    if found.unpivot:
        made[found.unpivot.column] = "unpivot"
    for column, words in found.values.items():
        place = entry.table("values").place(column)
        if column in made:
            raise WrongUse(
                f"{place}: `{column}` is given by `{made[column]}`, so there is no word to translate."
            )
        if column == SITE_COLUMN and not found.site_from:
            raise WrongUse(
                f"{place}: sites are only named where `site_from` names their header. Add it, or take this out."
            )
        both = words.keys() & {word.strip() for word in found.reading.missing.get(column, ())}
        if both:
            raise WrongUse(
                f"{place}: `{min(both)}` stands under both `values.{column}` and `missing.{column}`. Keep one of them."
            )


def refuse_same_entry_twice(entries: Sequence[TomlTable], tables: Sequence[TableMapping]) -> None:
    """Raise WrongUse where two `[[table]]` say the very same: every row would be there twice."""
    for at, found in enumerate(tables):
        if found in tables[:at]:
            first = entries[tables.index(found)].place()
            raise WrongUse(
                f"{entries[at].place()}: this [[table]] says the same as the one at {first}. Keep one of them."
            )

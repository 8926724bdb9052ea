"""Text to typed columns, one fault per bad cell.

A bad cell is one that became null but was not. Every difference between a cell and its value is a repair; only
blanks around cells, which change nothing, are told once a column, with how many there were.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import holds_any
from pipeline.handover import Reading
from pipeline.validate import codes, dates, masking, numbers, words
from pipeline.validate.answers import Answers, one_by_one, overlaid, without_fault
from pipeline.validate.written import differences
from schemas.columns import ARROW_TYPES, Column, Table
from schemas.exports import DEFAULTS

if TYPE_CHECKING:
    import pandas as pd

PLACE_COLUMNS = ("joint", "bone")
#: How far beyond its receipt a file may name days: what is booked or planned.
PLANNED_AHEAD_DAYS = 366
#: Kinds whose texts are mostly all different: not worth looking for the distinct ones.
_EACH_ITS_OWN = ("id", "note")
#: Kinds in which a name or an address makes the cell unreadable.
_PSEUDONYMS = ("id", "code", "word", "words")
#: A text without any of these has no blanks around it.
_BLANK_OR_BEYOND_ASCII = bytes([*range(33), *range(127, 256)])
_WRITTEN_MOMENT = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?$"


@dataclass(frozen=True)
class Parsed:
    """Typed columns of one export and what was found on the way.

    Attributes:
        table: All columns of the contract in their Arrow types, row by row as in the export.
        faults: `row, column, rule, value` of cells that could not be read, or whose number stands for missing.
        repairs: `row, column, rule, before, after`.
        blanks: Column → how many of its cells had blanks around them.
        noted: Rule, column and in how many cells, of what is told once a column.
        refusal: Rule for which the whole file is refused, else empty; then `table` has no rows.
    """

    table: pa.Table
    faults: pd.DataFrame
    repairs: pd.DataFrame
    blanks: dict[str, int] = field(default_factory=dict)
    noted: tuple[tuple[str, str, int], ...] = ()
    refusal: str = ""


@dataclass(frozen=True)
class Cells:
    """A column's distinct texts, trimmed: `sent` as they are, `texts` with null for missing.

    `positions` leads from each row to its distinct text; None where every row has its own. `blanks` is the number
    of rows whose cell had blanks around it.
    """

    sent: pa.Array
    texts: pa.Array
    positions: np.ndarray | None
    blanks: int = 0

    def spread(self, values: pa.Array) -> pa.Array:
        return values if self.positions is None else values.take(pa.array(self.positions))

    def rows_where(self, flags: np.ndarray) -> np.ndarray:
        if not flags.any():
            return np.empty(0, dtype=np.int64)
        return np.flatnonzero(flags if self.positions is None else flags[self.positions])

    def distinct_of(self, rows: np.ndarray) -> np.ndarray:
        return rows if self.positions is None else self.positions[rows]


def parsed(
    rows: pa.Table,
    table: Table,
    reading: Reading,
    places: tuple[str, ...],
    day_numbers: bool = False,
    received: date | None = None,
) -> Parsed:
    """Typed columns from the text of one export; absent columns are null, or hold the contract's default.

    Args:
        rows: Text columns named as in the contract; others are left alone.
        table: The contract's description.
        reading: What the site declares about its cells.
        places: Joint and bone words of the catalogue in force.
        day_numbers: The site sends numbers of days in place of days.
        received: Day of receipt; numbers of days far beyond it are no days.
    """
    cells = {
        column.name: _cells(rows[column.name], column, reading)
        for column in table.columns
        if column.name in rows.column_names
    }
    how = _date_reading(cells, table, reading, day_numbers, _last_day(received))
    if how is None:
        return Parsed(_nothing(table), _faults([]), _repairs([]), refusal="date_order_unclear")
    typed: dict[str, pa.Array] = {}
    faults: list[dict[str, object]] = []
    repairs: list[dict[str, object]] = []
    noted: list[tuple[str, str, int]] = []
    for column in table.columns:
        if column.name not in cells:
            typed[column.name] = pa.nulls(rows.num_rows, pa.type_for_alias(ARROW_TYPES[column.kind]))
            continue
        own = cells[column.name]
        answers = _no_person(_answers(own.texts, column, how, places), own.texts, column)
        typed[column.name] = own.spread(answers.values)
        faults.extend(_fault_rows(column.name, own, answers))
        changed = list(_repair_rows(column, own, answers, day_numbers))
        repairs.extend(changed)
        noted.extend(_noted(column, how, typed[column.name], changed))
    for name, word in DEFAULTS.get(table.name, {}).items():
        typed[name] = pc.fill_null(typed[name], word)
    repairs.extend(_spell_codes(typed))
    blanks = {name: own.blanks for name, own in cells.items() if own.blanks}
    return Parsed(pa.table(typed), _faults(faults), _repairs(repairs), blanks, tuple(noted))


def _last_day(received: date | None) -> date:
    """The last day a file of this receipt may speak of: a plan reaches a year ahead."""
    return (
        date(dates.LAST_YEAR, 12, 31) if received is None else received + timedelta(days=PLANNED_AHEAD_DAYS)
    )


def _nothing(table: Table) -> pa.Table:
    return pa.table(
        {column.name: pa.array([], pa.type_for_alias(ARROW_TYPES[column.kind])) for column in table.columns}
    )


def one_chunk(text: pa.ChunkedArray | pa.Array) -> pa.Array:
    """A column as one array of strings."""
    whole = text.combine_chunks() if isinstance(text, pa.ChunkedArray) else text
    whole = pa.concat_arrays(whole.chunks) if isinstance(whole, pa.ChunkedArray) else whole
    return whole.cast(pa.string())


def _cells(text: pa.ChunkedArray, column: Column, reading: Reading) -> Cells:
    whole, positions = one_chunk(text), None
    if column.kind not in _EACH_ITS_OWN:
        encoded = whole.dictionary_encode()
        last = len(encoded.dictionary)
        whole = pa.concat_arrays([encoded.dictionary, pa.nulls(1, pa.string())])
        positions = pc.fill_null(encoded.indices, last).to_numpy(zero_copy_only=False)
    if not holds_any(whole, _BLANK_OR_BEYOND_ASCII):
        sent = pc.if_else(pc.equal(whole, ""), pa.scalar(None, pa.string()), whole)
        return Cells(sent, _known(sent, column, reading), positions)
    trimmed = pc.utf8_trim_whitespace(whole)
    sent = pc.if_else(pc.equal(trimmed, ""), pa.scalar(None, pa.string()), trimmed)
    return Cells(sent, _known(sent, column, reading), positions, _blanks(whole, trimmed, positions))


def _blanks(whole: pa.Array, trimmed: pa.Array, positions: np.ndarray | None) -> int:
    """How many rows have blanks around their text."""
    around = pc.fill_null(pc.not_equal(whole, trimmed), False).to_numpy(zero_copy_only=False)
    if not around.any():
        return 0
    return int(np.count_nonzero(around if positions is None else around[positions]))


def _known(sent: pa.Array, column: Column, reading: Reading) -> pa.Array:
    """The texts with null in place of words that mean that nothing is known."""
    declared = {word.strip().lower() for word in reading.missing.get(column.name, ())}
    usual = words.missing_words(column.name, column.vocabulary) if column.kind != "note" else frozenset()
    missing = sorted(declared | usual)
    if not missing:
        return sent
    says_nothing = pc.is_in(pc.utf8_lower(sent), value_set=pa.array(missing, pa.string()))
    return pc.if_else(says_nothing, pa.scalar(None, pa.string()), sent)


def _date_reading(
    cells: dict[str, Cells], table: Table, reading: Reading, day_numbers: bool, last: date
) -> dates.DateReading | None:
    """How this file's days are read; None where the order of day and month is not clear."""
    named = [
        column.name for column in table.columns if column.kind in ("date", "moment") and column.name in cells
    ]
    texts = {name: [text for text in cells[name].texts.to_pylist() if text] for name in named}
    with_marks = (
        text for column in texts.values() for text in column if "/" in text or "." in text or "-" in text[:3]
    )
    order = dates.order_in(with_marks, reading.date_order)
    if order is None:
        return None
    serials = frozenset(name for name in named if dates.all_serials(texts[name], reading.excel_base, last))
    return dates.DateReading(reading, order, serials, day_numbers)


def _answers(texts: pa.Array, column: Column, how: dates.DateReading, places: tuple[str, ...]) -> Answers:
    """What the distinct texts of a column mean, by its kind."""
    decimal = how.reading.decimal
    if column.name in PLACE_COLUMNS:
        return words.places(texts, places)
    if column.name in codes.SYSTEM_COLUMNS:
        return codes.systems(texts)
    match column.kind:
        case "word":
            return words.words(texts, column.name, column.vocabulary)
        case "words":
            return words.word_lists(texts, column.name, column.vocabulary)
        case "yes_no":
            return words.yes_no(texts)
        case "code":
            return codes.single(texts)
        case "date":
            return one_by_one(
                texts, partial(dates.read_day, how=how, column=column.name), ARROW_TYPES["date"]
            )
        case "moment":
            return _moments(texts, how, column.name)
        case "integer":
            return (numbers.ages if column.name == "age_years" else numbers.whole_numbers)(
                texts, column.name, decimal
            )
        case "number":
            return numbers.numbers(texts, column.name, decimal)
        case _:
            return without_fault(texts)


def _no_person(answers: Answers, texts: pa.Array, column: Column) -> Answers:
    """The answers, with a fault where a pseudonym, code or free word holds a name or an address."""
    if column.vocabulary or column.kind not in _PSEUDONYMS:
        return answers
    points_at_one = masking.masked_by_kind(texts, column.kind).changed
    if not points_at_one.any():
        return answers
    values = pc.if_else(pa.array(points_at_one), pa.scalar(None, answers.values.type), answers.values)
    faults = np.where(points_at_one & (answers.faults == ""), "value_unparsable", answers.faults)
    return Answers(values, faults, np.where(points_at_one, "", answers.repairs))


def _moments(texts: pa.Array, how: dates.DateReading, column: str) -> Answers:
    """Moments; those written plainly are read at once."""
    plain = pc.fill_null(pc.match_substring_regex(texts, _WRITTEN_MOMENT), False)
    try:
        straight = pc.cast(pc.if_else(plain, texts, pa.scalar(None, pa.string())), pa.timestamp("us"))
    except pa.ArrowInvalid:
        plain, straight = pc.and_(plain, False), pa.nulls(len(texts), pa.timestamp("us"))
    odd = np.flatnonzero(pc.and_not(texts.is_valid(), plain).to_numpy(zero_copy_only=False))
    read = partial(dates.read_moment, how=how, column=column)
    above = one_by_one(texts.take(pa.array(odd, pa.int64())), read, ARROW_TYPES["moment"])
    return overlaid(without_fault(straight), odd, above)


def _fault_rows(column: str, cells: Cells, answers: Answers) -> Iterator[dict[str, object]]:
    """Rows of the faults table, one column of it per key."""
    rows = cells.rows_where(answers.faults != "")
    if len(rows):
        distinct = cells.distinct_of(rows)
        yield {
            "row": rows,
            "column": column,
            "rule": answers.faults[distinct],
            "value": _texts(cells.sent, distinct),
        }


def _repair_rows(
    column: Column, cells: Cells, answers: Answers, day_numbers: bool
) -> Iterator[dict[str, object]]:
    """Rows of the repairs table, one column of it per key."""
    found = differences(answers, cells.sent, cells.texts, column, day_numbers)
    rows = cells.rows_where(found.rules != "")
    if len(rows):
        distinct = cells.distinct_of(rows)
        yield {
            "row": rows,
            "column": column.name,
            "rule": found.rules[distinct],
            "before": _texts(cells.sent, distinct),
            "after": _texts(found.after, distinct),
        }


def _noted(
    column: Column, how: dates.DateReading, values: pa.Array, changed: list[dict[str, object]]
) -> Iterator[tuple[str, str, int]]:
    """What the declared zone does to a column: days it moves, and hours of the clock that do not tell the moment."""
    moved = sum(int(np.count_nonzero(each["rule"] == "date_moved_by_zone")) for each in changed)
    if moved:
        yield "days_moved_by_zone", column.name, moved
    unclear = dates.unclear_hours(values, how.reading.timezone) if column.kind == "moment" else 0
    if unclear:
        yield "hour_unclear", column.name, unclear


def _texts(texts: pa.Array, positions: np.ndarray) -> np.ndarray:
    return texts.take(pa.array(positions)).to_numpy(zero_copy_only=False)


def _spell_codes(typed: dict[str, pa.Array]) -> Iterator[dict[str, object]]:
    """Write codes the usual way in place, and say where that changed one."""
    for column, system in codes.SYSTEM_OF.items():
        if column not in typed or system not in typed:
            continue
        written, sent = codes.spelled(typed[column], typed[system]), typed[column]
        changed = np.flatnonzero(
            pc.fill_null(pc.not_equal(written, sent), False).to_numpy(zero_copy_only=False)
        )
        typed[column] = written
        if len(changed):
            before, after = _texts(sent, changed), _texts(written, changed)
            yield {
                "row": changed,
                "column": column,
                "rule": "code_normalised",
                "before": before,
                "after": after,
            }


def _faults(found: list[dict[str, object]]) -> pd.DataFrame:
    return _as_frame(found, ["row", "column", "rule", "value"])


def _repairs(found: list[dict[str, object]]) -> pd.DataFrame:
    return _as_frame(found, ["row", "column", "rule", "before", "after"])


def _as_frame(found: list[dict[str, object]], columns: list[str]) -> pd.DataFrame:
    import pandas as pd

    empty = pd.DataFrame({name: pd.Series(dtype="int64" if name == "row" else "object") for name in columns})
    frames = [pd.DataFrame(one, columns=columns).astype({"column": "object"}) for one in found]
    return pd.concat([empty, *frames], ignore_index=True) if frames else empty

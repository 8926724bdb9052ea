"""Columns of birth dates under any header, told by how long before the record's own day they lie.

Most cells 20 to 110 years before, or as many years before as the patient is old (45 CFR 164.514(b)(2) lists birth
dates; the rules are our own, common practice, no source). Only years are read, so the order of day and month does
not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import Export
from pipeline.validate.looks import FEWEST_CELLS, SHARE_THAT_DECIDES
from pipeline.validate.sight import Cells, Sight, Text, beside_others, drawn_rows
from schemas.columns import Table

LEAST_YEARS, MOST_YEARS = 20, 110
#: Of the rows with an age, so many agree with it within a year; not asked where most are small children.
AGREEING, LEAST_MEDIAN_AGE = 0.8, 4
#: A record's own days lie in years close together; births do not.
SPREAD_OF_BIRTHS = 30
FEWEST_DIFFERENT, DIFFERENT_SHARE = 3, 0.1
#: Days that systems write where they know none.
_NO_DAYS = r"^(?:1899|1900|1901|1753|9999)|(?:1899|1900|1901|9999)$|^1970-01-01|^0?1[./]0?1[./]1970$"
_YEAR_FIRST = r"^(?P<year>(?:1[89]|20)[0-9]{2})[./-]?[0-9]{2}[./-]?[0-9]{2}(?:[ T].*)?$"
_YEAR_LAST = (
    r"^[0-9]{1,2}(?:[./-][0-9]{1,2}[./-]|\.?[ -]?\pL{3,9}\.?,?[ -])(?P<year>[0-9]{4}|[0-9]{2})(?:[ T].*)?$"
)
_MONTH_FIRST = r"^\pL{3,9}\.? [0-9]{1,2}(?:st|nd|rd|th)?,? (?P<year>[0-9]{4})$"
_SERIAL = r"^(?P<serial>[0-9]{4,5})(?:\.0)?$"
_AGE = r"^(?P<n>[0-9]{1,3})\+?$"


@dataclass(frozen=True)
class Beside:
    """What stands beside a column's cells: years of the records' own days and of age, NaN where unknown.

    Both are of evenly drawn rows; `rows` is how many there are in all.
    """

    records: np.ndarray
    ages: np.ndarray
    receipt: int
    rows: int


def beside(export: Export, table: Table, sight: Sight | None = None) -> Beside:
    """Years of the records' own days, of the patients' ages, and of the receipt."""
    rows, receipt = export.rows, export.source.receipt.year
    own = own_day(table)
    unknown = np.full(len(drawn_rows(rows.num_rows)), np.nan)
    records = _years(rows[own], receipt, sight)[0] if own in rows.column_names else unknown
    ages = _numbers(rows["age_years"], sight) if "age_years" in rows.column_names else unknown
    return Beside(records, ages, receipt, rows.num_rows)


def own_day(table: Table) -> str:
    """The column of the day of which a record speaks, empty if its table has none."""
    return next((column.name for column in table.columns if column.kind == "date" and column.required), "")


def are_births(text: Text, near: Beside, sight: Sight | None = None) -> bool:
    """Whether most cells lie as far before the records' own days as birth dates do.

    `text` is row by row beside `near`, or has another number of rows; then the middle year of `near` stands for all.
    """
    years, serial = _years(text, near.receipt, sight)
    cells = beside_others(text)
    filled = pc.fill_null(pc.not_equal(cells, ""), False).to_numpy(zero_copy_only=False)
    known = ~np.isnan(years) & filled
    if known.sum() < max(FEWEST_CELLS, SHARE_THAT_DECIDES * filled.sum()):
        return False
    different = len(pc.unique(cells.filter(pa.array(known))))
    if different < max(FEWEST_DIFFERENT, DIFFERENT_SHARE * known.sum()):
        return False
    beside_each = near.rows == len(text)
    records = near.records if beside_each else np.full(len(years), _middle(near))
    records = np.where(np.isnan(records), _middle(near), records)
    before = (records - years)[known]
    old = np.mean((before >= LEAST_YEARS) & (before <= MOST_YEARS)) >= SHARE_THAT_DECIDES
    return bool((old and not serial) or (beside_each and _as_old_as(before, near.ages[known])))


def _middle(near: Beside) -> float:
    known = near.records[~np.isnan(near.records)]
    return float(np.median(known)) if len(known) else float(near.receipt)


def _as_old_as(before: np.ndarray, ages: np.ndarray) -> bool:
    asked = ~np.isnan(ages)
    if asked.sum() < FEWEST_CELLS or np.median(ages[asked]) < LEAST_MEDIAN_AGE:
        return False
    return bool(np.mean(np.abs(before[asked] - ages[asked]) <= 1) >= AGREEING)


def spread_like_births(text: Text, receipt: int, sight: Sight | None = None) -> bool:
    """Whether the records' own days are births: decades before the receipt, and decades apart."""
    years = _years(text, receipt, sight)[0]
    known = years[~np.isnan(years)]
    if len(known) < 10:
        return False
    low, middle, high = np.quantile(known, (0.1, 0.5, 0.9))
    return bool(high - low > SPREAD_OF_BIRTHS and receipt - middle >= LEAST_YEARS)


def _years(text: Text, receipt: int, sight: Sight | None) -> tuple[np.ndarray, bool]:
    """The year each drawn cell names, NaN where it names none, and whether the cells are numbers of days."""
    cells = Cells(beside_others(text), sight)
    said = [_numbers_in(cells, pattern, "year") for pattern in (_YEAR_FIRST, _YEAR_LAST, _MONTH_FIRST)]
    years = np.where(np.isnan(said[0]), np.where(np.isnan(said[1]), said[2], said[1]), said[0])
    years = np.where(cells.matches(_NO_DAYS), np.nan, years)
    years = np.where(years < 100, _within_a_century(years, receipt), years)
    serial = bool(len(years)) and bool(np.isnan(years).all())
    if serial:
        years = np.floor(1900 + _numbers_in(cells, _SERIAL, "serial") / 365.25)
    return years, serial


def _numbers_in(cells: Cells, pattern: str, group: str) -> np.ndarray:
    """The number that a named group of a pattern holds in each cell, NaN where it does not fit."""
    found = pc.cast(cells.named(pattern, group), pa.float64())
    return found.to_numpy(zero_copy_only=False).astype(float)


def _within_a_century(two_digits: np.ndarray, receipt: int) -> np.ndarray:
    century = receipt - receipt % 100
    return np.where(century + two_digits > receipt, century - 100 + two_digits, century + two_digits)


def _numbers(text: Text, sight: Sight | None) -> np.ndarray:
    return _numbers_in(Cells(beside_others(text), sight), _AGE, "n")

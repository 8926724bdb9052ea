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
from pipeline.validate.looks import FEWEST_CELLS, MOST_CELLS, SHARE_THAT_DECIDES
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


@dataclass(frozen=True)
class Beside:
    """What stands beside a column's cells: years of the records' own days and of age, NaN where unknown."""

    records: np.ndarray
    ages: np.ndarray
    receipt: int


def beside(export: Export, table: Table) -> Beside:
    """Years of the records' own days, of the patients' ages, and of the receipt."""
    rows, receipt = export.rows, export.source.receipt.year
    own = own_day(table)
    unknown = np.full(rows.num_rows, np.nan)
    records = _years(rows[own], receipt)[0] if own in rows.column_names else unknown
    ages = _numbers(rows["age_years"]) if "age_years" in rows.column_names else unknown
    return Beside(records, ages, receipt)


def own_day(table: Table) -> str:
    """The column of the day of which a record speaks, empty if its table has none."""
    return next((column.name for column in table.columns if column.kind == "date" and column.required), "")


def are_births(text: pa.ChunkedArray | pa.Array, near: Beside) -> bool:
    """Whether most cells lie as far before the records' own days as birth dates do.

    `text` is row by row beside `near`, or has another number of rows; then the middle year of `near` stands for all.
    """
    years, serial = _years(text, near.receipt)
    filled = pc.fill_null(pc.not_equal(text, ""), False).to_numpy(zero_copy_only=False)
    known = ~np.isnan(years) & filled
    if known.sum() < max(FEWEST_CELLS, SHARE_THAT_DECIDES * filled.sum()):
        return False
    different = len(pc.unique(text.filter(pa.array(known))))
    if different < max(FEWEST_DIFFERENT, DIFFERENT_SHARE * min(known.sum(), MOST_CELLS)):
        return False
    beside_each = len(near.records) == len(years)
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


def spread_like_births(text: pa.ChunkedArray | pa.Array, receipt: int) -> bool:
    """Whether the records' own days are births: decades before the receipt, and decades apart."""
    years = _years(text, receipt)[0]
    known = years[~np.isnan(years)]
    if len(known) < 10:
        return False
    low, middle, high = np.quantile(known, (0.1, 0.5, 0.9))
    return bool(high - low > SPREAD_OF_BIRTHS and receipt - middle >= LEAST_YEARS)


def _years(text: pa.ChunkedArray | pa.Array, receipt: int) -> tuple[np.ndarray, bool]:
    """The year each cell names, NaN where it names none, and whether the cells are numbers of days."""
    encoded = pa.chunked_array([text] if isinstance(text, pa.Array) else text.chunks, pa.string())
    encoded = encoded.combine_chunks().dictionary_encode()
    encoded = encoded.combine_chunks() if isinstance(encoded, pa.ChunkedArray) else encoded
    cells = pc.utf8_trim_whitespace(encoded.dictionary)
    cells = pc.if_else(pc.match_substring_regex(cells, _NO_DAYS), pa.scalar(None, pa.string()), cells)
    years = pc.coalesce(
        *(_named(cells, pattern, "year") for pattern in (_YEAR_FIRST, _YEAR_LAST, _MONTH_FIRST))
    )
    of_cells = pc.cast(years, pa.float64()).to_numpy(zero_copy_only=False).astype(float)
    of_cells = np.where(of_cells < 100, _within_a_century(of_cells, receipt), of_cells)
    serial = bool(len(of_cells)) and bool(np.isnan(of_cells).all())
    if serial:
        days = (
            pc.cast(_named(cells, _SERIAL, "serial"), pa.float64())
            .to_numpy(zero_copy_only=False)
            .astype(float)
        )
        of_cells = np.floor(1900 + days / 365.25)
    positions = pc.fill_null(encoded.indices, len(of_cells)).to_numpy(zero_copy_only=False)
    return np.append(of_cells, np.nan)[positions], serial


def _named(cells: pa.Array, pattern: str, group: str) -> pa.Array:
    return pc.struct_field(pc.extract_regex(cells, pattern), group)


def _within_a_century(two_digits: np.ndarray, receipt: int) -> np.ndarray:
    century = receipt - receipt % 100
    return np.where(century + two_digits > receipt, century - 100 + two_digits, century + two_digits)


def _numbers(text: pa.ChunkedArray) -> np.ndarray:
    digits = pc.struct_field(pc.extract_regex(pc.utf8_trim_whitespace(text), r"^(?P<n>[0-9]{1,3})\+?$"), "n")
    return pc.cast(digits, pa.float64()).to_numpy(zero_copy_only=False).astype(float)

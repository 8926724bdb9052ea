"""A date given as a day and a number of days after it."""

from __future__ import annotations

import re
from datetime import date, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

_ISO = re.compile(r"(?P<year>\d{4})-(?P<month>\d{1,2})-(?P<day>\d{1,2})(?:[T ]00:00(?::00(?:\.0+)?)?)?$")
_BY_ORDER = {
    "DMY": re.compile(r"(?P<day>\d{1,2})[./-](?P<month>\d{1,2})[./-](?P<year>\d{4})$"),
    "MDY": re.compile(r"(?P<month>\d{1,2})[./-](?P<day>\d{1,2})[./-](?P<year>\d{4})$"),
    "YMD": re.compile(r"(?P<year>\d{4})[./](?P<month>\d{1,2})[./](?P<day>\d{1,2})$"),
}
_BETWEEN = "\x1f"
_WHOLE = re.compile(r"[+-]?\d{1,7}(?:\.0+)?$")


def _day(text: str, order: str) -> date | None:
    patterns = [_ISO, *([_BY_ORDER[order]] if order else [])]
    found = next((match for match in (pattern.match(text) for pattern in patterns) if match), None)
    try:
        return date(int(found["year"]), int(found["month"]), int(found["day"])) if found else None
    except ValueError:
        return None


def _days(text: str) -> int | None:
    return int(float(text)) if _WHOLE.match(text) else None


def _sum(pair: str, order: str) -> str | None:
    """ISO date; a whole number where the start is a day number; else both texts joined, for the checks to find."""
    start, _, plus_days = pair.partition(_BETWEEN)
    if not start or not plus_days:
        return None
    days, day, number = _days(plus_days), _day(start, order), _days(start)
    if days is None or (day is None and number is None):
        return f"{start} + {plus_days}"
    if day is None:
        return str((number or 0) + days)
    try:
        return (day + timedelta(days)).isoformat()
    except OverflowError:
        return f"{start} + {plus_days}"


def shifted_dates(start: pa.ChunkedArray, plus_days: pa.ChunkedArray, order: str) -> pa.Array:
    """Start plus days, row by row, as text; null where either is empty. Each different pair is added once.

    Args:
        start: Trimmed text: ISO dates, dates in the declared order, or day numbers.
        plus_days: Trimmed text: whole numbers of days.
        order: "DMY", "MDY", "YMD" or empty.
    """
    pairs = pc.binary_join_element_wise(start, plus_days, _BETWEEN, null_handling="emit_null")
    encoded = pc.dictionary_encode(pairs.combine_chunks() if isinstance(pairs, pa.ChunkedArray) else pairs)
    sums = [_sum(pair, order) for pair in encoded.dictionary.to_pylist()]
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False).astype(np.int64)
    return pa.array([*sums, None], pa.string()).take(pa.array(np.where(codes < 0, len(sums), codes)))

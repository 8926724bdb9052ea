"""Days as people and their spreadsheets write them, read only where there is one way to read them."""

from __future__ import annotations

import re
from datetime import date

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
IN_FIGURES = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4})")
WITH_A_NAME = re.compile(r"(\d{1,2})[ .-]*([A-Za-z]{3})[a-z]*[ .,-]*(\d{4})")
MIDNIGHT = re.compile(r"[T ]00:00(:00(\.0+)?)?$")
NO_DAY = "it is not a date such as 2026-10-31."
EITHER_WAY = "day and month cannot be told apart. Write it as 2026-10-31, or with the month's name."


def written_day(text: str) -> tuple[date | None, str]:
    """The day, and what is wrong with it if anything.

    Read are 2026-10-31, also with a midnight behind it; 31 Oct 2026; and figures in which only one of the two can be
    the month, such as 31/10/2026. 09/11/2026 may be two days and is refused.
    """
    plain = MIDNIGHT.sub("", text)
    if figures := IN_FIGURES.fullmatch(plain):
        return _in_figures(*(int(part) for part in figures.groups()))
    if named := WITH_A_NAME.fullmatch(plain):
        month = named[2].lower()
        return _day(int(named[3]), MONTHS.index(month) + 1 if month in MONTHS else 0, int(named[1]))
    try:
        return date.fromisoformat(plain), ""
    except ValueError:
        return None, NO_DAY


def _in_figures(first: int, second: int, year: int) -> tuple[date | None, str]:
    if first <= 12 and second <= 12 and first != second:
        return None, EITHER_WAY
    return _day(year, second, first) if second <= 12 else _day(year, first, second)


def _day(year: int, month: int, day: int) -> tuple[date | None, str]:
    try:
        return date(year, month, day), ""
    except ValueError:
        return None, NO_DAY

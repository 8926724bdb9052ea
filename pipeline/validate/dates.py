"""Days and moments from text.

ISO 8601 is always understood. Everything else is read only as far as the site has declared it, or as far as
the file itself leaves one reading: the order of day and month is never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import cached_property
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import Reading
from pipeline.validate.answers import Answer

#: Days that systems write when they know none (common practice, no source).
DAYS_FOR_MISSING = frozenset({date(1899, 12, 30), date(1899, 12, 31), date(1900, 1, 1), date(9999, 12, 31)})
FIRST_YEAR, LAST_YEAR = 1900, 2200
#: Serial days before this one are numbers of something else.
FIRST_SERIAL_DAY = date(1955, 1, 1)
#: So many different days that the declared order makes impossible, and fewer than `OUTNUMBERED` times as many that need
#: it: the declaration is wrong, or the file is mixed. Fewer than that are slips of single rows (our decision).
CONTRADICTIONS, OUTNUMBERED = 3, 20
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
ORDERS = {"DMY": (0, 1, 2), "MDY": (1, 0, 2), "YMD": (2, 1, 0)}  # place of day, month, year

_CLOCK = r"(?:[T ]+(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s*(?:[AaPp][Mm])?))?"


def _shape(pattern: str) -> re.Pattern[str]:
    """A pattern in which a digit is one of 0 to 9: digits of other scripts are not taken for them."""
    return re.compile(pattern, re.ASCII)


_ISO = _shape(r"(\d{4})-(\d{2})-(\d{2})")
_ISO_MOMENT = _shape(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}(:?\d{2}){0,2}([.,]\d+)?\s*(?P<zone>Z|z|[+-]\d{2}(:?\d{2})?)?"
)
_BASIC = _shape(r"(\d{4})(\d{2})(\d{2})")
_THREE = _shape(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})" + _CLOCK)
_NAMED_DAY_FIRST = _shape(r"(\d{1,2})(?:st|nd|rd|th)?[\s.-]*([A-Za-z]{3,9})\.?[\s,.-]*(\d{4}|\d{2})" + _CLOCK)
_NAMED_MONTH_FIRST = _shape(r"([A-Za-z]{3,9})\.?\s*(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})" + _CLOCK)
_SERIAL = _shape(r"\d{5}(\.\d+)?")
_PARTIAL = _shape(r"\d{4}([-/.]\d{1,2})?|\d{1,2}[-/.]\d{4}|[A-Za-z]{3,9}\.?[\s-]*\d{4}")
_WHOLE = _shape(r"-?\d{1,6}")
_AT_CLOCK = _shape(r"(\d{1,2}):(\d{2})(?::(\d{2}))?(?:\.\d+)?\s*([AaPp])?")


@dataclass(frozen=True)
class DateReading:
    """How the days of one file are read.

    Attributes:
        reading: What the mapping declares.
        order: `DMY`, `MDY`, `YMD`; declared, or the only one the file allows; empty if it was never needed.
        serials: Columns in which plain five-digit numbers are spreadsheet days: those that hold nothing else.
        day_numbers: Whether the site sends numbers of days, counted from 1970-01-01, in place of days.
    """

    reading: Reading
    order: str = ""
    serials: frozenset[str] = frozenset()
    day_numbers: bool = False

    @cached_property
    def zone(self) -> tzinfo | None:
        try:
            return ZoneInfo(self.reading.timezone) if self.reading.timezone else None
        except (ZoneInfoNotFoundError, ValueError):
            return None


def order_in(texts: Iterable[str], declared: str) -> str | None:
    """The order of day and month: declared, or the only one that all `texts` allow; None if that is unclear.

    A declared order is unclear where several clear days contradict it and not many times more need it. Empty where
    no text depends on an order.
    """
    dates = {_three_numbers(text) for text in texts}
    day_first = sum(12 < first <= 31 and 1 <= second <= 12 for first, second, _ in dates)
    month_first = sum(12 < second <= 31 and 1 <= first <= 12 for first, second, _ in dates)
    if declared:
        against, needing = (month_first, day_first) if declared == "DMY" else (day_first, month_first)
        slips = against < CONTRADICTIONS or needing >= against * OUTNUMBERED
        return declared if slips or declared == "YMD" else None
    if day_first and month_first:
        return None
    if day_first or month_first:
        return "DMY" if day_first else "MDY"
    unclear = any(first != second and 1 <= first <= 12 and 1 <= second <= 12 for first, second, _ in dates)
    return None if unclear else ""


def _three_numbers(text: str) -> tuple[int, int, int]:
    """The three numbers of a date that ends in its year, else zeros."""
    found = _THREE.fullmatch(text)
    if not found or len(found[1]) > 2 or len(found[4]) < 2:
        return 0, 0, 0
    return int(found[1]), int(found[3]), int(found[4])


def all_serials(texts: Iterable[str], base: int | None, last: date) -> bool:
    """Whether every text is a number of a day from 1955 to `last`, as in a column of days without their format."""
    days = [_day_of_serial(text, base) if _SERIAL.fullmatch(text) else None for text in texts]
    return all(day is not None and FIRST_SERIAL_DAY <= day <= last for day in days)


def _day_of_serial(text: str, base: int | None) -> date | None:
    """Base 1900 counts from 1899-12-30, for it has a 29 February 1900 that never was; base 1904 from 1904-01-01."""
    first = {1900: date(1899, 12, 30), 1904: date(1904, 1, 1)}.get(base or 0)
    return None if first is None else first + timedelta(days=int(text.split(".")[0]))


def read_day(text: str, how: DateReading, column: str = "") -> Answer:
    """One day from a text that is not blank.

    The value is a `date`. Faults: `date_partial`, `value_unparsable`, `value_code_for_missing`.
    """
    answer = _day(text, how, column)
    if answer.value in DAYS_FOR_MISSING:
        return Answer(fault="value_code_for_missing")
    in_range = isinstance(answer.value, date) and FIRST_YEAR <= answer.value.year <= LAST_YEAR
    if in_range or how.day_numbers or answer.fault:
        return answer
    return Answer(fault="value_unparsable")


def _day(text: str, how: DateReading, column: str) -> Answer:
    if found := _ISO.fullmatch(text):
        return _calendar(found[1], found[2], found[3], repair="")
    if how.day_numbers and _WHOLE.fullmatch(text):
        return Answer(date(1970, 1, 1) + timedelta(days=int(text)))
    if _ISO_MOMENT.fullmatch(text):
        return _day_of_moment(text, how)
    if found := _BASIC.fullmatch(text):
        return _calendar(found[1], found[2], found[3])
    if found := _THREE.fullmatch(text):
        return _three_parts(found[1], found[3], found[4], how)
    if _SERIAL.fullmatch(text):
        return _serial(text, how, column in how.serials)
    return _named(text, how) or Answer(fault="date_partial" if _partial(text) else "value_unparsable")


def _partial(text: str) -> bool:
    found = _PARTIAL.fullmatch(text)
    return bool(found) and (not text[0].isalpha() or text[:3].lower() in MONTHS)


def _calendar(year: str | int, month: str | int, day: str | int, repair: str = "date_reread") -> Answer:
    try:
        return Answer(date(int(year), int(month), int(day)), repair=repair)
    except ValueError:
        return Answer(fault="value_unparsable")


def _three_parts(first: str, second: str, third: str, how: DateReading) -> Answer:
    if len(first) == 4 and len(third) <= 2:
        return _calendar(first, second, third)
    if len(first) > 2 or len(third) not in (2, 4):
        return Answer(fault="value_unparsable")
    if how.order == "YMD" and len(third) == 4:
        return Answer(fault="value_unparsable")
    parts = (first, second, third)
    day, month, year = (parts[place] for place in ORDERS.get(how.order, (0, 1, 2)))
    if not how.order and day != month:
        return Answer(fault="value_unparsable")
    return _with_year(year, month, day, how)


def _with_year(year: str, month: str | int, day: str, how: DateReading) -> Answer:
    if len(year) == 4:
        return _calendar(year, month, day)
    pivot = how.reading.year_pivot
    if pivot is None or len(year) != 2:
        return Answer(fault="value_unparsable")
    return _calendar(whole_year(int(year), pivot), month, day)


def whole_year(year: int, pivot: int) -> int:
    """The four-digit year of a two-digit one: the one in the hundred years that begin with the pivot.

    A pivot below 100 stands for 19xx: with 50, the years 50 to 99 are 1950 to 1999 and 00 to 49 are 2000 to 2049.
    """
    begin = pivot + 1900 if pivot < 100 else pivot
    return begin + (year - begin) % 100


def _named(text: str, how: DateReading) -> Answer | None:
    if found := _NAMED_DAY_FIRST.fullmatch(text):
        day, name, year = found[1], found[2], found[3]
    elif found := _NAMED_MONTH_FIRST.fullmatch(text):
        name, day, year = found[1], found[2], found[3]
    else:
        return None
    month = _month(name)
    return _with_year(year, month, day, how) if month else None


def _month(name: str) -> int:
    """1 to 12 for an English month or its first letters, else 0."""
    full = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ]
    low = name.lower()
    return next(
        (at for at, month in enumerate(full, 1) if month.startswith(low) or low == "sept" == month[:4]), 0
    )


def _serial(text: str, how: DateReading, serials: bool) -> Answer:
    day = _day_of_serial(text, how.reading.excel_base) if serials else None
    return Answer(fault="value_unparsable") if day is None else Answer(day, repair="date_reread")


def _day_of_moment(text: str, how: DateReading) -> Answer:
    moment = _moment(text)
    if moment is None:
        return Answer(fault="value_unparsable")
    if moment.tzinfo is None:
        return Answer(moment.date(), repair="time_dropped")
    if how.zone is None:
        return Answer(fault="date_zone_unstated")
    here = _shifted(moment, how.zone).date()
    return Answer(here, repair="time_dropped" if here == moment.date() else "date_moved_by_zone")


def _shifted(moment: datetime, zone: tzinfo) -> datetime:
    try:
        return moment.astimezone(zone)
    except (OverflowError, ValueError):
        return moment


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text.replace("z", "Z"))
    except ValueError:
        return None


def read_moment(text: str, how: DateReading, column: str = "") -> Answer:
    """One moment from a text that is not blank, as a `datetime` without zone.

    A moment with an offset becomes the clock of the declared zone, or of UTC where none is declared. A day
    alone, or with a clock in a declared order, is understood too.
    """
    moment = _moment(text) if _ISO_MOMENT.fullmatch(text) else None
    if moment is not None and moment.tzinfo is not None:
        return Answer(_shifted(moment, how.zone or UTC).replace(tzinfo=None), repair="date_reread")
    if moment is None:
        answer = read_day(text, how, column)
        if not isinstance(answer.value, date):
            return answer
        clock = _clock(text)
        if clock is None:
            return Answer(fault="value_unparsable")
        return Answer(datetime.combine(answer.value, clock), repair="date_reread")
    if moment.date() in DAYS_FOR_MISSING:
        return Answer(fault="value_code_for_missing")
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        return Answer(fault="value_unparsable")
    return Answer(moment, repair="date_reread")


def _clock(text: str) -> time | None:
    """The clock that follows a day in the text: midnight where none does, None for one that does not exist."""
    found = _AT_CLOCK.search(text)
    if not found:
        return time()
    hour = int(found[1])
    if found[4]:
        hour = hour % 12 + (12 if found[4] in "Pp" else 0) if 1 <= hour <= 12 else 24
    if hour > 23 or int(found[2]) > 59 or int(found[3] or 0) > 59:
        return None
    return time(hour, int(found[2]), int(found[3] or 0))


def unclear_hours(moments: pa.Array, timezone: str) -> int:
    """How many moments lie in an hour that the zone's clock shows twice, or leaves out, when it is put back or forward."""
    if not timezone or moments.null_count == len(moments):
        return 0
    try:
        earlier, later = (
            pc.assume_timezone(moments, timezone, ambiguous=side, nonexistent=side)
            for side in ("earliest", "latest")
        )
    except pa.ArrowInvalid:  # a zone that the system's table lacks
        return 0
    return int(pc.sum(pc.not_equal(earlier, later)).as_py() or 0)

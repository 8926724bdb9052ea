"""What changes from period to period of operation: shares with their intervals, and numbers of cases as bars."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from pipeline.errors import WrongUse
from pipeline.periods import Period, parse_period, period_of
from pipeline.publish import words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.drawing import Scale
from pipeline.publish.markup import joined, listed

LEFT, RIGHT, TOP = 42, 352, 10
#: Older periods are left to the file.
MOST_PERIODS = 48
HOW_TO_READ_SHARES = (
    "A dot: the share of the cases operated on in that period; the line: its interval. A ring: none, or a period of which "
    "some cases cannot be judged yet, so that it will still move (broken line)."
)


@dataclass(frozen=True)
class PeriodShare:
    """One period; fractions.

    Attributes:
        closed: Every case of the period can be judged.
    """

    cases: int
    events: int
    low: float
    high: float
    closed: bool


def named_periods(names: Sequence[str]) -> list[Period]:
    """All periods from the first to the last of these names, also those between them, the latest 48 at most."""
    known = [period for name in names if (period := _period(name)) is not None]
    if not known:
        return []
    last = max(known, key=lambda period: period.first_day)
    first = min(period.first_day for period in known)
    found = [last]
    while found[-1].first_day > first and len(found) < MOST_PERIODS:
        found.append(period_of(last.kind, found[-1].first_day - timedelta(days=1)))
    return found[::-1]


def _period(name: str) -> Period | None:
    """None for what is no period, such as that of a site without days."""
    try:
        return parse_period(name)
    except WrongUse:
        return None


def share_chart(
    name: str, title: str, periods: Sequence[Period], shares: Mapping[str, PeriodShare], highest: float
) -> str:
    """The share of each period with its interval.

    Args:
        name: Unique on its page.
        title: What is counted after what.
        periods: Along the axis.
        shares: By the period's name; a period without cases has none.
        highest: End of the upright scale.
    """
    bottom = 128
    across, upward = _across(periods), Scale(0, highest, bottom, TOP)
    drawn = [_upright(upward, bottom, percent=True), _below(periods, across, bottom)]
    for number, period in enumerate(periods):
        if (share := shares.get(period.name)) is None:
            continue
        x = across(number)
        sure = share.closed and share.events
        drawn.append(
            drawing.line(
                x,
                upward(share.low),
                x,
                upward(share.high),
                "bar thin" if share.closed else "bar thin open-end",
            )
        )
        drawn.append(drawing.mark(x, upward(share.events / share.cases), "dot" if sure else "hollow"))
    return drawing.picture(name, title, shares_told(periods, shares), bottom + 24, drawn)


#: Gives a number of a year in print as a link: what it is of (`cases`, `events`) and the year.
Linking = Callable[[str, str, int], str]


def _plain(told: str, kind: str, year: int) -> str:
    return told


def shares_told(
    periods: Sequence[Period], shares: Mapping[str, PeriodShare], number: Linking = _plain
) -> str:
    """Each year in words, then the last period that will not move.

    Args:
        number: Leads from numbers of whole years to their cases.
    """
    seen = [(period, shares[period.name]) for period in periods if period.name in shares]
    years: dict[int, list[PeriodShare]] = {}
    for period, share in seen:
        years.setdefault(period.first_day.year, []).append(share)
    said = [joined(f"{year}: ", _of(own, year, number)) for year, own in years.items()]
    still = sum(1 for _, share in seen if not share.closed)
    moving = f"; {words.several(still, 'period', 'periods')} will still move" if still else ""
    return joined("Operated on in ", joined(*said, between="; in "), f"{moving}.") if said else "No case."


def _of(shares: Sequence[PeriodShare], year: int, number: Linking) -> str:
    events, cases = sum(share.events for share in shares), sum(share.cases for share in shares)
    had = number(words.count(events), "events", year) if events else "none"
    return joined(had, " of ", number(words.several(cases, "case", "cases"), "cases", year))


def bar_chart(
    name: str, title: str, periods: Sequence[Period], numbers: Mapping[str, int], highest: float
) -> str:
    """Cases of each period as bars from nought."""
    bottom = 88
    across, upward = _across(periods), Scale(0, highest, bottom, TOP)
    half = max(1.0, min(9.0, 0.38 * (RIGHT - LEFT) / max(1, len(periods))))
    drawn = [_upright(upward, bottom, percent=False), _below(periods, across, bottom)]
    for number, period in enumerate(periods):
        if many := numbers.get(period.name, 0):
            x, y = across(number), upward(many)
            corners = [(x - half, bottom), (x - half, y), (x + half, y), (x + half, bottom)]
            drawn.append(drawing.path(corners, "column", closed=True))
    return drawing.picture(name, title, numbers_told(periods, numbers), bottom + 24, drawn)


def numbers_told(periods: Sequence[Period], numbers: Mapping[str, int], number: Linking = _plain) -> str:
    """Cases by year, and the fewest and most in a period; `number` as in `shares_told`."""
    years: dict[int, int] = {}
    for period in periods:
        years[period.first_day.year] = years.get(period.first_day.year, 0) + numbers.get(period.name, 0)
    said = [joined(number(words.count(many), "cases", year), f" in {year}") for year, many in years.items()]
    each = [numbers.get(period.name, 0) for period in periods]
    if not each:
        return "No case."
    fewest = f"; {words.count(min(each))} to {words.count(max(each))} a {periods[0].kind}."
    return joined("Cases: ", listed(said), fewest)


def _across(periods: Sequence[Period]) -> Scale:
    return Scale(-0.5, max(0.5, len(periods) - 0.5), LEFT, RIGHT)


def _upright(upward: Scale, bottom: float, percent: bool) -> str:
    drawn = []
    for value in drawing.ticks(0, upward.high, 4):
        if not percent and value != int(value):
            continue
        y = upward(value)
        said = f"{100 * value:g}\u00a0%" if percent else words.count(value)
        drawn.append(drawing.line(LEFT, y, RIGHT, y, "axis" if y == bottom else "grid"))
        drawn.append(drawing.words_at(LEFT - 4, y + 3.5, said, "soft", "end"))
    return "".join(drawn)


def _below(periods: Sequence[Period], across: Scale, bottom: float) -> str:
    """Years where they begin, else the first period; a mark for each."""
    drawn, last = [], -1000.0
    for number, period in enumerate(periods):
        begins = number == 0 or period.first_day.year != periods[number - 1].first_day.year
        x = across(number)
        if not begins or x - last < 32:
            continue
        drawn.append(drawing.line(x, bottom, x, bottom + 4, "axis"))
        drawn.append(
            drawing.words_at(
                x, bottom + 16, _label(period, number), "soft", "start" if x < RIGHT - 40 else "end"
            )
        )
        last = x
    return "".join(drawn)


def _label(period: Period, number: int) -> str:
    """`Sep 2024` where the axis begins within a year, else the year."""
    year = str(period.first_day.year)
    if period.kind == "year" or period.first_day.month == 1 or number:
        return year
    return f"{words.MONTHS[period.first_day.month - 1][:3]} {year}"

"""Time to event: the share free of it above, the share that has had it below, who is still observed under both."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.drawing import Scale
from pipeline.publish.markup import joined

if TYPE_CHECKING:
    import pandas as pd

LEFT, RIGHT = 56, 346
FREE, HAD = (24, 84), (112, 192)
DAYS, RISK, HEIGHT = 206, 224, 232
FEW = 10
HOW_TO_READ = (
    "Above: the share without it and alive, from 0 to 100 %. Below: the share that has had it, on its own scale; a death "
    "before it takes the case out, as what can no longer happen. Steps with their limits (thin lines); dotted once fewer "
    f"than {FEW} cases are still observed."
)


@dataclass(frozen=True)
class Curve:
    """One course, lists by row in the order of days."""

    days: list[int]
    at_risk: list[int]
    events: list[int]
    competing: list[int]
    free: list[tuple[float, float, float]]
    had: list[tuple[float, float, float]]

    def at(self, day: int) -> int | None:
        """Row in force on a day; None before the first."""
        rows = [row for row, own in enumerate(self.days) if own <= day]
        return rows[-1] if rows else None

    def observed(self, day: int) -> int:
        """Cases free of it and observed at the beginning of a day."""
        rows = [row for row, own in enumerate(self.days) if own >= day]
        return self.at_risk[rows[0]] if rows else 0


SHARES = ("event_free", "ci_low", "ci_high", "cumulative_incidence", "cif_ci_low", "cif_ci_high")


def curves(rows: pd.DataFrame) -> dict[str, Curve]:
    """Operation → its course.

    Args:
        rows: Of `event_free`, one category.
    """
    ordered = rows.sort_values(["procedure", "day"], kind="stable")
    counts = [ordered[name].astype(int).tolist() for name in ("day", "at_risk", "events", "competing")]
    shares = [ordered[name].astype(float).tolist() for name in SHARES]
    free, had = (list(zip(*each, strict=True)) for each in (shares[:3], shares[3:]))
    found, begin = {}, 0
    for key, own in groupby(ordered["procedure"].tolist()):
        part = slice(begin, begin + len(list(own)))
        day, at_risk, events, competing = (each[part] for each in counts)
        found[str(key)] = Curve(day, at_risk, events, competing, free[part], had[part])
        begin = part.stop
    return found


def curve_chart(name: str, title: str, course: Curve, windows: Sequence[int], highest: float) -> str:
    """Both courses of one procedure and category, with the numbers at risk.

    Args:
        name: Unique on its page.
        title: What is followed after what.
        course: At least one row.
        windows: Days at which the axis is marked and cases are counted.
        highest: Share at which the lower scale ends, so that pictures beside one another can be compared.
    """
    across = Scale(0, max(windows), LEFT, RIGHT)
    free, had = Scale(0, 1, FREE[1], FREE[0]), Scale(0, highest, HAD[1], HAD[0])
    drawn = [_frame(across, free, had, highest), _days(across, course, windows)]
    drawn += _course(course, course.free, across, free)
    drawn += _course(course, course.had, across, had)
    return drawing.picture(name, title, told(course, windows), HEIGHT, drawn)


def highest_share(courses: Sequence[Curve]) -> float:
    """A round end for the scale of what has happened: above all curves, and above most of their limits."""
    values = [row[0] for course in courses for row in course.had if not math.isnan(row[0])]
    limits = [
        row[2]
        for course in courses
        for row, left in zip(course.had, course.at_risk, strict=True)
        if left >= FEW
    ]
    top = max([*values, *(limit for limit in limits if not math.isnan(limit))], default=0.0)
    return min(1.0, drawing.top_of(top, 0.05))


#: Gives a number of a course in print as a link: what it is of (`observed`, `died`) and the day.
Linking = Callable[[str, str, int], str]


def _plain(told: str, kind: str, day: int) -> str:
    return told


def told(course: Curve, windows: Sequence[int], number: Linking = _plain) -> str:
    """The shares at the end of each window, in words.

    Args:
        number: Leads from numbers to their cases.
    """
    died = sum(course.competing)
    said = [
        joined(number(words.several(course.at_risk[0], "case", "cases"), "observed", 0), " at the operation"),
        *(_at(course, day, number) for day in windows),
    ]
    gone = (
        joined(number(words.count(died), "died", max(windows)), " died before it")
        if died
        else "nobody died before it"
    )
    return joined(joined(*said, gone, between="; "), ".")


def _at(course: Curve, day: int, number: Linking) -> str:
    row = course.at(day)
    if row is None or day > course.days[-1]:
        return f"nobody observed to day {words.count(day)}"
    still = joined(number(words.count(course.observed(day)), "observed", day), " still observed")
    share, low, high = course.had[row]
    if not share:
        return joined(f"by day {words.count(day)} none, ", still)
    limits = "" if math.isnan(low) or math.isnan(high) else f" ({words.percents(low, high)})"
    return joined(f"by day {words.count(day)} {words.percent(share)}{limits} have had it, ", still)


def _frame(across: Scale, free: Scale, had: Scale, highest: float) -> str:
    drawn = [
        drawing.words_at(6, 14, "without it and alive", "head"),
        drawing.words_at(6, 104, "has had it", "head"),
    ]
    for scale, marked in ((free, [0.0, 0.5, 1.0]), (had, [0.0, highest / 2, highest])):
        for value in marked:
            y = scale(value)
            drawn.append(drawing.line(LEFT, y, RIGHT, y, "axis" if value == 0 else "grid"))
            drawn.append(drawing.words_at(LEFT - 4, y + 3.5, f"{100 * value:g}\u00a0%", "soft", "end"))
    return "".join(drawn)


def _days(across: Scale, course: Curve, windows: Sequence[int]) -> str:
    """Days along the axis where the windows end, and how many cases are observed there."""
    drawn = [drawing.words_at(6, DAYS, "day", "soft"), drawing.words_at(6, RISK, "at risk", "soft")]
    last = -1000.0
    for day in [0, *windows]:
        x = across(day)
        if x - last < 30:
            continue
        anchor = "end" if x > RIGHT - 10 else "middle"
        drawn.append(drawing.line(x, HAD[1], x, HAD[1] + 4, "axis"))
        drawn.append(drawing.words_at(x, DAYS, words.count(day), "soft", anchor))
        drawn.append(drawing.words_at(x, RISK, words.count(course.observed(day)), "", anchor))
        last = x
    return "".join(drawn)


def _course(
    course: Curve, shares: list[tuple[float, float, float]], across: Scale, upward: Scale
) -> list[str]:
    """The stairs and their limits; dotted on the way to the first row at which few are left, and from there on."""
    drawn = []
    thin = next((row for row, left in enumerate(course.at_risk) if left < FEW), len(course.days) + 1) - 1
    for place, kind in ((1, "edge"), (2, "edge"), (0, "curve")):
        known = [row for row in range(len(course.days)) if not math.isnan(shares[row][place])]
        points = [(across(course.days[row]), upward(shares[row][place])) for row in known]
        before = [point for point, row in zip(points, known, strict=True) if row <= thin]
        after = [point for point, row in zip(points, known, strict=True) if row >= thin]
        drawn.append(drawing.path(drawing.steps(before), kind) if len(before) > 1 else "")
        drawn.append(drawing.path(drawing.steps(after), f"{kind} few") if len(after) > 1 else "")
    return drawn

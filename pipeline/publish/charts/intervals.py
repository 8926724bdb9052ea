"""Intervals below one another on one axis: shares, differences of shares in percentage points, or ratios."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.publish.charts import drawing
from pipeline.publish.charts.drawing import Scale

LEFT, RIGHT = 6, 354
ROW, LINE, HEADING, AXIS = 34, 13, 24, 30
NOWHERE = float("nan")
SHARE, POINTS, RATIO = "share", "points", "ratio"
LEAST_TOP = 0.1
#: Ratios are drawn on a logarithmic axis between these at most.
LOWEST_RATIO, HIGHEST_RATIO = 0.1, 10.0


@dataclass(frozen=True)
class Interval:
    """One row of the plot; fractions, or ratios.

    Attributes:
        label: What the row is of.
        value, low, high: nan where there is none.
        said: Short words at the right, such as `2 of 21`.
        told: The row in words, for those who do not see the picture.
        reach: How far the value could go if all lost cases had it; nan: not drawn.
        kind: Mark of the value, see `drawing.MARKS`; `cross` for figures of others.
        heading: Stands above the first row that has it.
    """

    label: str
    value: float = NOWHERE
    low: float = NOWHERE
    high: float = NOWHERE
    said: str = ""
    told: str = ""
    reach: float = NOWHERE
    kind: str = "dot"
    heading: str = ""


def interval_plot(name: str, title: str, rows: Sequence[Interval], unit: str = SHARE, axis: str = "") -> str:
    """The drawn rows, in the order given.

    Args:
        name: Unique on its page.
        title: What the picture is of.
        rows: At least one.
        unit: `share` from 0, `points` around 0, or `ratio` around 1 on a logarithmic axis.
        axis: What the axis counts, in words.
    """
    scale, marked = _axis(rows, unit)
    marks, y = [], 4.0
    before = ""
    tops = []
    for row in rows:
        if row.heading != before:
            tops.append(drawing.words_at(LEFT, y + 14, drawing.fitted(row.heading, RIGHT - LEFT), "head"))
            y, before = y + HEADING, row.heading
        label = drawing.two_lines(row.label, RIGHT - LEFT - drawing.room_of(row.said) - 8)
        marks.append(_labels(row, label, y))
        y += LINE * (len(label) - 1)
        marks.append(_marks(row, y + 23, scale, unit))
        y += ROW
    told = "; ".join(row.told or f"{row.label}: {row.said}" for row in rows) + "."
    lines = _lines(marked, scale, y, unit, axis)
    return drawing.picture(name, title, told, y + AXIS, [lines, *tops, *marks])


def _at(value: float, unit: str) -> float:
    """Where a value stands on the axis: ratios by their logarithm."""
    return math.log(min(max(value, LOWEST_RATIO), HIGHEST_RATIO)) if unit == RATIO else value


def _axis(rows: Sequence[Interval], unit: str) -> tuple[Scale, list[float]]:
    """The scale and the values it is marked at."""
    found = [
        value for row in rows for value in (row.value, row.low, row.high, row.reach) if not math.isnan(value)
    ]
    if unit == RATIO:
        marked = [0.1, 0.2, 0.5, 1, 2, 5, 10]
        low = max((m for m in marked if m <= min([0.5, *found])), default=LOWEST_RATIO)
        high = min((m for m in marked if m >= max([2, *found])), default=HIGHEST_RATIO)
        return Scale(math.log(low), math.log(high), LEFT, RIGHT), [m for m in marked if low <= m <= high]
    if unit == POINTS:
        far = drawing.top_of(max((abs(value) for value in found), default=0.0), LEAST_TOP)
        return Scale(-far, far, LEFT, RIGHT), drawing.ticks(-far, far, 6)
    top = min(1.0, drawing.top_of(max(found, default=0.0), LEAST_TOP))
    return Scale(0.0, top, LEFT, RIGHT), drawing.ticks(0.0, top)


def _lines(marked: list[float], scale: Scale, bottom: float, unit: str, axis: str) -> str:
    """Light lines at the marked values with their numbers, and a stronger one where nothing differs."""
    drawn = []
    for number, value in enumerate(marked):
        x = scale(_at(value, unit))
        nought = (unit == POINTS and value == 0) or (unit == RATIO and value == 1)
        drawn.append(drawing.line(x, 0, x, bottom, "nought" if nought else "grid"))
        anchor = "start" if x < LEFT + 8 else "end" if x > RIGHT - 8 else "middle"
        unit_too = number == len(marked) - 1
        drawn.append(drawing.words_at(x, bottom + 12, _number(value, unit, unit_too), "soft", anchor))
    drawn.append(drawing.line(LEFT, bottom, RIGHT, bottom, "axis"))
    if axis:
        drawn.append(drawing.words_at((LEFT + RIGHT) / 2, bottom + 26, axis, "soft", "middle"))
    return "".join(drawn)


def _number(value: float, unit: str, with_unit: bool) -> str:
    if unit == RATIO:
        return f"{value:g}"
    said = f"{100 * value:g}".replace("-", "−")
    if unit == POINTS:
        return ("+" if value > 0 else "") + said
    return f"{said}\u00a0%" if with_unit else said


def _labels(row: Interval, label: Sequence[str], top: float) -> str:
    """What the row is of at the left, short words at the right."""
    told = [drawing.words_at(LEFT, top + 12 + LINE * number, said) for number, said in enumerate(label)]
    return "".join([*told, drawing.words_at(RIGHT, top + 12, row.said, "soft", "end")])


def _marks(row: Interval, y: float, scale: Scale, unit: str) -> str:
    """Value, interval and how far it could go, at one height."""
    drawn = []
    if not (math.isnan(row.reach) or math.isnan(row.value)) and row.reach > row.value:
        drawn.append(drawing.line(scale(_at(row.value, unit)), y, scale(_at(row.reach, unit)), y, "dots"))
        drawn.append(drawing.mark(scale(_at(row.reach, unit)), y, "diamond", "open"))
    if not (math.isnan(row.low) or math.isnan(row.high)):
        drawn.append(_bar(row, y, scale, unit))
    if not math.isnan(row.value):
        drawn.append(drawing.mark(scale(_at(row.value, unit)), y, row.kind))
    return "".join(drawn)


def _bar(row: Interval, y: float, scale: Scale, unit: str) -> str:
    """The interval with its ends; an end beyond the axis is an arrow."""
    low, high = scale(_at(row.low, unit)), scale(_at(row.high, unit))
    kind = "others" if row.kind == "cross" else "bar"
    below, beyond = (unit == RATIO and row.low < LOWEST_RATIO), (unit == RATIO and row.high > HIGHEST_RATIO)
    body = f"M{drawing.place(low)} {drawing.place(y)}H{drawing.place(high)}"
    return f'<path class="{kind}" d="{body}{_end(low, y, 4 if below else 0)}{_end(high, y, -4 if beyond else 0)}"/>'


def _end(x: float, y: float, back: float) -> str:
    """An upright end, or an arrow whose wings lie `back` units inwards."""
    wing = drawing.place(x + back)
    return (
        f"M{wing} {drawing.place(y - 4)}L{drawing.place(x)} {drawing.place(y)}L{wing} {drawing.place(y + 4)}"
    )

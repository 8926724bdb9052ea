"""A running chart: its height case by case with its limit, and below it what was seen less what was expected."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.publish import words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.drawing import Scale

if TYPE_CHECKING:
    import pandas as pd

LEFT, RIGHT = 36, 352
UP, PATH = (24, 98), (124, 190)
LABELS, HEIGHT = 206, 214
#: Points drawn of one chart; of longer ones the highest, lowest and last of each stretch.
MOST_POINTS = 600
ASKS = "asks for a check"
HOW_TO_READ = (
    "One step a case, in the order of operations. Above: rises with each event, the more the less it was expected, and sinks "
    "with each case without; at the dashed limit it asks for a check (triangle) and begins again from 0. Below: events so "
    "far less those expected; level means as expected. Grey ground behind a dotted edge: recent periods of which further "
    "operations cannot be judged yet."
)


@dataclass(frozen=True)
class Running:
    """One chart, arrays by case in order; of very long charts the table holds the cases that tell the turns alone."""

    sequence: np.ndarray
    period: list[str]
    height: np.ndarray
    asks: np.ndarray
    path: np.ndarray
    maturing: np.ndarray
    limit: float

    @property
    def mature(self) -> int:
        """How many cases are of periods that will not grow; the last of each period is always there."""
        settled = np.flatnonzero(~self.maturing)
        return int(self.sequence[settled[-1]]) if len(settled) else 0

    @property
    def drawn(self) -> tuple[np.ndarray, np.ndarray]:
        """Places of the points of height and path: all of them where the table holds the turns alone."""
        if self.sequence[-1] > len(self.sequence):
            every = np.arange(len(self.sequence))
            return every, every
        return thinned(self.height), thinned(self.path)


def runnings(rows: pd.DataFrame, number: str) -> dict[int, Running]:
    """Charts by their number.

    Args:
        rows: Of `monitoring`.
        number: Integer column that tells the charts apart.
    """
    ordered = rows.sort_values([number, "sequence"], kind="stable")
    numbers = ordered[number].to_numpy(np.int64)
    kinds = {"sequence": np.int64, "score": float, "asks_for_check": bool, "observed_minus_expected": float}
    kinds |= {"maturing": bool, "limit": float}
    columns = {name: ordered[name].to_numpy(kind) for name, kind in kinds.items()}
    periods = ordered["period"].astype(str).tolist()
    found, begins = np.unique(numbers, return_index=True)
    ends = [*begins[1:].tolist(), len(numbers)]
    return {
        chart: _running({name: values[begin:end] for name, values in columns.items()}, periods[begin:end])
        for chart, begin, end in zip(found.tolist(), begins.tolist(), ends, strict=True)
    }


def _running(own: Mapping[str, np.ndarray], periods: list[str]) -> Running:
    return Running(
        own["sequence"],
        periods,
        own["score"],
        own["asks_for_check"],
        own["observed_minus_expected"],
        own["maturing"],
        float(own["limit"][0]),
    )


def running_chart(name: str, title: str, chart: Running, told: str) -> str:
    """Height and path, one above the other.

    Args:
        name: Unique on its page.
        title: What is watched where.
        chart: See `runnings`.
        told: What the picture shows, in words.
    """
    across = Scale(0, float(chart.sequence[-1]), LEFT, RIGHT)
    limit = chart.limit if not math.isnan(chart.limit) else 0.0
    upward = Scale(0, drawing.top_of(1.05 * max(limit, float(chart.height.max())), 1.0), UP[1], UP[0])
    low, high = min(0.0, float(chart.path.min())), max(0.0, float(chart.path.max()))
    room = max(0.5, 0.08 * (high - low))
    level = Scale(low - room, high + room, PATH[1], PATH[0])
    drawn = [_maturing(chart, across), _axes(upward, level, limit), _periods(chart, across)]
    drawn += _heights(chart, across, upward)
    kept = chart.drawn[1]
    path = [(across(0.0), level(0.0)), *_points(chart.sequence[kept], chart.path[kept], across, level)]
    drawn.append(drawing.path(path, "curve"))
    return drawing.picture(name, title, told, HEIGHT, drawn)


def thinned(values: np.ndarray) -> np.ndarray:
    """Places of the points drawn, rising: all of them, or first, lowest, highest and last of each stretch."""
    if len(values) <= MOST_POINTS:
        return np.arange(len(values))
    edges = np.linspace(0, len(values), MOST_POINTS // 4 + 1).astype(np.int64)
    found = [
        (begin, begin + int(values[begin:end].argmin()), begin + int(values[begin:end].argmax()), end - 1)
        for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]
    return np.unique(np.array(found))


def _points(x: np.ndarray, y: np.ndarray, across: Scale, upward: Scale) -> list[tuple[float, float]]:
    return [(across(float(one)), upward(float(other))) for one, other in zip(x, y, strict=True)]


def _heights(chart: Running, across: Scale, upward: Scale) -> list[str]:
    """The chart from 0 on, begun again after each check, and a triangle where it asked for one."""
    kept = np.union1d(chart.drawn[0], np.flatnonzero(chart.asks))
    ends = [*(np.flatnonzero(chart.asks) + 1).tolist(), len(chart.height)]
    drawn, begin = [], 0
    for end in ends:
        own = kept[(kept >= begin) & (kept < end)]
        if len(own):
            start = (across(float(chart.sequence[begin - 1] if begin else 0)), upward(0.0))
            points = [start, *_points(chart.sequence[own], chart.height[own], across, upward)]
            drawn.append(drawing.path(points, "curve"))
        begin = end
    for place in np.flatnonzero(chart.asks).tolist():
        x, y = across(float(chart.sequence[place])), upward(float(chart.height[place]))
        drawn.append(drawing.mark(x, y, "triangle"))
    if chart.asks.any():
        x = across(float(chart.sequence[np.flatnonzero(chart.asks)[0]]))
        late = x > (LEFT + RIGHT) / 2
        drawn.append(
            drawing.words_at(x - 7 if late else x + 7, UP[0] - 5, ASKS, "head", "end" if late else "start")
        )
    return drawn


def _maturing(chart: Running, across: Scale) -> str:
    """A pale ground under the cases of periods that are not complete yet."""
    if not chart.maturing.any():
        return ""
    x = min(across(chart.mature + 0.5), RIGHT - 3)
    grounds = [
        drawing.path([(x, top), (RIGHT, top), (RIGHT, bottom), (x, bottom)], "ground", closed=True)
        + drawing.line(x, top, x, bottom, "ground-edge")
        for top, bottom in (UP, PATH)
    ]
    return "".join(grounds)


def _axes(upward: Scale, level: Scale, limit: float) -> str:
    drawn = [
        drawing.words_at(6, 13, "height of the chart", "head"),
        drawing.words_at(6, 117, "seen less expected, cases", "head"),
    ]
    for value in drawing.ticks(0, upward.high, 3):
        drawn.append(_level(upward, value, f"{value:g}", "axis" if value == 0 else "grid"))
    if limit:
        drawn.append(drawing.line(LEFT, upward(limit), RIGHT, upward(limit), "limit inner"))
        drawn.append(drawing.words_at(RIGHT, upward(limit) - 3, "limit", "soft", "end"))
    for value in drawing.ticks(level.low, level.high, 3):
        drawn.append(_level(level, value, f"{value:g}".replace("-", "−"), "nought" if value == 0 else "grid"))
    return "".join(drawn)


def _level(scale: Scale, value: float, said: str, kind: str) -> str:
    y = scale(value)
    return drawing.line(LEFT, y, RIGHT, y, kind) + drawing.words_at(LEFT - 4, y + 3.5, said, "soft", "end")


def _periods(chart: Running, across: Scale) -> str:
    """The first and the last period of operation."""
    first, last = words.period(chart.period[0]), words.period(chart.period[-1])
    said = drawing.words_at(LEFT, LABELS, first, "soft")
    return said + (drawing.words_at(RIGHT, LABELS, last, "soft", "end") if last != first else "")

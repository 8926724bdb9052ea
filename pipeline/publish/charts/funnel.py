"""The funnel: each surgeon's share against the number of cases, between the limits of chance. No names, no order."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from pipeline.chance_steps import INNER, OUTER, chance_steps
from pipeline.publish import words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.drawing import Scale
from pipeline.publish.markup import joined

if TYPE_CHECKING:
    import pandas as pd

LEFT, RIGHT, TOP, BOTTOM = 38, 304, 10, 214
HEIGHT = 250
#: A line of small text.
LINE = 11
#: Below it there is no expected number, no mark and no limit.
FEWEST = 10
#: Limits are worked out at so many numbers of cases at most; between two of them the line keeps its height.
MOST_STEPS = 400
MARKS = {"inside": "hollow", "outside_95": "diamond", "outside_998": "square"}
WHERE = {
    "inside": "inside the limits of chance",
    "outside_95": "beyond the 95 % limit",
    "outside_998": "beyond the 99.8 % limit",
}
HOW_TO_READ = (
    "Each mark is a surgeon, without a name. Dashed steps: what chance alone gives in 95 of 100; full steps: in 998 of "
    "1000; both for patients of the usual mix. Whether a surgeon lies outside is judged by the own patients: circle "
    "inside, diamond beyond the first limit, square beyond the second."
)


def funnel(name: str, title: str, rows: pd.DataFrame) -> str:
    """The picture of one outcome and window.

    Args:
        name: Unique on its page.
        title: What is counted.
        rows: Of `surgeon_outcomes` with an expected number, at least one: named surgeons alone.
    """
    cases, events = rows["cases"].to_numpy(np.int64), rows["events"].to_numpy(np.int64)
    shares = events / cases
    share = usual_share(rows)
    across = Scale(0, drawing.top_of(float(cases.max()), 10), LEFT, RIGHT)
    numbers = case_numbers(int(across.high))
    inner, outer = (chance_steps(share, numbers, confidence) for confidence in (INNER, OUTER))
    at_ten = outer.high[np.searchsorted(numbers, min(int(cases.min()), int(numbers[-1])))]
    upward = Scale(0, min(1.0, drawing.top_of(1.05 * max(shares.max(), at_ten), 0.02)), BOTTOM, TOP)
    drawn = [_axes(across, upward)]
    stairs = [
        _steps(numbers, edge, across, upward.high, kind)
        for steps, kind in ((outer, "limit"), (inner, "limit inner"))
        for edge in (steps.low, steps.high)
    ]
    drawn.append(drawing.inside(LEFT, TOP, RIGHT, BOTTOM, stairs))
    drawn.append(drawing.line(across(0), upward(share), RIGHT, upward(share), "nought"))
    drawn.append(_names_of_lines(upward, share, float(inner.high[-1]), float(outer.high[-1])))
    where = rows["against_limits"].tolist()
    points = zip(cases.tolist(), shares.tolist(), where, strict=True)
    drawn += [drawing.mark(across(n), upward(y), MARKS[word]) for n, y, word in points]
    return drawing.picture(name, title, told(rows), HEIGHT, drawn)


def usual_share(rows: pd.DataFrame) -> float:
    """Events to expect of all these cases together, as a share of them."""
    return float(rows["expected"].sum() / rows["cases"].sum())


def told(rows: pd.DataFrame, number: Callable[[str, str], str] = lambda printed, kind: printed) -> str:
    """What the picture shows, for those who do not see it.

    Args:
        number: Leads from numbers of `cases` and `events` in print to their cases.
    """
    surgeons = len(rows)
    counted = [(word, int((rows["against_limits"] == word).sum())) for word in WHERE]
    where = "; ".join(f"{WHERE[word]}: {words.count(many)}" for word, many in counted)
    events, cases = (number(words.count(int(rows[name].sum())), name) for name in ("events", "cases"))
    return joined(
        f"{words.several(surgeons, 'surgeon', 'surgeons')} with {_from_to(rows['cases'])} cases. ", events, " of ", cases,
        f" cases had it; {words.expected(rows['expected'].sum())}, a share of {words.percent(usual_share(rows))}. Of the "
        f"surgeons, {where}.",
    )  # fmt: skip


def _from_to(cases: pd.Series) -> str:
    fewest, most = words.count(cases.min()), words.count(cases.max())
    return fewest if fewest == most else f"{fewest} to {most}"


def case_numbers(highest: int) -> np.ndarray:
    """Numbers of cases from 10 on, all of them or evenly thinned out, the highest among them."""
    if highest < FEWEST + MOST_STEPS:
        return np.arange(FEWEST, highest + 1)
    return np.unique(np.linspace(FEWEST, highest, MOST_STEPS).round().astype(np.int64))


def _steps(numbers: np.ndarray, edge: np.ndarray, across: Scale, top: float, kind: str) -> str:
    """A limit as stairs: each number of cases has its own height, from half a case before it to half a case after."""
    halves = np.append(numbers[0] - 0.5, (numbers[1:] + numbers[:-1]) / 2)
    heights = BOTTOM - (BOTTOM - TOP) * np.minimum(edge, 2 * top) / top
    corners = [(across(float(n)), float(y)) for n, y in zip(halves, heights, strict=True)]
    return drawing.path([*drawing.steps(corners), (RIGHT, corners[-1][1])], kind)


def _axes(across: Scale, upward: Scale) -> str:
    drawn = []
    for value in drawing.ticks(0, upward.high, 5):
        y = upward(value)
        drawn.append(drawing.line(LEFT, y, RIGHT, y, "grid"))
        drawn.append(drawing.words_at(LEFT - 4, y + 3.5, f"{100 * value:g}\u00a0%", "soft", "end"))
    for value in drawing.ticks(0, across.high, 6):
        drawn.append(drawing.words_at(across(value), BOTTOM + 14, words.count(value), "soft", "middle"))
    drawn.append(drawing.line(LEFT, BOTTOM, RIGHT, BOTTOM, "axis"))
    drawn.append(
        drawing.words_at((LEFT + RIGHT) / 2, BOTTOM + 30, "cases whose window has closed", "soft", "middle")
    )
    return "".join(drawn)


def _names_of_lines(upward: Scale, share: float, inner: float, outer: float) -> str:
    """What the lines are, at their right ends, no closer than a line of text and none below the axis."""
    said = ("99.8\u00a0%", "95\u00a0%", "expected")
    heights, least = [], float(TOP)
    for y in (upward(outer), upward(inner), upward(share)):
        heights.append(max(y, least))
        least = heights[-1] + LINE
    most = float(BOTTOM)
    for place in reversed(range(len(said))):
        heights[place] = min(heights[place], most)
        most = heights[place] - LINE
    return "".join(
        drawing.words_at(RIGHT + 3, y + 3.5, each, "soft") for y, each in zip(heights, said, strict=True)
    )

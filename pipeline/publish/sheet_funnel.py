"""One surgeon's place between the limits of chance; the others are points without a name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.chance_steps import INNER, OUTER, chance_steps
from pipeline.publish import words
from pipeline.publish.charts import drawing

if TYPE_CHECKING:
    import pandas as pd

UNATTRIBUTED = "unattributed"
#: The limits are drawn from so many cases on, at so many numbers of cases at most.
FEWEST, MOST_STEPS = 10, 160


def funnel(rows: pd.DataFrame, surgeon: str, title: str) -> dict[str, Any]:
    """What the template draws: shares from 0 to `top`, numbers of cases from 0 to `most`.

    The limits drawn are those of patients of the usual mix; where a surgeon stands is judged by the own patients.

    Args:
        rows: Of `surgeon_outcomes`, one outcome and window.
        surgeon: Whose point is filled; has an expected number.
        title: Of the picture.
    """
    named = rows[rows["expected"].notna() & (rows["surgeon"] != UNATTRIBUTED)]
    shares = named["events"] / named["cases"]
    usual = float(named["expected"].sum() / named["cases"].sum())
    most = int(named["cases"].max())
    points = [[int(n), float(share)] for n, share in zip(named["cases"], shares, strict=True)]
    own = points.pop((named["surgeon"] == surgeon).to_numpy().argmax())
    inner, outer = (_steps(usual, most, confidence) for confidence in (INNER, OUTER))
    row = named[named["surgeon"] == surgeon].iloc[0]
    highest = max(own[1], outer[-1][2], 3 * usual, *(share for _, share in points))
    top = min(1.0, drawing.top_of(1.1 * highest, 0.02))
    end = drawing.top_of(most, 20)
    return {
        "title": title,
        "alt": _told(row, own, usual, len(points), title),
        "own": own,
        "others": sorted(points),
        "usual": usual,
        "inner": inner,
        "outer": outer,
        "most": end,
        "top": top,
        "shares": [[share, f"{100 * share:g} %"] for share in drawing.ticks(0, top, 5)],
        "numbers": [[number, words.count(number)] for number in drawing.ticks(0, end, 6)],
        "legend": f"With your patients chance alone gives {_by_chance(row)} in 95 of 100; yours is {words.percent(own[1])}.",
    }


def _by_chance(row: pd.Series) -> str:
    """The limits as shares; `no case with it` where both are nought, so few are expected."""
    if not row["limit_95_high"]:
        return f"no case with it ({words.expected(row['expected'])})"
    return words.percents(row["limit_95_low"], row["limit_95_high"])


def _steps(share: float, most: int, confidence: float) -> list[list[float]]:
    """Number of cases, fewest and most events by chance alone as shares of them."""
    import numpy as np

    numbers = np.unique(np.linspace(FEWEST, max(most, FEWEST + 1), MOST_STEPS).round().astype(np.int64))
    steps = chance_steps(share, numbers, confidence)
    return [
        [float(n), float(low), float(high)]
        for n, low, high in zip(numbers, steps.low, steps.high, strict=True)
    ]


def _told(row: pd.Series, own: list[float], usual: float, others: int, title: str) -> str:
    """The picture in words."""
    return (
        f"Funnel. {title}: your share is {words.percent(own[1])} of {words.count(own[0])} cases; the usual share is "
        f"{words.percent(usual)}. Against the limits of your own patients: {words.plain(row['against_limits'])}. "
        f"{words.several(others, 'other surgeon is a point', 'other surgeons are points')} without a name."
    )

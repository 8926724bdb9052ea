"""Lines of `benefit_and_harm`: the figure of each arm, their difference, and what may be said of it.

Each function takes lines of any comparisons and adds the columns `ESTIMATED`, `figure`, `unit`, `method` and `verdict`.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd

from pipeline.estimate.asked import ARMS
from pipeline.estimate.changes import Sums, change_difference, mean_change
from pipeline.estimate.medians import Median, median_of
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.estimate.two_arms import Arms, Estimate, risk_difference
from pipeline.estimate.verdicts import (
    NO_DAYS,
    NO_SPREAD,
    NOT_COMPARED,
    SIDE_BY_SIDE,
    ChangeDifference,
    Difference,
    described,
)
from pipeline.settings import Settings

ESTIMATED = (
    "estimate_a", "a_ci_low", "a_ci_high", "estimate_b", "b_ci_low", "b_ci_high", "difference", "diff_ci_low",
    "diff_ci_high",
)  # fmt: skip


def share_lines(lines: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Shares, with Newcombe's interval of their difference.

    Args:
        lines: `names` of the arms; `events_*`, `n_*`, `unknown_*`; `otherwise_*`, of how many the events are with those
            not known counted the other way; `called`, what a case not known is; `shown`, whether it can occur and is
            defined in both arms; `nothing`, the sentence where an arm has nobody.
        settings: Its interval and confidence.
    """
    found = risk_difference(_arms(lines, "n"), settings.confidence)
    otherwise = risk_difference(_arms(lines, "otherwise"), settings.confidence)
    a, b = (_share(lines, arm, settings) for arm in ARMS)
    each = zip(lines.to_dict("records"), _differences(found), _differences(otherwise), strict=True)
    told = [_share_verdict(line, *both) for line, *both in each]
    columns = _columns(a, b, found, lines["shown"].to_numpy(bool))
    method = f"{settings.interval}; {found.method}"
    return lines.assign(**columns, figure="share", unit="fraction", method=method, verdict=told)


def _arms(lines: pd.DataFrame, whole: str) -> Arms:
    names = ("events_a", f"{whole}_a", "events_b", f"{whole}_b")
    return Arms(*(lines[name].to_numpy(np.int64) for name in names))


def _share(lines: pd.DataFrame, arm: str, settings: Settings) -> Estimate:
    events, number = (lines[f"{name}_{arm}"].to_numpy(np.int64) for name in ("events", "n"))
    limits = proportion_interval(events, number, settings.interval, settings.confidence)
    return Estimate(share_of(events, number), limits.low, limits.high, limits.method)


def _differences(found: Estimate) -> list[Difference | None]:
    """None where there are no limits."""
    ends = zip(found.low.tolist(), found.high.tolist(), strict=True)
    return [None if np.isnan(low) else Difference(low, high) for low, high in ends]


def _share_verdict(line: dict[Hashable, Any], found: Difference | None, otherwise: Difference | None) -> str:
    if not line["shown"]:
        return NOT_COMPARED
    if found is None:
        return str(line["nothing"])
    unknown = line["unknown_a"] + line["unknown_b"]
    a, b = line["names"]
    return described(a, b, found, otherwise, unknown, line["called"])


def _columns(a: Estimate, b: Estimate, found: Estimate, shown: np.ndarray) -> dict[str, np.ndarray]:
    figures = [end for each in (a, b, found) for end in (each.value, each.low, each.high)]
    return {name: np.where(shown, each, np.nan) for name, each in zip(ESTIMATED, figures, strict=True)}


def change_lines(lines: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Mean changes within the patient, with Welch's interval of their difference.

    Args:
        lines: `names` of the arms; `n_*` (cases with both readings), `total_*` and `squares_*` of their changes in whole
            hundredths.
        settings: Its confidence.
    """
    sums_a, sums_b = (
        Sums(*(lines[f"{name}_{arm}"].to_numpy(np.int64) for name in ("n", "total", "squares")))
        for arm in ARMS
    )
    found = change_difference(sums_a, sums_b, settings.confidence)
    a, b = (mean_change(each, settings.confidence) for each in (sums_a, sums_b))
    ends = zip(lines["names"], found.low.tolist(), found.high.tolist(), strict=True)
    told = [
        NO_SPREAD if np.isnan(low) else _change_verdict(names, ChangeDifference(low, high))
        for names, low, high in ends
    ]
    columns = _columns(a, b, found, np.ones(len(lines), dtype=bool))
    method = f"{a.method}; {found.method}"
    return lines.assign(**columns, figure="mean_change", unit="as the measure", method=method, verdict=told)


def _change_verdict(names: tuple[str, str], found: ChangeDifference) -> str:
    return described(*names, found, found, 0)


def day_lines(line: pd.DataFrame, days: tuple[np.ndarray, np.ndarray], settings: Settings) -> pd.DataFrame:
    """The median day of those who came back, side by side; their difference has no interval.

    Args:
        line: One row with `n_*` and whatever else is known of it.
        days: Of the cases of either arm.
        settings: Its confidence.
    """
    a, b = (_as_estimate(median_of(own, settings.confidence)) for own in days)
    nothing = np.array([np.nan])
    columns = _columns(a, b, Estimate(a.value - b.value, nothing, nothing, ""), np.array([True]))
    said = SIDE_BY_SIDE if len(days[0]) and len(days[1]) else NO_DAYS
    return line.assign(**columns, figure="median", unit="days", method="order statistics", verdict=said)


def _as_estimate(found: Median) -> Estimate:
    value, low, high = (np.array([each]) for each in (found.value, found.low, found.high))
    return Estimate(value, low, high, "")

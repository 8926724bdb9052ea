"""The published `courses_compared`: the two arms of the stated comparison over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue, complication_of
from pipeline.counts import WAYS, Cells, Counts
from pipeline.estimate import notes
from pipeline.estimate.curve_readings import medians
from pipeline.estimate.curves import Leaving, curves, leaving
from pipeline.estimate.log_rank import log_rank
from pipeline.handover import Labels
from pipeline.settings import Primary, Settings

ARMS = ("a", "b")
COLUMNS = (
    "among", "arm_a", "arm_b", "category", "until_day", "cases_a", "events_a", "deaths_a", "cases_b", "events_b",
    "deaths_b", "median_a", "median_a_low", "median_a_high", "median_b", "median_b_low", "median_b_high",
    "expected_a", "expected_b", "log_rank", "p_log_rank", "log_rank_within_age", "p_within_age", "primary", "note",
)  # fmt: skip
TESTED = ("expected_a", "expected_b", "log_rank", "p_log_rank", "log_rank_within_age", "p_within_age")


@dataclass(frozen=True)
class _Arms:
    """How cases of both arms leave observation, by arm and age band.

    Attributes:
        counts: Strata are bands of arm a, then bands of arm b.
        bands: How many bands there are, the last for an unknown age.
    """

    counts: Leaving
    bands: int

    @property
    def whole(self) -> Leaving:
        """The two arms, all ages together."""
        own = self.counts
        return leaving(own.stratum // self.bands, own.day, own.event, own.competing, own.censored, len(ARMS))

    def tested(self) -> dict[str, float]:
        """Log-rank of the event, death ending observation; all ages together, and within age bands."""
        arm, band = np.divmod(np.arange(len(ARMS) * self.bands), self.bands)
        one = np.zeros(len(arm), np.int64)
        crude = log_rank(self.counts, one, arm, ("event",))
        within = log_rank(self.counts, one, arm, ("event",), band)
        expected_a, expected_b = crude.expected[0].tolist()
        found = (expected_a, expected_b, crude.statistic[0], crude.p[0], within.statistic[0], within.p[0])
        return dict(zip(TESTED, map(float, found), strict=True))


def courses_compared_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """One row a category of the stated comparison, main levels; tests for the stated category alone.

    Isolated cases of both arms from day 0 to the last window of the category, also those whose window is still open.
    No rows without a stated comparison.
    """
    stated = settings.primary
    if stated is None:
        return pd.DataFrame(columns=list(COLUMNS))
    outcomes = counts.cohort_outcomes
    rows = []
    for category in np.unique(outcomes.category).tolist():
        last = int(outcomes.window_days[outcomes.category == category].max())
        name = labels.categories[category]
        keys = {"among": stated.among, "arm_a": stated.a, "arm_b": stated.b, "category": name}
        can_occur = all(counts.defined[group, category] == 1 for group in _groups(stated, labels))
        way = WAYS.index(complication_of(catalogue, name).seen_in)
        arms = _arms(counts, category, way, last, len(labels.age_bands)) if can_occur else None
        rows.append(
            {**keys, "until_day": last, **_figures(arms, name == stated.category, settings.confidence)}
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _groups(stated: Primary, labels: Labels) -> list[int]:
    """The procedures of the arms; one that no case has is not among the labels."""
    return [labels.groups.index(arm) for arm in (stated.a, stated.b) if arm in labels.groups]


def _arms(counts: Counts, category: int, way: int, last: int, known_bands: int) -> _Arms:
    base = counts.arm_ends.base.where((counts.arm_ends.base.keys["way"] == way).to_numpy())
    keys = counts.arm_ends.moved.keys
    moved = counts.arm_ends.moved.where(((keys["category"] == category) & (keys["level"] == 0)).to_numpy())
    bands = known_bands + 1
    columns = [_columns(cells, bands, last) for cells in (base, moved)]
    stratum, day, event, competing, censored = (np.concatenate(each) for each in zip(*columns, strict=True))
    return _Arms(leaving(stratum, day, event, competing, censored, len(ARMS) * bands), bands)


def _columns(cells: Cells, bands: int, last: int) -> Sequence[np.ndarray]:
    """Stratum, day and counts; what happens after the last day is not seen, observation ends there."""
    arm, band, day = (cells.keys[name].to_numpy(np.int64) for name in ("arm", "age_band", "day"))
    event = cells.statistics.get("event", np.zeros(len(day), np.int64))
    late, everybody = day > last, event + cells["competing"] + cells["censored"]
    return (
        arm * bands + np.where(band < 0, bands - 1, band),
        np.minimum(day, last),
        np.where(late, 0, event),
        np.where(late, 0, cells["competing"]),
        np.where(late, everybody, cells["censored"]),
    )


def _figures(arms: _Arms | None, is_stated: bool, confidence: float) -> dict[str, object]:
    if arms is None:
        return {"primary": is_stated, "note": notes.NOT_COMPARED}
    whole = arms.whole
    half = medians(curves(whole, confidence))
    told: dict[str, object] = {}
    for number, arm in enumerate(ARMS):
        own = whole.stratum == number
        told |= {
            f"cases_{arm}": int(whole.cases[number]),
            f"events_{arm}": int(whole.event[own].sum()),
            f"deaths_{arm}": int(whole.competing[own].sum()),
            f"median_{arm}": half.day[number],
            f"median_{arm}_low": half.low[number],
            f"median_{arm}_high": half.high[number],
        }
    tests = arms.tested() if is_stated else {}
    return {**told, **tests, "primary": is_stated, "note": _note(whole, half.day, tests)}


def _note(whole: Leaving, median: np.ndarray, tests: dict[str, float]) -> str:
    nobody = bool((whole.cases == 0).any())
    untested = bool(tests) and not nobody and np.isnan(tests["log_rank"])
    return notes.together(
        notes.NOBODY_IN_AN_ARM if nobody else "",
        notes.NOTHING_TO_TEST if untested else "",
        notes.HALF_NOT_REACHED if not nobody and np.isnan(median).any() else "",
    )

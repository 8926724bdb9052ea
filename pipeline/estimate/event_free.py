"""The published `event_free`: the course over time, day by day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Counts
from pipeline.estimate.course import ALL, Courses, courses_of
from pipeline.estimate.curve_readings import number_at_risk, read_at
from pipeline.estimate.curves import CAUSES, Leaving, curves
from pipeline.handover import Labels
from pipeline.settings import Settings


def event_free_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> pd.DataFrame:
    """One row a procedure (and all together), category and day on which the curve moves, or day 0, or a window's end.

    Main levels, where the category can occur, as long as someone is at risk. Who leaves is counted from the row's day
    to the day before the next row, so each row's cases less those who leave are the next row's.
    """
    outcomes = counts.cohort_outcomes
    group = np.append(np.unique(counts.cells.keys["group"].to_numpy()), ALL).astype(np.int64)
    parts = (np.zeros(len(group), np.int64), group)
    courses = courses_of(counts.ends, "", parts, counts.defined, outcomes, labels, catalogue)
    categories = np.unique(outcomes.category)
    ends = [np.unique(np.append(outcomes.window_days[outcomes.category == each], 0)) for each in categories]
    frames = []
    listed = [(category, 0) for category in categories.tolist()]
    for several in courses.blocks(listed):
        own = [ends[listed.index(each)] for each in several]
        frames.append(_categories(courses, several, own, settings, labels))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _categories(
    courses: Courses,
    several: Sequence[tuple[int, int]],
    ends: list[np.ndarray],
    settings: Settings,
    labels: Labels,
) -> pd.DataFrame:
    """Rows of some categories, with day 0 and the ends of the windows of each."""
    counted = courses.of_each(several)
    stratum, day = _days(counted, ends, len(courses.group))
    category, part = np.divmod(stratum, len(courses.group))
    names = [labels.categories[each] for each, _ in several]
    read = read_at(curves(counted, settings.confidence), stratum, day)
    leaves = _between(counted, stratum, day)
    return pd.DataFrame(
        {
            "procedure": np.array([*labels.groups, "all"], dtype=object)[courses.group[part]],
            "category": np.array(names, dtype=object)[category],
            "day": day,
            "at_risk": read.at_risk,
            "events": leaves["event"],
            **{cause: leaves[cause] for cause in CAUSES[1:]},
            "event_free": read.event_free.share,
            "ci_low": read.event_free.low,
            "ci_high": read.event_free.high,
            "cumulative_incidence": read.incidence.share,
            "cif_ci_low": read.incidence.low,
            "cif_ci_high": read.incidence.high,
        }
    )


def _days(counted: Leaving, ends: list[np.ndarray], parts: int) -> tuple[np.ndarray, np.ndarray]:
    """Strata and days of the rows, sorted; the strata of a category are its parts, one after the other."""
    moves = counted.event + counted.competing > 0
    part = np.append(
        counted.stratum[moves],
        np.repeat(np.arange(counted.strata), np.repeat([len(each) for each in ends], parts)),
    )
    day = np.append(counted.day[moves], np.concatenate([np.tile(each, parts) for each in ends]))
    rows = np.unique(np.stack([part, day], axis=1), axis=0)
    part, day = rows[:, 0], rows[:, 1]
    watched = number_at_risk(counted, part, day) > 0
    return part[watched], day[watched]


def _between(counted: Leaving, part: np.ndarray, day: np.ndarray) -> dict[str, np.ndarray]:
    """Who leaves from each row's day until before the next row's; every part begins on day 0."""
    span = int(max(counted.day.max(initial=0), day.max(initial=0))) + 1
    row = np.searchsorted(part * span + day, counted.stratum * span + counted.day, side="right") - 1
    found = {cause: np.zeros(len(day), np.int64) for cause in CAUSES}
    for cause, counts in found.items():
        np.add.at(counts, row, getattr(counted, cause))
    return found

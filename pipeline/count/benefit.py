"""What stands beside complications: how many cases, what was tried before, sport, scores. Whole numbers only."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.count.by_arm import arm_counts
from pipeline.counts import Benefit, Cells, summed_counts
from pipeline.handover import NEVER, Cases
from pipeline.settings import Settings
from pipeline.told_after import Changes, Sport, changes_read, sport_told
from schemas.exports import EXPORTS

VOLUME_KEYS = ("period", "group", "age_band", "site")
ELECTIVE = EXPORTS["operations"]["urgency"].vocabulary.index("elective")


def benefit_of(cases: Cases, settings: Settings) -> Benefit:
    """All of it for one partition.

    Args:
        cases: Its frame of cases has `period`, the number of the operation's period.
        settings: Who is compared, and which procedures are expected to be tried without an operation first, how long.
    """
    told, changes = sport_told(cases), changes_read(cases)
    sport, days = _sport_cells(cases, told)
    return Benefit(
        volumes=summed_counts(cases.cases[list(VOLUME_KEYS)], {"cases": np.ones(len(cases.cases), bool)}),
        care=_care_cells(cases, settings),
        sport=sport,
        sport_days=days,
        scores=_score_cells(cases, changes),
        **arm_counts(cases, settings, told, changes),
    )


def _care_cells(cases: Cases, settings: Settings) -> Cells:
    """Elective cases of the procedures for which the settings state how many weeks are expected."""
    wanted = [settings.nonoperative_weeks_expected.get(group, -1) for group in cases.labels.groups]
    expected = np.array([*wanted, -1], np.int64)[cases.cases["group"].to_numpy(np.int64)]
    weeks = cases.cases["nonoperative_weeks"].to_numpy(np.int64)
    own = (expected >= 0) & (cases.cases["urgency"].to_numpy() == ELECTIVE)
    recorded = weeks >= 0
    told = {"elective": own, "recorded": recorded, "reached": recorded & (weeks >= expected)}
    return summed_counts(cases.cases.loc[own, ["group"]], {name: each[own] for name, each in told.items()})


def _sport_cells(cases: Cases, told: Sport) -> tuple[Cells, Cells]:
    """Cases with sport before whose records reach far enough, by their last answer; and days of return."""
    rows, own = cases.cases, told.played
    counts = {"cases": own, "asked": told.asked, "any_return": told.back, "same_or_higher": told.same}
    keys = ["group", "sport_level", *(f"among:{name}" for name in cases.labels.among)]
    dated = told.back & (told.returned < NEVER)
    days = rows.loc[dated, keys].assign(day=told.returned[dated])
    return (
        summed_counts(rows.loc[own, keys], {name: each[own] for name, each in counts.items()}),
        summed_counts(days, {"cases": np.ones(len(days), bool)}),
    )


def _score_cells(cases: Cases, changes: Changes) -> Cells:
    """Readings before and after, and their changes, by group and measure."""
    before, after, change = changes.before, changes.after, changes.change
    group = cases.cases["group"].to_numpy(np.int64)[changes.at]
    return summed_counts(
        pd.DataFrame({"group": group, "measure": changes.measure}),
        {
            "before_n": before.known, "before_sum": before.value, "after_n": after.known, "after_sum": after.value,
            "paired_n": changes.paired, "change_sum": change, "change_squares": change**2,
        },
    )  # fmt: skip

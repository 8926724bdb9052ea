"""Two arms within bands of age: what comparisons, all ages together, get beside their crude figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.counts import Cells
from pipeline.estimate.stratified import HARDLY_OVERLAP, WithinStrata, within_strata
from pipeline.estimate.trend import Trend, trend
from pipeline.estimate.two_arms import Arms
from pipeline.estimate.verdicts import Difference, within_age_said

AGE_BAND = "age_band"
WITHIN_AGE = (
    "adj_risk_difference", "adj_rd_low", "adj_rd_high", "adj_risk_ratio", "adj_rr_low", "adj_rr_high",
    "informative_a", "informative_b", "homogeneity_p",
)  # fmt: skip
#: Why figures are missing: of the adjusted difference, the adjusted ratio, the test of homogeneity.
REASONS = ("no_adj_difference", "no_adj_ratio", "no_homogeneity")
LOST_DECIDE = "Within age bands it depends on how the lost cases are counted."


def counted_arms(cells: Cells, a: np.ndarray, b: np.ndarray, analysis: str) -> Arms:
    """Events and cases of each arm for every outcome, with the lost counted as the analysis says.

    Args:
        cells: Of `Counts`.
        a, b: bool, the cells of each arm.
        analysis: `all_cases`, `followed`, `worst_for_a` or `worst_for_b`.
    """
    events, cases, followed = (
        [cells[name][arm].sum(axis=0) for arm in (a, b)] for name in ("events", "cases", "followed")
    )
    lost = [cases[arm] - followed[arm] for arm in (0, 1)]
    if analysis == "followed":
        cases = followed
    if analysis in ("worst_for_a", "worst_for_b"):
        worst = 0 if analysis == "worst_for_a" else 1
        events = [events[arm] + (lost[arm] if arm == worst else 0) for arm in (0, 1)]
    return Arms(events[0], cases[0], events[1], cases[1])


def arms_by_age(cells: Cells, a: np.ndarray, b: np.ndarray, analysis: str, bands: int) -> Arms:
    """The same by age band, (outcomes, bands + 1); the last are cases of unknown age."""
    band = cells.keys["age_band"].to_numpy()
    each = [
        counted_arms(cells, a & (band == number), b & (band == number), analysis)
        for number in [*range(bands), -1]
    ]
    names = ("events_a", "cases_a", "events_b", "cases_b")
    return Arms(*(np.stack([getattr(arms, name) for arms in each], axis=1) for name in names))


def within_age(strata: Arms, confidence: float) -> dict[str, np.ndarray]:
    """Columns `WITHIN_AGE` and `REASONS` of comparisons by name; missing figures are nan, missing reasons empty.

    Args:
        strata: (comparisons, bands + 1) as `arms_by_age` gives them; cases of unknown age count against overlap.
        confidence: Of the intervals.
    """
    usable = np.arange(strata.cases_a.shape[1]) < strata.cases_a.shape[1] - 1
    found = within_strata(strata, confidence, usable)
    difference, ratio = found.difference, found.ratio
    figures = (
        *(difference.value, difference.low, difference.high, ratio.value, ratio.low, ratio.high),
        *(found.overlap.informative_a, found.overlap.informative_b, found.homogeneity.p),
    )
    return dict(zip((*WITHIN_AGE, *REASONS), (*figures, *_reasons(found)), strict=True))


def _reasons(found: WithinStrata) -> list[np.ndarray]:
    return [each.why.astype(object) for each in (found.difference, found.ratio, found.homogeneity)]


@dataclass(frozen=True)
class Adjusted:
    """The stated comparison within age bands, under one way of counting the lost.

    Attributes:
        difference: None where it cannot be estimated.
        why: The reason why not, else empty.
    """

    difference: Difference | None
    why: str

    @property
    def direction(self) -> int | None:
        return self.difference.direction if self.difference else None


def second_sentence(
    names: tuple[str, str], crude: Difference, followed: Difference | None, all_ages: Adjusted, seen: Adjusted
) -> str:
    """What age bands add to the verdict; empty where it has none that could be added to.

    Like the verdict itself, only what holds for all cases and for followed ones is said of the two arms.

    Args:
        names: Of arms a and b.
        crude, followed: All ages together, over all cases and over followed ones.
        all_ages, seen: Within age bands, over all cases and over followed ones.
    """
    hardly = all_ages.why == HARDLY_OVERLAP
    if not hardly and (followed is None or followed.direction != crude.direction):
        return ""
    if not hardly and all_ages.difference and all_ages.direction != seen.direction:
        return LOST_DECIDE
    return within_age_said(*names, crude, all_ages.difference, hardly)


def trend_said(strata: Arms, names: tuple[str, str], confidence: float) -> str:
    """How the odds change from one age band to the next, in each arm of one comparison.

    Args:
        strata: (1, bands + 1); cases of unknown age are left out.
        names: Of arms a and b.
        confidence: Of the intervals.
    """
    counts = ((strata.events_a, strata.cases_a), (strata.events_b, strata.cases_b))
    found = [trend(events[:, :-1], cases[:, :-1], confidence) for events, cases in counts]
    reasons = [str(each.why[0]) for each in found]
    if reasons[0] == reasons[1] != "":
        return reasons[0]
    told = [
        f"{reason or _factors(each)} with {name}"
        for name, each, reason in zip(names, found, reasons, strict=True)
    ]
    return f"odds from one age band to the next: {', '.join(told)}"


def _factors(found: Trend) -> str:
    low, middle, high = (_factor(float(each[0])) for each in (found.low, found.slope, found.high))
    return f"times {middle} ({low} to {high})"


def _factor(log_odds: float) -> str:
    """A ratio of odds with two digits after the point; far from 1 only that it is."""
    if log_odds > np.log(1000):
        return "over 1000"
    ratio = float(np.exp(log_odds))
    return "under 0.01" if ratio < 0.01 else f"{ratio:.2f}"

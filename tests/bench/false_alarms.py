"""`python tests/bench/false_alarms.py`: how often charts and limits speak up although all is well, by drawing cases.

Seeded. Run lengths of running charts are set beside the exact ones; shares of surgeons beyond limits beside what the
limits promise. Takes some seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.counts import RISK_UNIT
from pipeline.estimate.funnel import funnel_limits
from pipeline.estimate.monitoring import chart, heights, lattice_of
from pipeline.estimate.surgeons import OUTSIDE_998, RiskHistogram, surgeon_figures

SEED = 20261031


@dataclass(frozen=True)
class RunLength:
    """Cases until a chart asks for a check: exact, and the mean of drawn runs with its standard error."""

    mean_risk: float
    times: float
    limit: float
    exact: float
    drawn: float
    error: float


@dataclass(frozen=True)
class Beyond:
    """Share beyond limits of those who differ by chance alone."""

    what: str
    units: int
    at_95: float
    at_998: float


def drawn_run_length(mean_risk: float, times: float, cases: int, wanted: float) -> RunLength:
    """Of a mix of twelve risks around the mean; with `times` 2 the odds of all cases are doubled."""
    draw = np.random.default_rng([SEED, round(10_000 * mean_risk)])
    mix = np.clip(np.rint(RISK_UNIT * mean_risk * draw.gamma(2, 0.5, 12)), 1, RISK_UNIT // 2).astype(np.int64)
    of_mix = chart(np.zeros(12, np.int64), mix, wanted)
    at = draw.integers(0, 12, cases)
    odds = times * mix / (RISK_UNIT - mix)
    outcome = (draw.random(cases) < (odds / (1 + odds))[at]).astype(np.int64)
    lattice = lattice_of(mix / RISK_UNIT)
    limit = round(of_mix.limit / lattice.unit)
    walk = heights(lattice.jump * outcome - lattice.down[at], limit)
    runs = np.diff(np.flatnonzero(walk >= limit), prepend=-1)
    exact = of_mix.run_length if times == 1 else of_mix.run_length_if_real
    error = runs.std(ddof=1) / np.sqrt(len(runs))
    return RunLength(
        float(mix.mean() / RISK_UNIT), times, of_mix.limit, exact, float(runs.mean()), float(error)
    )


def surgeons_beyond(surgeons: int) -> Beyond:
    """Surgeons with 10 to 300 cases of four risks, each event drawn by its risk."""
    draw = np.random.default_rng([SEED, surgeons])
    row = np.repeat(np.arange(surgeons), 4)
    risk = draw.integers(50, 2500, len(row))
    cases = draw.integers(3, 75, len(row))
    events = np.bincount(row, weights=draw.binomial(cases, risk / RISK_UNIT)).astype(np.int64)
    histogram = RiskHistogram(row, risk, cases, surgeons)
    found = surgeon_figures(histogram, events, np.zeros(surgeons, np.int64), np.ones(surgeons, bool), 0.95)
    outside = found.against_limits != "inside"
    return Beyond(
        "surgeons", surgeons, float(outside.mean()), float((found.against_limits == OUTSIDE_998).mean())
    )


def funnel_beyond(units: int, target: float = 0.08) -> Beyond:
    """Units of 10 to 600 cases, all at the target, beyond the interpolated limits of a funnel."""
    draw = np.random.default_rng([SEED, units, 1])
    cases = draw.integers(10, 600, units)
    share = draw.binomial(cases, target) / cases
    inner, outer = (funnel_limits(target, cases, width) for width in (0.95, 0.998))
    beyond = [float(((share < each.low) | (share > each.high)).mean()) for each in (inner, outer)]
    return Beyond("funnel", units, *beyond)


def main() -> None:
    print("mean risk  odds ×  limit   exact   drawn  ± standard error")
    for mean_risk in (0.15, 0.06, 0.02, 0.008):
        for times in (1.0, 2.0):
            one = drawn_run_length(mean_risk, times, 2_000_000, 1000)
            print(
                f"{one.mean_risk:9.4f} {one.times:7.0f} {one.limit:6.2f} {one.exact:7.1f} {one.drawn:7.1f} {one.error:6.1f}"
            )
    print("beyond     units     at 95 %  at 99.8 %")
    for share in (surgeons_beyond(100_000), funnel_beyond(200_000)):
        print(f"{share.what:8} {share.units:8} {share.at_95:10.4f} {share.at_998:10.5f}")


if __name__ == "__main__":
    main()

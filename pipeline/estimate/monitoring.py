"""Running charts over single cases in order: has the risk doubled, beyond what the patients' risks explain?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.counts import RISK_UNIT
from pipeline.estimate.run_length import Steps, lowest_limits, run_length, steps_of

ODDS_RATIO = 2.0
#: A chart is to run for so many cases, on average, before it asks for a check without cause.
WANTED_RUN_LENGTH = 1000
COARSEST = 0.01
#: Lattices are finer where the usual step down would be fewer than so many steps of the coarsest.
FEWEST_STEPS_DOWN = 3
FINER = (1, 2, 5, 10)
#: From so many times finer on, a single limit is asked for before all of them.
FINE = 4
#: One or two events in a row never ask for a check.
FEWEST_EVENTS = 3
#: No limit is looked for beyond.
HIGHEST = 30.0
BLOCK = 4096


@dataclass(frozen=True)
class Lattice:
    """Scores as whole steps, so that the run length can be worked out exactly.

    Attributes:
        unit: Height of a step, 1/100 or a half, fifth or tenth of it.
        jump: Steps that an event adds: the logarithm of the odds ratio.
        down: int [case], at least 1: steps that a case takes away, with or without event.
    """

    unit: float
    jump: int
    down: np.ndarray

    @property
    def least(self) -> int:
        """The lowest limit that may be, in steps: one or two events in a row do not reach it."""
        return (FEWEST_EVENTS - 1) * self.jump + 1

    def sizes(self, outcome: np.ndarray) -> np.ndarray:
        """Steps of cases with these outcomes, 0 or 1."""
        return np.asarray(self.jump * outcome - self.down)


@dataclass(frozen=True)
class Chart:
    """One chart, arrays by case in order.

    Attributes:
        height: After the case; a chart that asks for a check starts again from 0 with the next.
        asks: bool: the case took the chart to its limit.
        seen_less_expected: Running sum of outcome less risk, never set back.
        limit: Height that asks for a check; nan if there are no cases or an event is certain in each.
        run_length: Mean number of cases until a chart of such patients asks for a check by chance alone.
        run_length_if_real: The same once the odds have changed as the chart looks for.
        unit: Of the lattice.
    """

    height: np.ndarray
    asks: np.ndarray
    seen_less_expected: np.ndarray
    limit: float
    run_length: float
    run_length_if_real: float
    unit: float


def scores(risk: np.ndarray, odds_ratio: float = ODDS_RATIO) -> tuple[np.ndarray, np.ndarray]:
    """Log-likelihood ratio with and without event (Steiner et al. 2000, Biostatistics 1:441).

    log R - log(1 - p + R p), and - log(1 - p + R p).

    Args:
        risk: float, p, from 0 to 1.
        odds_ratio: R. Above 1 looks for harm.
    """
    without = -np.log1p((odds_ratio - 1) * risk)
    return np.log(odds_ratio) + without, without


def lattice_of(risk: np.ndarray, odds_ratio: float = ODDS_RATIO) -> Lattice:
    """Scores rounded to 1/100, and finer where risks are so small that rounding would turn the chart.

    A risk of 1.4 % scores -0.0139 without event; as -0.01 the chart would climb although all is well.

    Args:
        risk: float [case], above 0.
        odds_ratio: Above 1.
    """
    without = -scores(risk, odds_ratio)[1]
    usual = without.mean() / COARSEST
    finer = next((times for times in FINER if usual * times >= FEWEST_STEPS_DOWN), FINER[-1])
    steps = finer / COARSEST
    down = np.maximum(1, np.rint(without * steps)).astype(np.int64)
    return Lattice(COARSEST / finer, round(float(np.log(odds_ratio)) * steps), down)


def risk_mix(lattice: Lattice, risk: np.ndarray, odds_times: float = 1.0) -> Steps:
    """The step of a case drawn from those observed.

    Args:
        lattice: Of the cases.
        risk: float [case].
        odds_times: What the odds of every case are multiplied by: 1 while all is well.
    """
    truly = odds_times * risk / (1 - risk + odds_times * risk)
    one = np.ones(len(risk), np.int64)
    sizes = np.concatenate([lattice.sizes(one), lattice.sizes(0 * one)])
    return steps_of(sizes, np.concatenate([truly, 1 - truly]) / len(risk))


def limits_of(mixes: Sequence[Steps], lattices: Sequence[Lattice], wanted: float) -> list[tuple[int, float]]:
    """The lowest limit, in steps, that by chance alone is reached after `wanted` cases or later, and its run length.

    Where events are rare, so that lattices are fine, it mostly is the lowest that may be: that is asked first.

    Args:
        mixes: Of each chart, the steps of one case while all is well.
        lattices: Of its cases; two events in a row stay below the limit.
        wanted: Mean number of cases.
    """
    found: dict[int, tuple[int, float]] = {}
    for at, (steps, lattice) in enumerate(zip(mixes, lattices, strict=True)):
        if lattice.unit < COARSEST / FINE:
            shortest = run_length(steps, lattice.least)
            if wanted <= shortest < np.inf:
                found[at] = lattice.least, shortest
    for unit in sorted({lattice.unit for lattice in lattices}):
        rest = [at for at, lattice in enumerate(lattices) if lattice.unit == unit and at not in found]
        if rest:
            most, least = round(HIGHEST / unit), lattices[rest[0]].least
            found |= zip(rest, lowest_limits([mixes[at] for at in rest], most, wanted, least), strict=True)
    return [found[at] for at in range(len(mixes))]


def chart(
    outcome: np.ndarray, risk: np.ndarray, wanted: float = WANTED_RUN_LENGTH, odds_ratio: float = ODDS_RATIO
) -> Chart:
    """The chart of one procedure, site, category and window: see `charts`."""
    return charts([(outcome, risk)], wanted, odds_ratio)[0]


def charts(
    cases: Sequence[tuple[np.ndarray, np.ndarray]],
    wanted: float = WANTED_RUN_LENGTH,
    odds_ratio: float = ODDS_RATIO,
) -> list[Chart]:
    """The chart of each procedure, site, category and window.

    Args:
        cases: Closed cases of each in the order of their operations: outcome (int [case], 0 or 1) and risk (int [case] in
            1/10,000, from 1 to 10,000).
        wanted: Run length to be had by chance alone, in cases.
        odds_ratio: The change looked for.
    """
    # whoever is certain to have an event tells nothing
    telling = [at for at, (_, risk) in enumerate(cases) if len(risk) and not (risk == RISK_UNIT).all()]
    shares = [cases[at][1] / RISK_UNIT for at in telling]
    lattices = [lattice_of(share, odds_ratio) for share in shares]
    mixes = [risk_mix(lattice, share) for lattice, share in zip(lattices, shares, strict=True)]
    limits = dict(zip(telling, zip(lattices, limits_of(mixes, lattices, wanted), strict=True), strict=True))
    return [
        _drawn(*own, *limits[at], odds_ratio) if at in limits else _untold(*own)
        for at, own in enumerate(cases)
    ]


def _untold(outcome: np.ndarray, risk: np.ndarray) -> Chart:
    path, nothing = np.cumsum(outcome - risk / RISK_UNIT), float("nan")
    return Chart(0.0 * path, np.zeros(len(path), bool), path, nothing, nothing, nothing, COARSEST)


def _drawn(
    outcome: np.ndarray, risk: np.ndarray, lattice: Lattice, lowest: tuple[int, float], odds_ratio: float
) -> Chart:
    share, (limit, length) = risk / RISK_UNIT, lowest
    height = heights(lattice.sizes(outcome), limit)
    return Chart(
        height * lattice.unit,
        height >= limit,
        np.cumsum(outcome - share),
        limit * lattice.unit,
        length,
        run_length(risk_mix(lattice, share, odds_ratio), limit),
        lattice.unit,
    )


def heights(sizes: np.ndarray, limit: int) -> np.ndarray:
    """Height after each case in steps: max(0, height + step); back to 0 after the limit is reached.

    Args:
        sizes: int [case].
        limit: In steps.
    """
    found = np.zeros(len(sizes), np.int64)
    begin = height = 0
    while begin < len(sizes):
        walk = height + np.cumsum(sizes[begin : begin + BLOCK])
        walk -= np.minimum(0, np.minimum.accumulate(walk))
        over = np.flatnonzero(walk >= limit)
        used = int(over[0]) + 1 if len(over) else len(walk)
        found[begin : begin + used] = walk[:used]
        height = 0 if len(over) else int(walk[-1])
        begin += used
    return found


def expected_false_alarms(cases: Iterable[float], run_length: Iterable[float]) -> float:
    """Checks that all charts together ask for by chance alone; charts without a limit ask for none.

    Args:
        cases: Of each chart, in the time asked about.
        run_length: Of each chart, in cases.
    """
    return sum(number / length for number, length in zip(cases, run_length, strict=True) if length == length)

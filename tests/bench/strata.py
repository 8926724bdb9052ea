"""How long intervals take: `python tests/bench/strata.py [--strata 100000]`.

Shares of invented strata with up to 400 cases each, at a risk of 10 %; best of three.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from pipeline.estimate.proportions import proportion_interval
from pipeline.estimate.two_arms import Arms, odds_ratio, risk_difference, risk_ratio


def seconds(work: Callable[[], object]) -> float:
    """Of the quickest of three turns; the first call, which imports, is not counted."""
    found = []
    for _ in range(4):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found[1:])


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--strata", type=int, default=100_000)
    strata = asked.parse_args().strata
    draw = np.random.default_rng(1)
    cases = draw.integers(0, 400, (2, strata))
    events = draw.binomial(cases, 0.1)
    arms = Arms(events[0], cases[0], events[1], cases[1])
    works: dict[str, Callable[[], object]] = {
        "share, Wilson": lambda: proportion_interval(events[0], cases[0], "wilson", 0.95),
        "share, Clopper–Pearson": lambda: proportion_interval(events[0], cases[0], "clopper-pearson", 0.95),
        "difference, Newcombe": lambda: risk_difference(arms, 0.95),
        "ratio, Katz and Koopman": lambda: risk_ratio(arms, 0.95),
        "odds ratio, exact": lambda: odds_ratio(arms, 0.95),
    }
    for name, work in works.items():
        print(f"{name:<24} {strata:>9,} strata {seconds(work):8.3f} s")


if __name__ == "__main__":
    main()

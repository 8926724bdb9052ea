"""What is done with one part of the patients: each function takes what all parts share, then pieces of its own part.

They are plain functions of a module, so that a worker elsewhere can be told which one to call.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.countable import countable_cases

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from pipeline.catalogue import Catalogue
    from pipeline.counts import Cells, Counts, Risks
    from pipeline.handover import Cases, Classified, Facts, Labels, Linked
    from pipeline.lookup import Lookup
    from pipeline.periods import Period
    from pipeline.settings import Settings


@dataclass(frozen=True)
class Rules:
    """What all parts share.

    Attributes:
        until: Calendar day, by site, to which records are complete.
        risks: Expected risks, known in the second pass only.
    """

    look: Lookup
    settings: Settings
    catalogue: Catalogue
    period: Period
    labels: Labels
    until: np.ndarray
    risks: Risks | None = None


def part_linked(rules: Rules, facts: Facts) -> Linked:
    """The cases of a part and what belongs to each."""
    from pipeline.link import linked

    return linked(facts, rules.look, rules.settings, rules.until)


def part_classified(rules: Rules, facts: Facts, chain: Linked) -> Classified:
    """The complications of a part's cases."""
    from pipeline.classify import classified

    return classified(facts, chain, rules.look, rules.settings)


def part_cases(rules: Rules, facts: Facts, chain: Linked, found: Classified) -> Cases:
    """What is counted of them."""
    with_deaths = replace(chain, cases=chain.cases.assign(died=found.died))
    return countable_cases(facts, with_deaths, found, rules.labels, rules.look)


def part_counts(rules: Rules, cases: Cases) -> Counts:
    """Their counts."""
    from pipeline.count import counted

    return counted(cases, rules.settings, rules.catalogue, rules.period)


def part_repeats(rules: Rules, cases: Cases) -> Cells:
    """How much a patient's second case tells of the first."""
    from pipeline.count import repeated_cases

    return repeated_cases(cases, rules.settings, rules.catalogue)


def part_histogram(rules: Rules, cases: Cases) -> pd.DataFrame:
    """Second pass: expected risks of a part's cases, by stratum."""
    from pipeline.count import risk_histogram

    return risk_histogram(cases, rules.settings, rules.catalogue, _known(rules))


def part_chart_cases(rules: Rules, cases: Cases) -> pd.DataFrame:
    """Second pass: a part's cases as running charts want them."""
    from pipeline.count import chart_cases

    return chart_cases(cases, rules.settings, rules.catalogue, _known(rules))


def _known(rules: Rules) -> Risks:
    assert rules.risks is not None, "the second pass needs the first"
    return rules.risks

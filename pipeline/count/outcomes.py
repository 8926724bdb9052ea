"""Which outcomes are counted, and the evidence rows of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.case_evidence import Days, EvidenceRows, earliest, members, positions
from pipeline.catalogue import ANY_COMPLICATION, Catalogue, Complication, complication_of
from pipeline.counts import Outcomes
from pipeline.handover import AWAITING, COUNTED, Cases, Labels
from pipeline.settings import Settings, Window


def all_outcomes(labels: Labels, settings: Settings, catalogue: Catalogue) -> Outcomes:
    """Every category, level and window; windows narrowed where the catalogue narrows them."""
    return _outcomes(
        (category, level, window.days)
        for category, key in enumerate(labels.categories)
        for level in range(len(labels.levels[category]))
        for window in settings.windows
        if _watched(complication_of(catalogue, key), window)
    )


def surgeon_outcomes(labels: Labels, settings: Settings, catalogue: Catalogue) -> Outcomes:
    """The main levels of the few categories and windows that are shown by surgeon."""
    stated = settings.surgeon_tables
    return _outcomes(
        (category, 0, window.days)
        for category, key in enumerate(labels.categories)
        for window in settings.windows
        if key in stated.categories and window.days in stated.windows
        if _watched(complication_of(catalogue, key), window)
    )


def main_outcomes(outcomes: Outcomes) -> Outcomes:
    """Those of main levels only."""
    main = outcomes.level == 0
    return Outcomes(outcomes.category[main], outcomes.level[main], outcomes.window_days[main])


def _watched(complication: Complication, window: Window) -> bool:
    return not complication.windows or window.days in complication.windows


def _outcomes(rows: Iterator[tuple[int, int, int]]) -> Outcomes:
    table = np.array(list(rows), np.int64).reshape(-1, 3)
    return Outcomes(table[:, 0], table[:, 1], table[:, 2])


@dataclass(frozen=True)
class Evidence:
    """What is known of one category and level: counted complications, and those under review."""

    counted: Days
    awaiting: Days


def readings(cases: Cases, catalogue: Catalogue) -> dict[int, np.ndarray]:
    """Positions of the cases with an admissible reading, for each category that is measured."""
    at = positions(cases, cases.assessed["case"].to_numpy())
    category = cases.assessed["category"].to_numpy()
    return {
        number: np.unique(at[category == number])
        for number, key in enumerate(cases.labels.categories)
        if complication_of(catalogue, key).measured
    }


def evidence_for_department(
    rows: EvidenceRows, labels: Labels, catalogue: Catalogue
) -> dict[tuple[int, int], Evidence]:
    """Evidence of every category and level as classified.

    The case-wide category also awaits whatever one of its members awaits: a case whose first counted
    complication lies after a window may have an earlier one under review.
    """
    counted, awaiting = rows.status == COUNTED, rows.status == AWAITING
    member = np.isin(rows.category, members(labels, catalogue)) & (rows.level == 0)
    found = {}
    for category, key in enumerate(labels.categories):
        for level in range(len(labels.levels[category])):
            here = (rows.category == category) & (rows.level == level)
            waits = here | member if key == ANY_COMPLICATION else here
            found[category, level] = _evidence(rows, here & counted, waits & awaiting)
    return found


def _evidence(rows: EvidenceRows, counted: np.ndarray, awaiting: np.ndarray) -> Evidence:
    return Evidence(earliest(*rows.chosen(counted)), earliest(*rows.chosen(awaiting)))

"""Which outcomes are counted, and the evidence rows of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.catalogue import ANY_COMPLICATION, UNPLANNED_RETURN, Catalogue, Complication, complication_of
from pipeline.counts import Outcomes
from pipeline.errors import CannotFinish
from pipeline.handover import AWAITING, COUNTED, NEVER, STRENGTHS, Cases, Labels
from pipeline.settings import Settings, Window

DEFINITE = STRENGTHS.index("definite")


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
class Days:
    """Cases and a day of each: `at` positions in the frame of cases, no case twice; -1 is an unknown day."""

    at: np.ndarray
    day: np.ndarray

    def within(self, closed: np.ndarray, window_days: int) -> Days:
        """Those of closed cases by a window's last day; an unknown day is within every window."""
        kept = closed[self.at] & (self.day <= window_days)
        return Days(self.at[kept], self.day[kept])


@dataclass(frozen=True)
class Evidence:
    """What is known of one category and level: counted complications, and those under review."""

    counted: Days
    awaiting: Days


@dataclass(frozen=True)
class EvidenceRows:
    """The complications of a partition as arrays, `at` being the position of the case among `cases`."""

    at: np.ndarray
    category: np.ndarray
    level: np.ndarray
    day: np.ndarray
    strength: np.ndarray
    status: np.ndarray
    cases: int

    def chosen(self, mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return self.at[mask], self.day[mask]


def evidence_rows(cases: Cases) -> EvidenceRows:
    """Complications with the position of their case; frames of any partition.

    Raises:
        CannotFinish: A complication names a case that is not among the cases.
    """
    rows = cases.complications
    names = ("category", "level", "day", "strength", "status")
    columns = {name: rows[name].to_numpy(np.int64) for name in names}
    return EvidenceRows(at=positions(cases, rows["case"].to_numpy()), **columns, cases=len(cases.cases))


def positions(cases: Cases, wanted: np.ndarray) -> np.ndarray:
    """Where the wanted case numbers stand in the frame of cases."""
    known = cases.cases["case"].to_numpy()
    order = np.argsort(known, kind="stable")
    place = np.searchsorted(known, wanted, sorter=order)
    found = order[np.minimum(place, len(order) - 1)] if len(order) else np.zeros(len(wanted), np.int64)
    if len(wanted) and (not len(order) or not np.array_equal(known[found], wanted)):
        raise CannotFinish(
            "A complication or reading belongs to a case that is not among the cases. "
            "Expected each row's case in the same partition."
        )
    return found


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
    member = np.isin(rows.category, _members(labels, catalogue)) & (rows.level == 0)
    found = {}
    for category, key in enumerate(labels.categories):
        for level in range(len(labels.levels[category])):
            here = (rows.category == category) & (rows.level == level)
            waits = here | member if key == ANY_COMPLICATION else here
            found[category, level] = _evidence(rows, here & counted, waits & awaiting)
    return found


def laid_to_surgeons(rows: EvidenceRows, labels: Labels, catalogue: Catalogue) -> dict[int, Days]:
    """Counted complications by category that a surgeon's results are made of; narrower than the department's.

    Only definite or confirmed complications of the main level, up to and including the day of the first
    unplanned return: what follows it depends on more hands.
    """
    sure = (rows.level == 0) & (rows.status == COUNTED) & (rows.strength >= DEFINITE)
    laid = sure & (rows.day <= _first_return(rows, labels, catalogue)[rows.at])
    member = np.isin(rows.category, _members(labels, catalogue))
    return {
        category: _earliest(
            *rows.chosen(laid & (member if key == ANY_COMPLICATION else rows.category == category))
        )
        for category, key in enumerate(labels.categories)
    }


def _members(labels: Labels, catalogue: Catalogue) -> list[int]:
    """Categories that the case-wide one is made of."""
    keys = enumerate(labels.categories)
    return [at for at, key in keys if key != ANY_COMPLICATION and catalogue.complications[key].in_any]


def _first_return(rows: EvidenceRows, labels: Labels, catalogue: Catalogue) -> np.ndarray:
    """Day of each case's first counted unplanned return; a return of unknown day bounds nothing."""
    proven = [
        at
        for at, key in enumerate(labels.categories)
        if UNPLANNED_RETURN in complication_of(catalogue, key).implied_by
    ]
    known = np.isin(rows.category, proven) & (rows.level == 0) & (rows.status == COUNTED) & (rows.day >= 0)
    first = np.full(rows.cases, int(NEVER), np.int64)
    np.minimum.at(first, *rows.chosen(known))
    return first


def _evidence(rows: EvidenceRows, counted: np.ndarray, awaiting: np.ndarray) -> Evidence:
    return Evidence(_earliest(*rows.chosen(counted)), _earliest(*rows.chosen(awaiting)))


def _earliest(at: np.ndarray, day: np.ndarray) -> Days:
    """One row a case, with its earliest day; an unknown day counts in every window and so comes first."""
    order = np.lexsort((day, at))
    at, day = at[order], day[order]
    first = np.ones(len(at), bool)
    first[1:] = at[1:] != at[:-1]
    return Days(at[first], day[first])

"""Complications of cases as arrays, and what of them is laid to a surgeon: shared by what counts and what lists."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.catalogue import ANY_COMPLICATION, UNPLANNED_RETURN, Catalogue, complication_of
from pipeline.errors import CannotFinish
from pipeline.handover import COUNTED, NEVER, STRENGTHS, Cases, Labels

DEFINITE = STRENGTHS.index("definite")


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


def laid_to_surgeons(rows: EvidenceRows, labels: Labels, catalogue: Catalogue) -> dict[int, Days]:
    """Counted complications by category that a surgeon's results are made of; narrower than the department's.

    Only definite or confirmed complications of the main level, up to and including the day of the first
    unplanned return: what follows it depends on more hands.
    """
    sure = (rows.level == 0) & (rows.status == COUNTED) & (rows.strength >= DEFINITE)
    laid = sure & (rows.day <= _first_return(rows, labels, catalogue)[rows.at])
    member = np.isin(rows.category, members(labels, catalogue))
    return {
        category: earliest(
            *rows.chosen(laid & (member if key == ANY_COMPLICATION else rows.category == category))
        )
        for category, key in enumerate(labels.categories)
    }


def members(labels: Labels, catalogue: Catalogue) -> list[int]:
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


def earliest(at: np.ndarray, day: np.ndarray) -> Days:
    """One row a case, with its earliest day; an unknown day counts in every window and so comes first."""
    order = np.lexsort((day, at))
    at, day = at[order], day[order]
    first = np.ones(len(at), bool)
    first[1:] = at[1:] != at[:-1]
    return Days(at[first], day[first])

"""How many cases of a row are not their patient's first: what turns counts of cases into counts of patients.

Cases add over hospitals and procedures, patients do not: one with two operations is in two rows and once in their
sum. Only patients with several cases matter here, so the work goes with their number; and since all of a patient is
in one partition, these counts add over partitions.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.case_evidence import evidence_rows
from pipeline.catalogue import Catalogue, complication_of
from pipeline.compared import arms_of
from pipeline.count.outcomes import all_outcomes, evidence_for_department
from pipeline.counts import Cells, joint_cells, summed
from pipeline.handover import Cases
from pipeline.settings import Settings
from pipeline.watched import closed_cases, quiet_cases

#: Kinds of cases of a row: all of them, with the event, followed without it, without it, lost.
KINDS = ("cases", "events", "quiet", "without", "lost")
#: Which kinds a number of bits says, [kind, number].
BITS = (np.arange(1 << len(KINDS)) >> np.arange(len(KINDS))[:, None]) & 1
#: Site or group where all of them are taken together.
EVERY = -1
#: Values of the key `part`: a whole row, an arm of the stated comparison, what its procedures hold besides the arms.
WHOLE, ARM_A, ARM_B, BESIDE = range(4)


@dataclass(frozen=True)
class _Line:
    """One way of putting cases into rows. Only patients with several cases in a row can be in it again.

    Attributes:
        keys: Of the rows.
        by_rank: Positions of each such patient's first, second, ... case; patients with more cases come first.
        cell: The row of each such patient.
        pooled: Whether cases of several procedures are in a row.
    """

    keys: pd.DataFrame
    by_rank: tuple[np.ndarray, ...]
    cell: np.ndarray
    pooled: bool

    def repeats(self, chosen: np.ndarray) -> np.ndarray:
        """Chosen cases of each row beyond the first of their patient.

        Args:
            chosen: uint8 [case], a bit for each kind.

        Returns:
            int64 [kind, row].
        """
        size = len(self.keys) << len(KINDS)
        counted = np.zeros(size, dtype=np.int64)
        before = np.zeros(len(self.cell), dtype=np.uint8)
        for at in self.by_rank:
            own = chosen[at]
            again = (self.cell[: len(at)] << len(KINDS)) + (own & before[: len(at)])
            counted += np.bincount(again, minlength=size)
            before[: len(at)] |= own
        return BITS @ counted.reshape(len(self.keys), 1 << len(KINDS)).T


def repeated_cases(cases: Cases, settings: Settings, catalogue: Catalogue) -> Cells:
    """Keys part, site, group (`EVERY` where all are together); statistics `KINDS` [cell, outcome].

    Args:
        cases: Of one partition, with every case of a patient in it.
    """
    several = cases.cases["patient"].duplicated(keep=False).to_numpy()
    lines = _lines(cases.cases[several].reset_index(drop=True), cases, settings)
    counted = []
    for own, possible in _chosen(cases, several, settings, catalogue):
        chosen = _bits([own[kind] for kind in KINDS])
        able = np.where(possible, chosen, 0).astype(np.uint8)
        found = [line.repeats(able if line.pooled else chosen) for line in lines]
        counted.append(np.concatenate(found, axis=1))
    keys = pd.concat([line.keys for line in lines], ignore_index=True)
    by_kind = np.stack(counted, axis=2) if counted else np.zeros((len(KINDS), len(keys), 0), np.int64)
    return summed(keys, dict(zip(KINDS, by_kind, strict=True)))


def _bits(kinds: Sequence[np.ndarray]) -> np.ndarray:
    """uint8 [case], with a bit for each kind (bool [case]) of it."""
    found = np.zeros(len(kinds[0]), dtype=np.uint8)
    for bit, own in enumerate(kinds):
        found |= own.view(np.uint8) << np.uint8(bit)
    return found


def _lines(frame: pd.DataFrame, cases: Cases, settings: Settings) -> list[_Line]:
    by = (("site", "group"), ("site",), ("group",), ())
    every = np.ones(len(frame), dtype=bool)
    found = [_line(frame, WHOLE, keys, every) for keys in by]
    asked = settings.primary
    if asked is None:
        return found
    arms = arms_of(frame, asked, cases.labels)
    isolated = frame["isolated"].to_numpy().astype(bool)
    a, b = (arm & isolated for arm in arms)
    return [
        *found,
        _line(frame, ARM_A, (), a),
        _line(frame, ARM_B, (), b),
        _line(frame, BESIDE, ("group",), ~(a | b)),
    ]


def _line(frame: pd.DataFrame, part: int, by: tuple[str, ...], member: np.ndarray) -> _Line:
    named = {"site": frame["site"], "group": frame["group"]}
    keys = pd.DataFrame({name: named[name] if name in by else np.full(len(frame), EVERY) for name in named})
    cell, distinct = joint_cells(keys)
    distinct.insert(0, "part", np.full(len(distinct), part))
    patient = frame["patient"].to_numpy()
    order = np.flatnonzero(member)
    order = order[np.lexsort((cell[order], patient[order]))]
    first = np.diff(cell[order], prepend=-1).astype(bool) | np.diff(patient[order], prepend=-1).astype(bool)
    alone = first & np.append(first[1:], True)
    begins = np.flatnonzero(first & ~alone)
    many = np.diff(np.append(np.flatnonzero(first), len(first)))[~alone[first]]
    begins, many = (each[np.argsort(-many, kind="stable")] for each in (begins, many))
    ranks = range(int(many.max(initial=0)))
    by_rank = tuple(order[begins[: np.count_nonzero(many > rank)] + rank] for rank in ranks)
    return _Line(distinct, by_rank, cell[order[begins]], part == WHOLE and "group" not in by)


def _chosen(
    cases: Cases, several: np.ndarray, settings: Settings, catalogue: Catalogue
) -> Iterator[tuple[dict[str, np.ndarray], np.ndarray]]:
    """For each outcome: the cases of each kind, and those of operations after which it can occur.

    Arrays over the cases of patients with several.
    """
    labels, outcomes = cases.labels, all_outcomes(cases.labels, settings, catalogue)
    frame = cases.cases[several]
    place = np.where(several, np.cumsum(several) - 1, -1)
    windows = {window.days: window for window in settings.windows}
    ways = {
        way: {days: quiet_cases(frame, window, way) for days, window in windows.items()}
        for way in ("visit", "records")
    }
    closed = {days: closed_cases(frame, window) for days, window in windows.items()}
    evidence = evidence_for_department(evidence_rows(cases), labels, catalogue)
    group = frame["group"].to_numpy()
    for category, level, days in zip(outcomes.category, outcomes.level, outcomes.window_days, strict=True):
        way = complication_of(catalogue, labels.categories[category]).seen_in
        counted = evidence[category, level].counted
        at = place[counted.at[counted.day <= days]]
        had = np.zeros(len(frame), dtype=bool)
        had[at[at >= 0]] = True
        had &= closed[days]
        followed = ways[way][days] | had
        yield {
            "cases": closed[days], "events": had, "quiet": followed & ~had,
            "without": closed[days] & ~had, "lost": closed[days] & ~followed,
        }, cases.defined[group, category] == 1  # fmt: skip

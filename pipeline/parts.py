"""Cutting the work by patient, and putting the parts together again.

Parts are cut by a fixed hash of site and canonical patient, so that everything about a patient is in one part
and link, classify and count need nothing outside it. Whatever the number of parts, the joined frames are equal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from pipeline.handover import NOT_NAMED, RECORD_TABLES, Cases, Classified, Facts, Linked
from pipeline.ordered import in_order


@dataclass(frozen=True)
class Whole:
    """All parts as one: the frames of Linked and Classified with cases numbered over all parts."""

    cases: pd.DataFrame
    chain: pd.DataFrame
    records: pd.DataFrame
    unattributed: pd.DataFrame
    shared_visits: pd.DataFrame
    flow: pd.DataFrame
    members: pd.DataFrame
    complications: pd.DataFrame
    evidence: pd.DataFrame
    unread: pd.DataFrame
    decided: pd.DataFrame
    returns: pd.DataFrame
    concomitant: pd.DataFrame
    unassessed: pd.DataFrame
    heard: pd.DataFrame
    spoken: pd.DataFrame


def part_of(facts: Facts, number: int, parts: int) -> Facts:
    """The facts of the patients of one part."""
    if parts == 1:
        return facts
    inside = (facts.patient_hashes % np.uint64(parts)) == number
    mine = {name: _of_patients(getattr(facts, name), inside) for name in (*RECORD_TABLES, "patients")}
    own = {name: frame.reset_index(drop=True) for name, frame in mine.items()}
    operations = own["operations"]["operation"]
    return replace(
        facts,
        operations=own["operations"],
        events=own["events"],
        followups=own["followups"],
        measurements=own["measurements"],
        patients=own["patients"],
        concomitants=_of_operations(facts.concomitants, operations),
        codes=_of_operations(facts.codes, operations),
        decisions=_of_operations(facts.decisions, operations),
        statements=None if facts.statements is None else _of_patients(facts.statements, inside),
        links=_links(facts, mine),
    )


def _of_patients(frame: pd.DataFrame, inside: np.ndarray) -> pd.DataFrame:
    return frame[inside[frame["patient"]]]


def _of_operations(frame: pd.DataFrame, operations: pd.Series) -> pd.DataFrame:
    return frame[frame["operation"].isin(operations)].reset_index(drop=True)


def _links(facts: Facts, mine: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Links of records of this part, with the records' positions in it."""
    found = []
    for number, name in enumerate(RECORD_TABLES):
        own = facts.links[facts.links["table"] == number]
        place = pd.Series(np.arange(len(mine[name])), index=mine[name].index).reindex(own["record"])
        here = place.notna().to_numpy()
        found.append(own[here].assign(record=place.to_numpy()[here].astype("int64")))
    return pd.concat(found, ignore_index=True)


def joined(linked: Sequence[Linked], classified: Sequence[Classified]) -> Whole:
    """All parts as one, cases in the order of case ids."""
    died = np.concatenate([part.died for part in classified])
    cases, placed = _in_order(pd.concat([part.cases for part in linked], ignore_index=True), linked)
    return Whole(
        cases=cases.assign(died=died[placed.order]),
        chain=placed(linked, lambda part: part.chain, ["case", "day", "operation"]),
        records=placed(linked, lambda part: part.records, ["table", "row", "case"]),
        unattributed=_sorted(linked, lambda part: part.unattributed, ["table", "row"]),
        shared_visits=placed(linked, lambda part: part.shared_visits, ["row", "case"]),
        flow=_sorted(linked, lambda part: part.flow, ["site", "procedure", "order"]),
        members=placed(linked, lambda part: part.members, ["row", "case"]),
        complications=placed(
            classified, lambda part: part.complications, ["case", "category", "level", "status"]
        ),
        evidence=placed(
            classified, lambda part: part.evidence, ["case", "category", "level", "day", "table", "row"]
        ),
        unread=placed(classified, lambda part: part.unread, ["case", "row"]),
        decided=placed(classified, lambda part: part.decided, ["case", "category"]),
        returns=placed(classified, lambda part: part.returns, ["case", "day", "row"]),
        concomitant=placed(linked, lambda part: part.concomitant, ["case", "procedure"]),
        unassessed=placed(classified, lambda part: part.unassessed, ["case", "category"]),
        heard=placed(
            classified, lambda part: part.heard, ["case", "category", "day", "table", "row", "assertion"]
        ),
        spoken=placed(classified, lambda part: part.spoken, ["case", "category", "day", "table", "row"]),
    )


def joined_cases(parts: Sequence[Cases]) -> Cases:
    """The counted cases of all parts as one, in the order of case ids."""
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    cases, placed = _in_order(pd.concat([part.cases for part in parts], ignore_index=True), parts)
    return Cases(
        labels=first.labels,
        defined=first.defined,
        cases=cases,
        complications=placed(parts, lambda part: part.complications, ["case", "category", "level", "status"]),
        assessed=placed(parts, lambda part: part.assessed, ["case", "category"]),
        returns=placed(parts, lambda part: part.returns, ["case", "day"]),
        answers=placed(parts, lambda part: part.answers, ["case", "day", "row"]),
        readings=placed(parts, lambda part: part.readings, ["case", "day", "row"]),
    )


def _in_order(cases: pd.DataFrame, parts: Sequence[Linked] | Sequence[Cases]) -> tuple[pd.DataFrame, _Placed]:
    """The cases of all parts by operation and side, and what puts their frames in the same order."""
    sizes = [len(part.cases) for part in parts]
    starts = np.append(0, np.cumsum(sizes))[: len(sizes)]
    order = np.lexsort((cases["side"].to_numpy(), cases["operation"].to_numpy()))
    ordered = cases.iloc[order].reset_index(drop=True).assign(case=np.arange(len(cases)))
    return ordered, _Placed(starts, order)


@dataclass(frozen=True)
class _Placed:
    """Concatenates a frame of every part with its cases renumbered."""

    starts: np.ndarray
    order: np.ndarray

    @cached_property
    def number(self) -> np.ndarray:
        number = np.empty(len(self.order), dtype=np.int64)
        number[self.order] = np.arange(len(self.order))
        return number

    def __call__(
        self, parts: Sequence, frame_of: Callable[..., pd.DataFrame], order: list[str]
    ) -> pd.DataFrame:
        frames = []
        for start, part in zip(self.starts, parts, strict=True):
            frame = frame_of(part)
            frames.append(frame.assign(case=self.number[frame["case"].to_numpy().astype(np.int64) + start]))
        return in_order(pd.concat(frames, ignore_index=True), order)


def _sorted(parts: Sequence, frame_of: Callable[..., pd.DataFrame], order: list[str]) -> pd.DataFrame:
    frame = pd.concat([frame_of(part) for part in parts], ignore_index=True)
    return in_order(frame, order)


def stray_positions(facts: Facts, whole: Whole) -> tuple[np.ndarray, np.ndarray]:
    """Decisions and links (positions in the facts) that name an operation and side which is no case.

    A link may also name a later operation of a case; a decision is about a case and nothing else.
    """
    known = set(zip(whole.cases["operation"], whole.cases["side"], strict=True))
    members = known | set(zip(whole.chain["operation"], np.full(len(whole.chain), -1), strict=True))

    def strays(frame: pd.DataFrame, known: set[tuple[int, int]]) -> np.ndarray:
        named = zip(frame["operation"], frame["side"], strict=True)
        return np.array(
            [o != NOT_NAMED and (o, s) not in known and (o, -1) not in known for o, s in named], dtype=bool
        )

    return strays(facts.decisions, known), strays(facts.links, members)

"""Cutting the work by patient, and putting the parts together again.

Parts are cut by a fixed hash of site and canonical patient, so that everything about a patient is in one part
and link, classify and count need nothing outside it. Whatever the number of parts, the joined frames are equal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd

from pipeline.handover import NOT_NAMED, RECORD_TABLES, Cases, Classified, Facts, Linked
from pipeline.ordered import new_order_of
from pipeline.room import IN_MEMORY, Room


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


def parts_of(facts: Facts, parts: int) -> Iterator[Facts]:
    """The facts of the patients of each part, one after the other; each row is looked at once for all of them."""
    if parts == 1:
        yield facts
        return
    part = (facts.patient_hashes % np.uint64(parts)).astype(np.min_scalar_type(parts))
    tables = (
        ("patients", *RECORD_TABLES)
        if facts.statements is None
        else ("patients", *RECORD_TABLES, "statements")
    )
    rows = {name: _Cut(part[getattr(facts, name)["patient"]], parts) for name in tables}
    of_operation = part[facts.operations["patient"]]
    named = ("concomitants", "codes", "decisions")
    own = {name: _Cut(of_operation[getattr(facts, name)["operation"]], parts) for name in named}
    for number in range(parts):
        mine: dict[str, Any] = {
            name: cut.of(getattr(facts, name), number) for name, cut in (rows | own).items()
        }
        yield replace(
            facts, **mine, links=_links(facts, {name: rows[name].rows(number) for name in RECORD_TABLES})
        )


class _Cut:
    """Where the rows of each part stand, in their order."""

    def __init__(self, part: np.ndarray, parts: int) -> None:
        self._order = np.argsort(part, kind="stable").astype(
            np.int32
        )  # small numbers are counted, not compared
        self._ends = np.append(0, np.cumsum(np.bincount(part, minlength=parts)))

    def rows(self, number: int) -> np.ndarray:
        return self._order[self._ends[number] : self._ends[number + 1]]

    def of(self, frame: pd.DataFrame, number: int) -> pd.DataFrame:
        return frame.take(self.rows(number)).reset_index(drop=True)


def _links(facts: Facts, mine: dict[str, np.ndarray]) -> pd.DataFrame:
    """Links of records of a part, with the records' positions in it.

    Args:
        mine: Table → positions in the facts of the records of the part, in rising order.
    """
    found = []
    for number, name in enumerate(RECORD_TABLES):
        own = facts.links[facts.links["table"] == number]
        record = own["record"].to_numpy()
        place = np.searchsorted(mine[name], record)
        here = np.append(mine[name], -1)[place] == record
        found.append(own[here].assign(record=place[here].astype(np.int64)))
    return pd.concat(found, ignore_index=True)


def joined(linked: Sequence[Linked], classified: Sequence[Classified], room: Room = IN_MEMORY) -> Whole:
    """All parts as one, cases in the order of case ids.

    Args:
        room: Where each frame is kept once it is joined.
    """
    died = np.concatenate([part.died for part in classified])
    cases, placed = _in_order(pd.concat([part.cases for part in linked], ignore_index=True), linked, room)
    return Whole(
        cases=room.value(cases.assign(died=died[placed.order])),
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


def _in_order(
    cases: pd.DataFrame, parts: Sequence[Linked] | Sequence[Cases], room: Room = IN_MEMORY
) -> tuple[pd.DataFrame, _Placed]:
    """The cases of all parts by operation and side, and what puts their frames in the same order."""
    sizes = [len(part.cases) for part in parts]
    starts = np.append(0, np.cumsum(sizes))[: len(sizes)]
    order = np.lexsort((cases["side"].to_numpy(), cases["operation"].to_numpy()))
    ordered = cases.iloc[order].reset_index(drop=True).assign(case=np.arange(len(cases)))
    return ordered, _Placed(starts, order, room)


@dataclass(frozen=True)
class _Placed:
    """Concatenates a frame of every part with its cases renumbered."""

    starts: np.ndarray
    order: np.ndarray
    room: Room

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
        return _below_each_other(frames, order, self.room)


def _below_each_other(frames: Sequence[pd.DataFrame], order: list[str], room: Room) -> pd.DataFrame:
    """All rows in order. Column by column, so that no more than one of them is in memory twice."""
    together = partial(_column, frames)
    at = new_order_of(pd.DataFrame({name: together(name) for name in order}, copy=False), order)
    columns = {}
    for name in frames[0].columns:
        column = together(name)
        columns[name] = room.value(column if at is None else column.iloc[at].reset_index(drop=True))
    return pd.DataFrame(columns, copy=False)


def _column(frames: Sequence[pd.DataFrame], name: str) -> pd.Series:
    return pd.concat([frame[name] for frame in frames], ignore_index=True)


def _sorted(parts: Sequence, frame_of: Callable[..., pd.DataFrame], order: list[str]) -> pd.DataFrame:
    return _below_each_other([frame_of(part) for part in parts], order, IN_MEMORY)


def stray_positions(facts: Facts, whole: Whole) -> tuple[np.ndarray, np.ndarray]:
    """Decisions and links (positions in the facts) that name an operation and side which is no case.

    A link may also name a later operation of a case; a decision is about a case and nothing else.
    """
    known = _sides(whole.cases["operation"], whole.cases["side"].to_numpy())
    members = np.append(known, _sides(whole.chain["operation"], -1))

    def strays(frame: pd.DataFrame, known: np.ndarray) -> np.ndarray:
        """bool: of the few that name one, those whose operation and side, or operation alone, nobody knows."""
        own = frame["operation"]
        asked = _sides(own, frame["side"].to_numpy()), _sides(own, -1)
        few = known[pd.Series(known).isin(np.concatenate(asked)).to_numpy()]
        return (own.to_numpy() != NOT_NAMED) & ~np.isin(asked[0], few) & ~np.isin(asked[1], few)

    return strays(facts.decisions, known), strays(facts.links, members)


def _sides(operation: pd.Series, side: np.ndarray | int) -> np.ndarray:
    """An operation and side (-1: the operation alone) as one number."""
    found: np.ndarray = operation.to_numpy(np.int64) * 8 + side
    return found

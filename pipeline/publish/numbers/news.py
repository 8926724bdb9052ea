"""What the counts of a period's news were counted from: operations, cases, complications, decisions, windows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.handover import AWAITING, COUNTED, VERDICTS
from pipeline.periods import Period
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.register import MOST_IN_OWN_FILE, MOST_ROWS
from pipeline.watched import closed_cases

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish.words import Names

CASE = ("Case", "Operation")
#: Number of `activity` → the heads of its list.
HEADS = {
    "operations": ("Operation's id", "Operation", "Day", "Rests on"),
    "cases": (*CASE, "Operated on"),
    "complications_happened": (*CASE, "What", "Day after it", "Known on"),
    "complications_learned": (*CASE, "What", "Day after it", "Known on"),
    "awaiting": (*CASE, "What", "Day after it", "Known on"),
    "decisions": (*CASE, "What", "Decided on", "Answer"),
    "windows_closed": (*CASE, "Window", "Closed on"),
}
#: What a list is called.
TITLES = {
    "operations": "Operations",
    "cases": "New cases",
    "complications_happened": "Complications that happened",
    "complications_learned": "Complications of earlier months that became known",
    "awaiting": "Awaiting review",
    "decisions": "Decisions made",
    "windows_closed": "Windows that closed",
}


@dataclass(frozen=True)
class News:
    """The period's own rows that are not among the counted cases.

    Attributes:
        period: The edition's.
        operations: Performed in it: `operation_id` (with its site), `group` (position in labels), `day`, `reference`.
        decided: Decided in it: `case_id`, `group`, `category`, `decided` (calendar day), `verdict`.
    """

    period: Period
    operations: pd.DataFrame
    decided: pd.DataFrame

    def rows(
        self, kind: str, procedure: str, facts: CaseFacts, named: Names
    ) -> tuple[list[tuple[str, ...]], int]:
        """The rows of a number of `activity`, in the order of cases or operations, and how many they are.

        Of more than `MOST_IN_OWN_FILE` only the first `MOST_ROWS` are given: no more of them are ever shown.

        Args:
            kind: One of `HEADS`.
            procedure: Its key; empty: of all of them.
            facts: About the cases.
            named: Words for print.
        """
        group = facts.labels.groups.index(procedure) if procedure else -1
        if kind == "operations":
            return _first(self.operations, group, lambda own: _operations(own, facts, named))
        if kind == "decisions":
            return _first(self.decided, group, lambda own: _decisions(own, facts, named))
        return self._of_cases(kind, group, facts, named)

    def _of_cases(
        self, kind: str, group: int, facts: CaseFacts, named: Names
    ) -> tuple[list[tuple[str, ...]], int]:
        if kind not in self._known:
            made = {"cases": self._cases, "windows_closed": self._windows}.get(kind)
            self._known[kind] = made(facts) if made else self._complications(kind, facts, named)
        at, *columns = self._known[kind]
        own = facts.cases["group"].to_numpy()[at]
        every = np.flatnonzero(own == group) if group >= 0 else np.arange(len(at))
        kept = every[: _most(len(every))]
        operations = [named.operation(key) for key in facts.labels.groups]
        given = _rows(
            facts.ids_of(at[kept]),
            [operations[number] for number in own[kept].tolist()],
            *(np.asarray(column, dtype=object)[kept] for column in columns),
        )
        return given, len(every)

    @cached_property
    def _known(self) -> dict[str, tuple[np.ndarray, ...]]:
        """Kind → positions of its cases and the further columns, of all operations."""
        return {}

    def _inside(self, days: np.ndarray) -> np.ndarray:
        first, last = (
            np.datetime64(day, "D").astype(np.int64) for day in (self.period.first_day, self.period.last_day)
        )
        return (days >= first) & (days <= last)

    def _cases(self, facts: CaseFacts) -> tuple[np.ndarray, ...]:
        performed = facts.cases["performed"].to_numpy(np.int64)
        at = np.flatnonzero(self._inside(performed))
        return at, _days(performed[at])

    def _windows(self, facts: CaseFacts) -> tuple[np.ndarray, ...]:
        """Cases, once for each window that closed in the period."""
        performed = facts.cases["performed"].to_numpy(np.int64)
        cases, windows, days = [np.zeros(0, np.int64)], [], [np.zeros(0, np.int64)]
        for window in facts.settings.windows:
            end = performed + window.days + window.grace
            at = np.flatnonzero(closed_cases(facts.cases, window) & self._inside(end))
            cases.append(at)
            windows += [f"{window.days} days"] * len(at)
            days.append(end[at])
        at = np.concatenate(cases)
        order = np.argsort(at, kind="stable")
        return at[order], np.array(windows, dtype=object)[order], _days(np.concatenate(days)[order])

    def _complications(self, kind: str, facts: CaseFacts, named: Names) -> tuple[np.ndarray, ...]:
        """Main levels of every category but the program's own."""
        rows = facts.countable.complications
        keys = facts.labels.categories
        status = AWAITING if kind == "awaiting" else COUNTED
        own = rows[
            (rows["level"] == 0)
            & (rows["category"] != keys.index(ANY_COMPLICATION))
            & (rows["status"] == status)
        ]
        day = own["day"].to_numpy(np.int64)
        happened = facts.cases["performed"].to_numpy(np.int64)[own["case"]] + day
        in_period = (day >= 0) & self._inside(happened)
        told = self._inside(own["learned"].to_numpy(np.int64)) & own["late"].to_numpy().astype(bool)
        news = {"complications_happened": in_period, "complications_learned": told}.get(
            kind, in_period | told
        )
        own = own[news].sort_values(["case", "category", "day", "learned"], kind="stable")
        what = [named.category(keys[number]) for number in own["category"]]
        told = ["not known" if number < 0 else str(number) for number in own["day"]]
        learned = _days(own["learned"].to_numpy(np.int64))
        return own["case"].to_numpy(), np.array(what, dtype=object), np.array(told, dtype=object), learned


def _most(rows: int) -> int:
    """How many of so many rows are shown, or written to a file."""
    return MOST_ROWS if rows > MOST_IN_OWN_FILE else rows


def _first(
    own: pd.DataFrame, group: int, made: Callable[[pd.DataFrame], list[tuple[str, ...]]]
) -> tuple[list[tuple[str, ...]], int]:
    """What is made of the rows of a group (-1: of all) that are given, and how many there are."""
    own = own[own["group"] == group] if group >= 0 else own
    return made(own[: _most(len(own))]), len(own)


def _operations(own: pd.DataFrame, facts: CaseFacts, named: Names) -> list[tuple[str, ...]]:
    names = [named.operation(facts.labels.groups[number]) for number in own["group"]]
    return _rows(own["operation_id"], names, _days(own["day"].to_numpy()), own["reference"])


def _decisions(own: pd.DataFrame, facts: CaseFacts, named: Names) -> list[tuple[str, ...]]:
    names = [named.operation(facts.labels.groups[number]) for number in own["group"]]
    what = [named.category(facts.labels.categories[number]) for number in own["category"]]
    said = [VERDICTS[number] for number in own["verdict"]]
    return _rows(own["case_id"], names, what, _days(own["decided"].to_numpy()), said)


def _days(days: np.ndarray) -> np.ndarray:
    return days.astype(np.int64).astype("datetime64[D]").astype(str).astype(object)


def _rows(*columns: Iterable[object] | Sequence[object]) -> list[tuple[str, ...]]:
    return [tuple(str(cell) for cell in cells) for cells in zip(*columns, strict=True)]

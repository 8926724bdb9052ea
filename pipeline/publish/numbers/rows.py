"""Rows of lists as mark-up: whole columns at a time, since lists are many and a case stands in many of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.handover import AWAITING, COUNTED, NEVER, STRENGTHS
from pipeline.publish import words
from pipeline.publish.markup import escape, escaped, references, references_of_each
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.outcomes import Outcome
from pipeline.publish.printed import rows_with

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from pipeline.publish.context import Context


@dataclass(frozen=True)
class Column:
    """Head of a column of a list, and whether it holds numbers (to the right) or sentences (wide)."""

    label: str
    number: bool = False
    wide: bool = False

    @property
    def attribute(self) -> str:
        """Of its cells."""
        return ' class="n"' if self.number else ' class="w"' if self.wide else ""


TEXT = Column("")
FIRST = (Column("Case"), Column("Operation"), Column("Operated"), Column("Age"))
SEEN = (Column("Last visit, day", True), Column("Records up to day", True))
#: Kind of list → its columns after the first ones.
FURTHER: dict[str, tuple[Column, ...]] = {
    "events": (Column("Day", True), Column("What"), Column("How sure"), Column("Rests on")),
    "awaiting": (
        Column("Day", True), Column("What"), Column("Why it is asked"), Column("What it may move", wide=True), Column("Rests on"),
    ),
    "events_or_lost": (Column("Day", True), *SEEN),
    "deaths": (Column("Died, day", True),),
}  # fmt: skip

#: Published words of a question: why it is asked, what it may move, what it rests on.
Question = tuple[str, str, str]
NO_QUESTION = ("", "", "")
#: Heads a row whose first cell is empty, such as a record held back because it has no id: a heading must say something.
NOT_GIVEN = "not given"


def columns_of(kind: str) -> tuple[Column, ...]:
    """Of a list of this kind."""
    return (*FIRST, *FURTHER.get(kind, SEEN))


#: Up to so many cases, rows are made for all of them at once.
MOST_AT_ONCE = 10_000


class Rows:
    """Makes the rows of lists.

    Args:
        facts: About the cases.
        tables: As published; complications and review say what a row rests on.
        context: Of the edition.
        listed: Kind of list → positions of the cases that such lists show; of no others anything is looked up.
    """

    def __init__(
        self,
        facts: CaseFacts,
        tables: Mapping[str, pd.DataFrame],
        context: Context,
        listed: Mapping[str, np.ndarray],
    ) -> None:
        self.facts = facts
        self.named = words.names(context)
        self.categories = [self.named.category(key) for key in facts.labels.categories]
        ids = {kind: facts.ids_of(at) for kind, at in listed.items()}
        self.evidence = _evidence(rows_with(tables, "complications", "case_id", ids.get("events", ())))
        self.questions = _questions(rows_with(tables, "review", "case_id", ids.get("awaiting", ())))
        self._begun: dict[int, str] = {}
        self._seen: dict[int, str] = {}
        self._further: dict[str, Callable[[list[int], Outcome], list[list[str]]]] = {
            "events": self._events,
            "awaiting": self._awaiting,
            "events_or_lost": self._events_or_lost,
            "deaths": self._deaths,
        }

    def of(self, kind: str, at: np.ndarray, outcome: Outcome | None) -> list[str]:
        """A `<tr>` a case, in the order given."""
        cases = at.tolist()
        if outcome is None or kind not in self._further:
            return self._of_each(cases, self._seen, self._seen_rows)
        begun = self._of_each(cases, self._begun, self._beginnings)
        made = zip(FURTHER[kind], self._further[kind](cases, outcome), strict=True)
        columns = [_cells(cells, column) for column, cells in made]
        return [f"<tr>{''.join(cells)}</tr>" for cells in zip(begun, *columns, strict=True)]

    def _of_each(
        self, cases: list[int], made: dict[int, str], make: Callable[[np.ndarray], pa.Array]
    ) -> list[str]:
        """Made once for every case, however many lists it stands in; where cases are few, for all of them at once."""
        few = not made and len(self.facts.cases) <= MOST_AT_ONCE
        missing = range(len(self.facts.cases)) if few else sorted(set(cases).difference(made))
        if missing:
            made.update(zip(missing, make(np.array(missing)).to_pylist(), strict=True))
        return [made[case] for case in cases]

    def _beginnings(self, at: np.ndarray) -> pa.Array:
        """The first cells of each row."""
        import pyarrow as pa

        labels = self.facts.labels
        operations = [escape(self.named.operation(key)) for key in labels.groups]
        ages = [*(escape(band.replace("-", "–")) for band in labels.age_bands), "not known"]
        days = self.facts.column("performed")[at].astype("datetime64[D]")
        months, month = np.unique(days.astype("datetime64[M]"), return_inverse=True)
        ids = escaped(self.facts.names.take(pa.array(at)))
        operation, age = (self.facts.column(name)[at] for name in ("group", "age_band"))
        return _joined(
            '<th scope="row">', ids, "</th><td>", _worded(operations, operation), "</td><td>",
            _worded(months.astype(str).tolist(), month), "</td><td>", _worded(ages, age), "</td>",
        )  # fmt: skip

    def _seen_rows(self, at: np.ndarray) -> pa.Array:
        """Whole rows of lists that say no more than until when a case was watched."""
        visits, records = self._days_seen(at)
        cell = f"<td{SEEN[0].attribute}>"
        return _joined("<tr>", self._beginnings(at), cell, visits, f"</td>{cell}", records, "</td></tr>")

    def _days_seen(self, at: np.ndarray) -> tuple[pa.Array, pa.Array]:
        """Day of the last visit, and the day up to which records reach or of the death that ended them, in words."""
        import pyarrow as pa
        import pyarrow.compute as pc

        visits, reach, died = (
            self.facts.column(name)[at] for name in ("contact_until", "records_until", "died")
        )
        ends = _joined(_told(died), ", died")
        return (
            pc.if_else(pa.array(visits > 0), _told(visits), "none"),
            pc.if_else(pa.array(died != NEVER), ends, _told(np.maximum(reach, 0))),
        )

    def _events(self, cases: list[int], outcome: Outcome) -> list[list[str]]:
        found = self.facts.rows_of(outcome, COUNTED).of(cases)
        strengths = dict(zip(found.case.tolist(), found.strength.tolist(), strict=True))
        key, level = self._keys(outcome)
        ids = self.facts.ids_of(cases)
        return [
            [_day(day) for day in self.facts.first_days(outcome, cases)],
            self._what(cases, outcome, COUNTED),
            [STRENGTHS[strengths.get(case, -1)] if strengths.get(case, -1) >= 0 else "" for case in cases],
            [self.evidence.get((case_id, key, level), "") for case_id in ids],
        ]

    def _keys(self, outcome: Outcome) -> tuple[str, str]:
        labels = self.facts.labels
        return labels.categories[outcome.category], labels.levels[outcome.category][outcome.level]

    def _events_or_lost(self, cases: list[int], outcome: Outcome) -> list[list[str]]:
        days = self.facts.first_days(outcome, cases)
        return [
            [_day(day) if day <= outcome.days else "lost" for day in days],
            *(told.to_pylist() for told in self._days_seen(np.array(cases))),
        ]

    def _deaths(self, cases: list[int], outcome: Outcome) -> list[list[str]]:
        return [[str(day) for day in self.facts.column("died")[cases].tolist()]]

    def _categories(self, cases: list[int], outcome: Outcome, status: int) -> dict[int, list[int]]:
        """Case → the categories that are counted or waiting in it, within the window."""
        told: dict[int, list[int]] = {}
        found = self.facts.member_rows_of(outcome, status, cases)
        for case, category in dict.fromkeys(zip(found.case.tolist(), found.category.tolist(), strict=True)):
            told.setdefault(case, []).append(category)
        return told

    def _what(self, cases: list[int], outcome: Outcome, status: int) -> list[str]:
        """The category with its level; of any complication, which ones."""
        key, level = self._keys(outcome)
        if key != ANY_COMPLICATION:
            return [escape(self.named.outcome(key, level))] * len(cases)
        own = self._categories(cases, outcome, status)
        return [
            escape("; ".join(self.categories[category] for category in own.get(case, ()))) for case in cases
        ]

    def _awaiting(self, cases: list[int], outcome: Outcome) -> list[list[str]]:
        """Each case with its questions: of any complication, those about all its categories."""
        own = self._categories(cases, outcome, AWAITING)
        found = self.facts.member_rows_of(outcome, AWAITING, cases)
        days = _least(list(zip(found.case.tolist(), found.day.tolist(), strict=True)))
        keys = self.facts.labels.categories
        ids = self.facts.ids_of(cases)
        asked = [
            [self.questions.get((case_id, keys[category]), NO_QUESTION) for category in own.get(case, ())]
            for case, case_id in zip(cases, ids, strict=True)
        ]
        why, moves, rests = ([[question[part] for question in each] for each in asked] for part in range(3))
        return [
            [_day(days.get(case, -1)) for case in cases],
            self._what(cases, outcome, AWAITING),
            [_lines(told) for told in why],
            [_lines(told) for told in moves],
            [_places(told) for told in rests],
        ]


def _joined(*parts: str | pa.Array) -> pa.Array:
    """Texts one after the other, row by row."""
    import pyarrow.compute as pc

    return pc.binary_join_element_wise(*parts, "")


def _worded(words: Sequence[str], places: np.ndarray) -> pa.Array:
    """A word a row; -1 is the last one."""
    import pyarrow as pa

    return pa.array(words, pa.string()).take(pa.array(places % len(words)))


def _told(numbers: np.ndarray) -> pa.Array:
    import pyarrow as pa

    return pa.array(numbers).cast(pa.string())


def given_rows(rows: Sequence[tuple[str, ...]] | pd.DataFrame, numbers: Sequence[bool]) -> list[str]:
    """Rows whose cells are text in print; the first heads its row.

    Args:
        numbers: Of each column, whether it stands to the right.
    """
    each = (
        rows
        if isinstance(rows, Sequence)
        else zip(*(map(str, rows[name].tolist()) for name in rows.columns), strict=True)
    )
    columns = [Column("", number) for number in numbers[1:]]
    return [
        f'<tr><th scope="row">{escape(first) or NOT_GIVEN}</th>'
        f"{''.join(_cell(escape(cell), column) for cell, column in zip(rest, columns, strict=True))}</tr>"
        for first, *rest in each
    ]


def _evidence(complications: pd.DataFrame | None) -> dict[tuple[str, str, str], str]:
    """(case id, category, level) → the lines a complication rests on, as mark-up."""
    import pyarrow as pa

    if complications is None:
        return {}
    keys = zip(*(complications[name].tolist() for name in ("case_id", "category", "level")), strict=True)
    lines = pa.array(complications["evidence"].fillna(""), pa.string())
    return dict(zip(keys, references_of_each(lines).to_pylist(), strict=True))


def _questions(review: pd.DataFrame | None) -> dict[tuple[str, str], Question]:
    """(case id, category) → its question."""
    if review is None:
        return {}
    names = ("case_id", "category", "why", "would_move", "evidence")
    rows = zip(*(review[name].fillna("").tolist() for name in names), strict=True)
    found: dict[tuple[str, str], Question] = {}
    for case_id, category, *question in rows:
        found.setdefault((case_id, category), tuple(question))
    return found


def _least(pairs: Sequence[tuple[int, int]]) -> dict[int, int]:
    """The smallest second of each first."""
    return dict(sorted(pairs, reverse=True))


def _day(day: int) -> str:
    return "not known" if day < 0 else str(day)


def _lines(texts: Sequence[str]) -> str:
    """Texts, and what `;` parts in them, each on a line of its own, none twice."""
    parts = dict.fromkeys(part.strip() for told in texts for part in told.split("; "))
    return "<br>".join(escape(part) for part in parts if part)


def _places(texts: Sequence[str]) -> str:
    """The same of files and lines."""
    return references("; ".join(told for told in texts if told))


def _cells(cells: Sequence[str], column: Column = TEXT) -> list[str]:
    return [_cell(cell, column) for cell in cells]


def _cell(cell: str, column: Column) -> str:
    return f"<td{column.attribute}>{cell}</td>"

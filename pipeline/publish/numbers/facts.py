"""Which cases a number was counted from, found case by case.

Counts are sums over cells, corrected by sparse evidence (`pipeline.count`). Here every case is looked at and either
is one of them or is not, so that the length of a list tells whether a sum is right.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.case_evidence import Days, evidence_rows, laid_to_surgeons, members
from pipeline.catalogue import ANY_COMPLICATION, Catalogue, complication_of
from pipeline.handover import AWAITING, COUNTED, Cases
from pipeline.publish.numbers.chosen import Chosen
from pipeline.publish.numbers.whose import ALL, Whose
from pipeline.settings import Settings, Window
from pipeline.watched import quiet_cases

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish.numbers.answers import Answers
    from pipeline.publish.numbers.beside import Beside
    from pipeline.publish.numbers.news import News
    from pipeline.publish.numbers.received import Received


@dataclass(frozen=True)
class Outcome:
    """A category and level within a window, by their places in `Labels`; `laid` as in `Whose`."""

    category: int
    level: int
    days: int
    laid: bool = False


@dataclass(frozen=True)
class Having:
    """What became of every case in one outcome; bool arrays over all cases, closed or not.

    Attributes:
        event: A counted complication by the window's last day; one of unknown day is in every window.
        quiet: Watched to the end of the window, or dead by then.
        awaiting: Evidence under review by then, and no event.
        died: Dead by then, and without an earlier event.
        assessed: Measured or with an event, where the category is measured at all.
    """

    event: np.ndarray
    quiet: np.ndarray
    awaiting: np.ndarray
    died: np.ndarray
    assessed: np.ndarray

    def of(self, own: np.ndarray) -> Having:
        """The same of some cases alone, by position."""
        return Having(*(getattr(self, each.name)[own] for each in fields(self)))

    def kind(self, kind: str) -> np.ndarray:
        """bool: which cases are of a kind of number, one of `register.KINDS`."""
        masks: dict[str, Callable[[], np.ndarray]] = {
            "cases": lambda: np.ones(len(self.event), bool),
            "followed": lambda: self.event | self.quiet,
            "lost": lambda: ~(self.event | self.quiet),
            "events": lambda: self.event,
            "awaiting": lambda: self.awaiting,
            "deaths": lambda: self.died,
            "assessed": lambda: self.assessed,
            "events_or_lost": lambda: self.event | ~self.quiet,
        }
        return masks[kind]()


class Found(NamedTuple):
    """Complications, a row each; day -1 is unknown and within every window."""

    case: np.ndarray
    category: np.ndarray
    day: np.ndarray
    strength: np.ndarray

    def within(self, days: int) -> Found:
        """Those by a window's last day."""
        return self._where(self.day <= days)

    def of(self, cases: Sequence[int]) -> Found:
        """Those of some cases."""
        return self._where(np.isin(self.case, cases))

    def _where(self, kept: np.ndarray) -> Found:
        return Found(*(column[kept] for column in self))


#: Later than the end of every window.
NO_EVENT = 2**62
NOTHING_FOUND = Found(*(np.zeros(0, np.int64) for _ in Found._fields))
#: Bytes that what became of the cases may take in memory at once.
REMEMBERED = 200_000_000


class CaseFacts:
    """The counted cases of an edition and what became of each.

    Args:
        cases: Of all parts together.
        case_ids: In the same order.
        settings: Windows and comparisons.
        catalogue: How each category is observed.
        news: What else the counts of the period's news were counted from.
        received: What counts of rows were counted from.
        answers: What reviewers said.
    """

    def __init__(
        self,
        cases: Cases,
        case_ids: np.ndarray,
        settings: Settings,
        catalogue: Catalogue,
        news: News | None = None,
        received: Received | None = None,
        answers: Answers | None = None,
    ) -> None:
        self.news = news
        self.received = received
        self.answers = answers
        self.countable = cases
        self.cases: pd.DataFrame = cases.cases
        self.labels = cases.labels
        self.case_ids = case_ids
        self.settings = settings
        self.catalogue = catalogue
        self.windows: dict[int, Window] = {window.days: window for window in settings.windows}
        remembered = max(16, REMEMBERED // (5 * max(1, len(cases.cases))))
        self.having = lru_cache(maxsize=remembered)(self._having)
        chosen = Chosen(self.cases, self.labels, settings)
        self.column, self.of, self.closed, self.inside = (
            chosen.column,
            chosen.of,
            chosen.closed,
            chosen.inside,
        )
        self.counted_over = lru_cache(maxsize=8)(self._counted_over)
        self._became = lru_cache(maxsize=8)(self._became_of)
        self._closed_mark = lru_cache(maxsize=256)(self._mark_of_closed)
        self._quiet = lru_cache(maxsize=None)(self._quiet_in)
        self._dead = lru_cache(maxsize=None)(self._dead_by)

    @cached_property
    def beside(self) -> Beside:
        """Further facts, about what stands beside rates."""
        from pipeline.publish.numbers.beside import Beside

        return Beside(self)

    def outcome(self, category: str, level: str, days: int, laid: bool = False) -> Outcome:
        number = self.labels.categories.index(category)
        return Outcome(number, self.labels.levels[number].index(level), int(days), laid)

    def among(self, kind: str, whose: Whose, outcome: Outcome) -> np.ndarray:
        """Positions of the closed cases of a kind, in the order of case ids."""
        own: np.ndarray = self.counted_over(whose, outcome)
        return own if kind == "cases" else own[self._became(whose, outcome).kind(kind)]

    def _became_of(self, whose: Whose, outcome: Outcome) -> Having:
        having: Having = self.having(outcome)
        return having.of(self.counted_over(whose, outcome))

    def of_several(self, kind: str, several: Sequence[Whose], outcome: Outcome) -> np.ndarray:
        """The same of several parts of the cases together."""
        return np.sort(np.concatenate([self.among(kind, whose, outcome) for whose in several]))

    def _counted_over(self, whose: Whose, outcome: Outcome) -> np.ndarray:
        """Positions of the closed cases an outcome is counted over.

        All operations together are counted where the category can occur, if it can in any of these cases.
        """
        own: np.ndarray = self.closed(whose, outcome.days)
        can = self.can_occur(whose, outcome)
        return own if can is None else own[can]

    def can_occur(self, whose: Whose, outcome: Outcome) -> np.ndarray | None:
        """bool over the closed cases: an outcome is counted over them; None: over all of them."""
        if whose.procedure != ALL or whose.arm:
            return None
        own: np.ndarray = self.closed(whose, outcome.days)
        can: np.ndarray = (self.countable.defined[:, outcome.category] == 1)[self.column("group")[own]]
        return can if outcome.laid or can.any() else None

    def mark(self, at: np.ndarray, whose: Whose, days: int) -> tuple[int, int]:
        """The same for the same positions in any order: how many, and the sum of their random numbers.

        Of others it differs but for a chance of 2⁻⁶⁴. That of all closed cases of `whose` is worked out once.
        """
        return self._closed_mark(whose, days) if at is self.closed(whose, days) else self._mark(at)

    def _mark(self, at: np.ndarray) -> tuple[int, int]:
        return len(at), int(self._random[at].sum())

    def _mark_of_closed(self, whose: Whose, days: int) -> tuple[int, int]:
        return self._mark(self.closed(whose, days))

    @cached_property
    def _random(self) -> np.ndarray:
        """64 random bits for each case, the same in every run."""
        return np.random.default_rng(0).integers(0, 2**64, len(self.cases), np.uint64)

    def positions(self, case_ids: Sequence[str]) -> np.ndarray:
        """Where cases stand that are named as published."""
        import pyarrow as pa
        import pyarrow.compute as pc

        asked = pa.array(case_ids, pa.string())
        found = pc.index_in(asked, pa.array(self.case_ids, pa.string()))
        if found.null_count:
            raise KeyError(asked.filter(found.is_null())[0].as_py())
        return found.to_numpy().astype(np.int64)

    def _quiet_in(self, days: int, seen_in: str) -> np.ndarray:
        return quiet_cases(self.cases, self.windows[days], seen_in)

    def _dead_by(self, days: int) -> np.ndarray:
        dead: np.ndarray = self.column("died") <= days
        return dead

    def in_shared_bands(self, whose: Whose, other: Whose, days: int) -> np.ndarray:
        """Positions of closed cases of an age band in which the other cases occur too; of unknown age are none."""
        own, theirs = (self.column("age_band")[self.closed(each, days)] for each in (whose, other))
        found: np.ndarray = self.closed(whose, days)[np.isin(own, theirs) & (own >= 0)]
        return found

    def _having(self, outcome: Outcome) -> Having:
        entry = complication_of(self.catalogue, self.labels.categories[outcome.category])
        at, day = self._first(outcome)
        within = day <= outcome.days
        at, day = at[within], day[within]
        event = self._marked(at)
        died: np.ndarray = self._dead(outcome.days)
        if died.any():
            died = died.copy()
            died[at[day <= self.column("died")[at]]] = False
        read = self.countable.assessed
        measured = (
            read.loc[read["category"] == outcome.category, "case"].to_numpy() if entry.measured else at[:0]
        )
        return Having(
            event=event,
            quiet=self._quiet(outcome.days, entry.seen_in),
            awaiting=self._awaiting(outcome) & ~event,
            died=died,
            assessed=self._marked(np.concatenate([at, measured])) if entry.measured else self._marked(at[:0]),
        )

    def first_events(self, outcome: Outcome) -> np.ndarray:
        """Day of each case's first counted complication, past every window where there is none."""
        first = np.full(len(self.cases), NO_EVENT)
        at, day = self._first(outcome)
        first[at] = day
        return first

    def _first(self, outcome: Outcome) -> tuple[np.ndarray, np.ndarray]:
        """Cases with a counted complication, in order, and the day of the first."""
        if outcome.laid:
            days = self._laid[outcome.category]
            return days.at, days.day
        own = self.rows_of(outcome, COUNTED)
        order = np.lexsort([own.day, own.case])
        case, day = own.case[order], own.day[order]
        new = np.r_[True, case[1:] != case[:-1]][: len(case)]
        return case[new], day[new]

    def first_days(self, outcome: Outcome, cases: Sequence[int]) -> list[int]:
        """The same of some cases, looking at no others."""
        if outcome.laid:
            laid = self._laid[outcome.category]
            kept = np.isin(laid.at, cases)
            pairs = zip(laid.at[kept].tolist(), laid.day[kept].tolist(), strict=True)
        else:
            own = self.rows_of(outcome, COUNTED).of(cases)
            pairs = zip(own.case.tolist(), own.day.tolist(), strict=True)
        first = dict(sorted(pairs, reverse=True))
        return [first.get(case, NO_EVENT) for case in cases]

    def rows_of(self, outcome: Outcome, status: int) -> Found:
        """Complications of a category and level with a status, on whatever day."""
        return self._found.get((outcome.category, outcome.level, status), NOTHING_FOUND)

    def member_rows(self, outcome: Outcome, status: int) -> Found:
        """Of any complication, the rows of the categories it is made of, within the window; else the outcome's own."""
        if self.labels.categories[outcome.category] == ANY_COMPLICATION:
            parts = [self._found.get((each, 0, status), NOTHING_FOUND) for each in self._members]
        else:
            parts = [self.rows_of(outcome, status)]
        return Found(*(np.concatenate(each) for each in zip(*parts, strict=True))).within(outcome.days)

    def _awaiting(self, outcome: Outcome) -> np.ndarray:
        """Of any complication, also whatever one of its members awaits."""
        own = self.rows_of(outcome, AWAITING).within(outcome.days)
        return self._marked(np.concatenate([own.case, self.member_rows(outcome, AWAITING).case]))

    @cached_property
    def _members(self) -> list[int]:
        return members(self.labels, self.catalogue)

    @cached_property
    def _found(self) -> dict[tuple[int, int, int], Found]:
        """(category, level, status) → its rows, in the order of cases."""
        rows = self.countable.complications
        columns = [rows[name].to_numpy(np.int64) for name in Found._fields]
        places = rows.groupby(["category", "level", "status"], sort=False).indices
        return {key: Found(*(column[at] for column in columns)) for key, at in places.items()}  # type: ignore[misc]

    def _marked(self, positions: np.ndarray) -> np.ndarray:
        mask = np.zeros(len(self.cases), bool)
        mask[positions] = True
        return mask

    @cached_property
    def _laid(self) -> dict[int, Days]:
        return laid_to_surgeons(evidence_rows(self.countable), self.labels, self.catalogue)

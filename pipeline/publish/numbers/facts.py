"""Which cases a number was counted from, found case by case.

Counts are sums over cells, corrected by sparse evidence (`pipeline.count`). Here every case is looked at and either
is one of them or is not, so that the length of a list tells whether a sum is right.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.case_evidence import Days, evidence_rows, laid_to_surgeons, members
from pipeline.catalogue import ANY_COMPLICATION, Catalogue, complication_of
from pipeline.handover import AWAITING, COUNTED, Cases
from pipeline.publish.coded import begins
from pipeline.publish.numbers.chosen import Chosen
from pipeline.publish.numbers.outcomes import NOTHING_FOUND, Found, Having, Outcome, rows_of_cases, together
from pipeline.publish.numbers.whose import ALL, Whose
from pipeline.settings import Settings, Window
from pipeline.watched import quiet_cases

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from pipeline.publish.numbers.answers import Answers
    from pipeline.publish.numbers.beside import Beside
    from pipeline.publish.numbers.news import News
    from pipeline.publish.numbers.received import Received


class Shared(NamedTuple):
    """Closed cases that numbers of several outcomes are counted from.

    Attributes:
        whose, days: The cases and the window.
        can: Of each group of operations a byte, 1 where the category can occur; empty: in all of these cases.
        kind: `cases`, or those `followed` or `lost` where every case with an event was watched to the end all the same.
        seen_in: How cases are watched, for the last two.
    """

    whose: Whose
    days: int
    can: bytes
    kind: str = "cases"
    seen_in: str = ""


#: Later than the end of every window.
NO_EVENT = 2**62
#: Bytes that what became of the cases may take in memory at once.
REMEMBERED = 200_000_000


class CaseFacts:
    """The counted cases of an edition and what became of each.

    Args:
        cases: Of all parts together.
        names: Their ids, in the same order.
        settings: Windows and comparisons.
        catalogue: How each category is observed.
        news: What else the counts of the period's news were counted from.
        received: What counts of rows were counted from.
        answers: What reviewers said.
    """

    def __init__(
        self,
        cases: Cases,
        names: pa.Array,
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
        self.names = names
        self.settings = settings
        self.catalogue = catalogue
        self.windows: dict[int, Window] = {window.days: window for window in settings.windows}
        remembered = max(16, REMEMBERED // (6 * max(1, len(cases.cases))))
        self.having = lru_cache(maxsize=remembered)(self._having)
        chosen = Chosen(self.cases, self.labels, settings)
        self.column, self.of, self.closed, self.inside, self._ended = (
            chosen.column,
            chosen.of,
            chosen.closed,
            chosen.inside,
            chosen.ended,
        )
        self._shared = lru_cache(maxsize=128)(self._of_shared)
        self._shared_mark = lru_cache(maxsize=4096)(self._mark_of_shared)
        self._present = lru_cache(maxsize=4096)(self._groups_of)
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
        shared = self._shares(kind, whose, outcome)
        if shared is not None:
            found: np.ndarray = self._shared(shared)
            return found
        own, having = self.counted_over(whose, outcome), self.having(outcome)
        return own[:0] if kind in having.nobody else own[having.kind(kind, own)]

    def of_several(self, kind: str, several: Sequence[Whose], outcome: Outcome) -> np.ndarray:
        """The same of several parts of the cases together, none in two of them."""
        mask = np.zeros(len(self.cases), bool)
        for whose in several:
            mask[self.among(kind, whose, outcome)] = True
        return np.flatnonzero(mask)

    def counted_over(self, whose: Whose, outcome: Outcome) -> np.ndarray:
        """Positions of the closed cases an outcome is counted over.

        All operations together are counted where the category can occur, if it can in any of these cases.
        """
        return self.among("cases", whose, outcome)

    def can_occur(self, whose: Whose, outcome: Outcome) -> np.ndarray | None:
        """bool over the closed cases: an outcome is counted over them; None: over all of them."""
        can = self._can(whose, outcome)
        own: np.ndarray = self.closed(whose, outcome.days)
        return np.frombuffer(can, bool)[self.column("group")[own]] if can else None

    def _can(self, whose: Whose, outcome: Outcome) -> bytes:
        """As in `Shared`."""
        if whose.procedure != ALL or whose.arm:
            return b""
        can = self.countable.defined[:, outcome.category] == 1
        here = can[self._present(whose, outcome.days)]
        return b"" if here.all() or not (outcome.laid or here.any()) else can.tobytes()

    def _groups_of(self, whose: Whose, days: int) -> np.ndarray:
        """Groups of operations of the closed cases."""
        found: np.ndarray = np.flatnonzero(np.bincount(self.column("group")[self.closed(whose, days)]))
        return found

    def _shares(self, kind: str, whose: Whose, outcome: Outcome) -> Shared | None:
        if kind == "cases":
            return Shared(whose, outcome.days, self._can(whose, outcome))
        if kind in ("followed", "lost") and self.having(outcome).all_watched:
            seen_in = complication_of(self.catalogue, self.labels.categories[outcome.category]).seen_in
            return Shared(whose, outcome.days, self._can(whose, outcome), kind, seen_in)
        return None

    def _of_shared(self, shared: Shared) -> np.ndarray:
        if shared.kind != "cases":
            own: np.ndarray = self._shared(Shared(*shared[:3]))
            quiet = self._quiet(shared.days, shared.seen_in)[own]
            return own[quiet if shared.kind == "followed" else ~quiet]
        own = self.closed(shared.whose, shared.days)
        return own[np.frombuffer(shared.can, bool)[self.column("group")[own]]] if shared.can else own

    def mark(self, at: np.ndarray, kind: str, whose: Whose, outcome: Outcome) -> tuple[int, int]:
        """The same for the same positions in any order: how many, and the sum of their random numbers.

        Of others it differs but for a chance of 2⁻⁶⁴.

        Args:
            at: What `among` gives of the others. What outcomes share is looked at once.
        """
        shared = self._shares(kind, whose, outcome)
        found: tuple[int, int] = self._mark(at) if shared is None else self._shared_mark(shared)
        return found

    def _mark(self, at: np.ndarray) -> tuple[int, int]:
        return len(at), int(self._random[at].sum())

    def _mark_of_shared(self, shared: Shared) -> tuple[int, int]:
        return self._mark(self._shared(shared))

    @cached_property
    def _random(self) -> np.ndarray:
        """64 random bits for each case, the same in every run."""
        return np.random.default_rng(0).integers(0, 2**64, len(self.cases), np.uint64)

    def positions(self, case_ids: Sequence[str]) -> np.ndarray:
        """Where cases stand that are named as published."""
        import pyarrow as pa
        import pyarrow.compute as pc

        asked = pa.array(case_ids, pa.string())
        found = pc.index_in(asked, self.names)
        if found.null_count:
            raise KeyError(asked.filter(found.is_null())[0].as_py())
        return found.to_numpy().astype(np.int64)

    def every(self) -> np.ndarray:
        """Positions of all cases, in the order of `cases` as published."""
        import pyarrow.compute as pc

        ids = self.names
        if pc.all(pc.less(ids[:-1], ids[1:])).as_py() is not False:
            return np.arange(len(ids))
        found: np.ndarray = pc.array_sort_indices(ids).to_numpy().astype(np.int64)
        return found

    def ids_of(self, at: np.ndarray | Sequence[int]) -> list[str]:
        """As published, of cases by position."""
        import pyarrow as pa

        found: list[str] = self.names.take(pa.array(at, pa.int64())).to_pylist()
        return found

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
        quiet: np.ndarray = self._quiet(outcome.days, entry.seen_in)
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
            quiet=quiet,
            awaiting=self._awaiting(outcome) & ~event,
            died=died,
            assessed=self._marked(np.concatenate([at, measured])) if entry.measured else self._marked(at[:0]),
            all_watched=not (self._ended(outcome.days)[at] & ~quiet[at]).any(),
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
        first = np.flatnonzero(begins(own.case))
        return own.case[first], np.minimum.reduceat(own.day, first) if len(first) else own.day

    def first_days(self, outcome: Outcome, cases: Sequence[int]) -> list[int]:
        """The same of some cases, looking at no others."""
        if outcome.laid:
            laid = self._laid[outcome.category]
            kept = rows_of_cases(laid.at, cases)
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
        return together(self._member_rows(outcome, status)).within(outcome.days)

    def member_rows_of(self, outcome: Outcome, status: int, cases: Sequence[int]) -> Found:
        """The same of some cases, looking at no others."""
        return together([rows.of(cases) for rows in self._member_rows(outcome, status)]).within(outcome.days)

    def _member_rows(self, outcome: Outcome, status: int) -> list[Found]:
        if self.labels.categories[outcome.category] != ANY_COMPLICATION:
            return [self.rows_of(outcome, status)]
        return [self._found.get((each, 0, status), NOTHING_FOUND) for each in self._members]

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
        if not rows["case"].is_monotonic_increasing:
            rows = rows.sort_values("case", kind="stable", ignore_index=True)
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

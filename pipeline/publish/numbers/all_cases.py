"""Files that hold a long list whole: a row a case, and what became of it in each outcome of the window."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import NEVER
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.outcomes import Outcome
from pipeline.publish.numbers.whose import Whose

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from pipeline.publish.numbers.told import Told

#: More cases are not written once more: they stand in cases.parquet and complications.parquet.
MOST_IN_A_FILE = 50_000
#: Up to so many cases, what files say of each is made at once for all of them: each stands in many files.
MOST_AT_ONCE = 2_000_000
WITH_IT, FOLLOWED, LOST, NOT_COUNTED = "with it", "followed", "lost", "not counted"
#: Said behind the first word, parted by `; `.
AWAITING, MEASURED, DIED = "awaiting", "measured", "died"
FURTHER = (AWAITING, MEASURED, DIED)
#: Every word of a case, as `Having.states` numbers them: of the first ones each with each choice of the further ones, and
#: last the one alone.
STATES = [
    "; ".join([first, *(word for bit, word in enumerate(FURTHER) if chosen >> bit & 1)])
    for first in (WITH_IT, FOLLOWED, LOST)
    for chosen in range(2 ** len(FURTHER))
] + [NOT_COUNTED]
NAMED = (
    "case_id", "operation", "site", "performed_on", "age_band", "last_visit_day", "records_until_day", "died_day",
)  # fmt: skip


class CaseFiles:
    """Makes files of cases, as bytes."""

    def __init__(self, facts: CaseFacts) -> None:
        self.facts = facts

    def named(self, at: np.ndarray) -> bytes:
        """Cases by position: id, operation, site, day, age band, and how long each was watched."""
        return _file(NAMED, [self._of(at)])

    def statuses(self, whose: Whose, days: int, outcomes: Sequence[Outcome], told: Told) -> bytes | None:
        """All closed cases of a window, with a column for each outcome; None where they are too many."""
        at = self.facts.closed(whose, days)
        if len(at) > MOST_IN_A_FILE:
            return None
        heads = (*NAMED, *(told.column(outcome) for outcome in outcomes))
        return _file(heads, [self._of(at), *(_states(self.facts, whose, each, at) for each in outcomes)])

    def _of(self, at: np.ndarray) -> pa.Array:
        """The `NAMED` cells of each, joined."""
        import pyarrow as pa

        few = len(self.facts.cases) <= MOST_AT_ONCE
        return self._of_all.take(pa.array(at)) if few else _beginnings(self.facts, at)

    @cached_property
    def _of_all(self) -> pa.Array:
        return _beginnings(self.facts, np.arange(len(self.facts.cases)))


def _file(heads: Sequence[str], cells: Sequence[pa.Array]) -> bytes:
    from pipeline.csv_cells import header_of, lines_of

    return b"".join([header_of(heads), lines_of(cells)])


def _beginnings(facts: CaseFacts, at: np.ndarray) -> pa.Array:
    import pyarrow as pa
    import pyarrow.compute as pc

    from pipeline.csv_cells import cells_of

    labels = facts.labels
    died = facts.column("died")[at]
    table = {
        "case_id": pa.array(facts.case_ids[at], pa.string()),
        "operation": _words(labels.groups, facts.column("group")[at]),
        "site": _words(labels.sites, facts.column("site")[at]),
        "performed_on": pa.array(facts.column("performed")[at].astype("int32"), pa.date32()),
        "age_band": _words((*labels.age_bands, "unknown"), facts.column("age_band")[at]),
        "last_visit_day": pa.array(facts.column("contact_until")[at]),
        "records_until_day": pa.array(np.maximum(facts.column("records_until")[at], 0)),
        "died_day": pa.array(died, mask=died == NEVER),
    }
    return pc.binary_join_element_wise(*cells_of(pa.table(table)), ",")


def _words(words: Sequence[str], places: np.ndarray) -> pa.Array:
    """A word a row; -1 is the last one."""
    import pyarrow as pa

    return pa.array(words, pa.string()).take(pa.array(places % len(words)))


def given_file(heads: Sequence[str], rows: Sequence[tuple[str, ...]] | pd.DataFrame) -> pd.DataFrame:
    """Rows of text as they are printed."""
    import pandas as pd

    return rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows), columns=list(heads))


def _states(facts: CaseFacts, whose: Whose, outcome: Outcome, at: np.ndarray) -> pa.Array:
    """The word of each case, and what else is known of it."""
    having = facts.having(outcome)
    state = having.states[at].astype(np.int64)
    can = facts.can_occur(whose, outcome)
    if can is not None:
        state[~can] = len(STATES) - 1
    return _words(STATES, state)

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
    days, day = _distinct(facts.column("performed")[at])
    table = {
        "case_id": facts.names.take(pa.array(at)),
        "last_visit_day": pa.array(facts.column("contact_until")[at]),
        "records_until_day": pa.array(np.maximum(facts.column("records_until")[at], 0)),
        "died_day": pa.array(died, mask=died == NEVER),
    }
    case_id, *until = cells_of(pa.table(table))
    return pc.binary_join_element_wise(
        case_id,
        _words(pa.array(labels.groups, pa.string()), facts.column("group")[at]),
        _words(pa.array(labels.sites, pa.string()), facts.column("site")[at]),
        _words(pa.array(days.astype("int32"), pa.date32()), day),
        _words(pa.array([*labels.age_bands, "unknown"], pa.string()), facts.column("age_band")[at]),
        *until,
        ",",
    )


def _distinct(numbers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All whole numbers from the lowest to the highest, and the place of each of these among them."""
    low, high = (int(numbers.min()), int(numbers.max())) if len(numbers) else (0, 0)
    return np.arange(low, high + 1), numbers - low


def _words(words: pa.Array, places: np.ndarray) -> pa.Array:
    """The cell of a file that holds a word, a row; -1 is the last word."""
    import pyarrow as pa

    from pipeline.csv_cells import cells_beside_others

    return cells_beside_others(words).take(pa.array(places % len(words)))


def given_file(heads: Sequence[str], rows: Sequence[tuple[str, ...]] | pd.DataFrame) -> pd.DataFrame:
    """Rows of text as they are printed."""
    import pandas as pd

    return rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows), columns=list(heads))


def _states(facts: CaseFacts, whose: Whose, outcome: Outcome, at: np.ndarray) -> pa.Array:
    """The word of each case, and what else is known of it."""
    import pyarrow as pa

    having = facts.having(outcome)
    state = having.states[at].astype(np.int64)
    can = facts.can_occur(whose, outcome)
    if can is not None:
        state[~can] = len(STATES) - 1
    return pa.array(STATES, pa.string()).take(pa.array(state))

"""Files that hold a long list whole: a row a case, and what became of it in each outcome of the window."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.handover import NEVER
from pipeline.publish.numbers.facts import CaseFacts, Outcome
from pipeline.publish.numbers.whose import Whose

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish.numbers.told import Told

#: More cases are not written once more: they stand in cases.parquet and complications.parquet.
MOST_IN_A_FILE = 50_000
WITH_IT, FOLLOWED, LOST, NOT_COUNTED = "with it", "followed", "lost", "not counted"
#: Said behind the first word, parted by `; `.
AWAITING, MEASURED, DIED = "awaiting", "measured", "died"


def named_file(facts: CaseFacts, at: np.ndarray) -> pd.DataFrame:
    """Cases by position: id, operation, site, day, age band, and how long each was watched."""
    import pandas as pd

    own = facts.cases.iloc[at]
    labels = facts.labels
    died = own["died"].to_numpy(np.int64)
    return pd.DataFrame(
        {
            "case_id": facts.case_ids[at],
            "operation": np.array(labels.groups, dtype=object)[own["group"]],
            "site": np.array(labels.sites, dtype=object)[own["site"]],
            "performed_on": own["performed"].to_numpy(np.int64).astype("datetime64[D]").astype(str),
            "age_band": np.array([*labels.age_bands, "unknown"], dtype=object)[own["age_band"]],
            "last_visit_day": own["contact_until"].to_numpy(np.int64),
            "records_until_day": np.maximum(own["records_until"].to_numpy(np.int64), 0),
            "died_day": pd.Series(died, dtype="Int64").mask(died == NEVER).to_numpy(dtype=object),
        }
    )


def given_file(heads: Sequence[str], rows: Sequence[tuple[str, ...]] | pd.DataFrame) -> pd.DataFrame:
    """Rows of text as they are printed."""
    import pandas as pd

    return rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows), columns=list(heads))


def status_file(
    facts: CaseFacts, whose: Whose, days: int, outcomes: Sequence[Outcome], told: Told
) -> pd.DataFrame | None:
    """All closed cases of a window, with a column for each outcome; None where they are too many."""
    at = facts.closed(whose, days)
    if len(at) > MOST_IN_A_FILE:
        return None
    columns = {told.column(outcome): _states(facts, whose, outcome, at) for outcome in outcomes}
    return named_file(facts, at).assign(**columns)


def _states(facts: CaseFacts, whose: Whose, outcome: Outcome, at: np.ndarray) -> np.ndarray:
    """The word of each case, and what else is known of it."""
    having = facts.having(outcome)
    event, quiet = having.event[at], having.quiet[at]
    state = np.where(event, WITH_IT, np.where(quiet, FOLLOWED, LOST)).astype(object)
    for mask, word in ((having.awaiting, AWAITING), (having.assessed, MEASURED), (having.died, DIED)):
        own = mask[at]
        state[own] = state[own] + f"; {word}"
    state[~np.isin(at, facts.counted_over(whose, outcome))] = NOT_COUNTED
    return state

"""What is new in the period about complications: those that happened in it and those that became known in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.catalogue import ANY_COMPLICATION, Catalogue
from pipeline.periods import parse_period

if TYPE_CHECKING:
    import pandas as pd

COUNTED = "counted"


def period_complications(
    cases: pd.DataFrame, complications: pd.DataFrame, period: str, catalogue: Catalogue
) -> pd.DataFrame:
    """Counted complications, main levels only, that happened or became known in the period, with their case's columns.

    They are what `activity` counts: one of unknown day never happened in a period, and what was known in time became
    known in none.

    Args:
        cases, complications: As published.
        period: Name of the period.

    Returns:
        Columns of both tables, and `happened`, `learned` (bool), `happened_on` (day, missing where unknown); by case_id.
    """
    import pandas as pd

    span = parse_period(period)
    main = {key: entry.main_level for key, entry in catalogue.complications.items()}
    own = complications[
        (complications["status"] == COUNTED)
        & (complications["category"] != ANY_COMPLICATION)
        & (complications["level"] == complications["category"].map(main))
    ]
    both = own.merge(_of_these(cases, own["case_id"]), on="case_id", how="inner", suffixes=("", "_of_case"))
    after = pd.to_timedelta(pd.to_numeric(both["day"]).astype("float64"), unit="D")
    happened_on = pd.to_datetime(both["performed_on"]) + after
    first, last = pd.Timestamp(span.first_day), pd.Timestamp(span.last_day)
    known_on = pd.to_datetime(both["known_on"])
    told = both.assign(
        happened_on=happened_on,
        happened=happened_on.between(first, last),
        learned=known_on.between(first, last) & both["known_late"].astype(bool),
    )
    news = told[told["happened"] | told["learned"]]
    return news.sort_values(["case_id", "category"], kind="stable", ignore_index=True)


def _of_these(cases: pd.DataFrame, ids: pd.Series) -> pd.DataFrame:
    """The cases with these ids: mostly few among many, whose ids Python then need not take in hand."""
    import pyarrow as pa
    import pyarrow.compute as pc

    wanted = pa.array(ids, pa.string())
    return cases[pc.is_in(pa.array(cases["case_id"], pa.string()), wanted).to_numpy(zero_copy_only=False)]

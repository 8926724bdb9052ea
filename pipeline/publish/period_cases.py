"""What is new in the period about complications: those that happened in it and those that became known in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.catalogue import ANY_COMPLICATION, Catalogue
from pipeline.periods import Period, parse_period
from pipeline.publish.printed import Printed, is_one_of

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    import pyarrow as pa

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


def tables_of_period(
    tables: Mapping[str, pd.DataFrame], period: str, catalogue: Catalogue
) -> Mapping[str, pd.DataFrame]:
    """`cases` and `complications` with at least every case that died or has something new in the period.

    Among very many cases few have; of tables that are frames already all is left.
    """
    if not isinstance(tables, Printed) or not {"cases", "complications"} <= tables.keys():
        return tables
    return tables.once(period, lambda: _narrowed(tables, parse_period(period), catalogue))


def _narrowed(tables: Printed, span: Period, catalogue: Catalogue) -> dict[str, pd.DataFrame]:
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    first, last = (np.datetime64(day, "D").astype(np.int64) for day in (span.first_day, span.last_day))

    def within(days: np.ndarray) -> np.ndarray:
        inside: np.ndarray = (days >= first) & (days <= last)
        return inside

    cases, complications = tables.written["cases"], tables.written["complications"]
    performed = _whole(cases["performed_on"])
    of_case = _places(cases["case_id"], complications["case_id"])
    main = pa.array([entry.main_level for entry in catalogue.complications.values()], pa.string())
    counted = is_one_of(complications["status"], pa.array([COUNTED])) & is_one_of(
        complications["level"], pc.unique(main)
    )
    learned = within(_whole(complications["known_on"])) & complications["known_late"].to_numpy()
    happened = within(performed[of_case] + _whole(complications["day"]))
    news = np.zeros(len(cases), bool)
    news[of_case[counted & (learned | happened)]] = True
    news |= within(performed + _whole(cases["died"]))
    return {
        "cases": tables.some("cases", lambda _: news),
        "complications": tables.some("complications", lambda _: news[of_case]),
    }


def _whole(cells: pa.ChunkedArray) -> np.ndarray:
    """Whole numbers or days since 1970-01-01; far off where a cell is empty."""
    import pyarrow as pa
    import pyarrow.compute as pc

    days = cells.cast(pa.int32()) if pa.types.is_date32(cells.type) else cells
    found: np.ndarray = pc.fill_null(days.cast(pa.int64()), 2**40).to_numpy()
    return found


def _places(cases: pa.ChunkedArray, asked: pa.ChunkedArray) -> np.ndarray:
    """Where among the ids of cases each id stands; ids that share a dictionary are compared by their numbers."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    known, theirs = (cells.combine_chunks() for cells in (cases, asked))
    if all(isinstance(each, pa.DictionaryArray) for each in (known, theirs)) and known.dictionary.equals(
        theirs.dictionary
    ):
        place = np.zeros(len(known.dictionary), np.int64)
        place[known.indices.to_numpy()] = np.arange(len(known))
        found: np.ndarray = place[theirs.indices.to_numpy()]
        return found
    texts = (cells.cast(pa.string()) for cells in (asked, cases))
    wanted, ids = texts
    at: np.ndarray = pc.index_in(wanted, value_set=ids.combine_chunks()).to_numpy()
    return at

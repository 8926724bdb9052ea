"""The frame in which a check says what it found: file, line, column, rule, what was found and what to do.

What may be said is the closed list of `schemas.findings`.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from schemas.exports import EXPORTS
from schemas.findings import FINDINGS

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping

    import pandas as pd

    from pipeline.handover import Source
    from schemas.columns import Column

COLUMNS = (
    "site",
    "source_file",
    "source_line",
    "table",
    "record_id",
    "column",
    "rule",
    "value",
    "message",
    "action",
)
REPAIR_COLUMNS = (
    "site",
    "source_file",
    "source_line",
    "table",
    "record_id",
    "column",
    "rule",
    "before",
    "after",
)

#: Code → rule.
CATALOGUE = FINDINGS
_FORMS = {
    "date": "a whole day such as 2025-03-03, or in the order agreed",
    "moment": "a moment such as 2025-03-03T14:30",
    "integer": "a whole number",
    "number": "a number such as 12.5",
    "yes_no": "yes or no",
    "id": "a pseudonym without name or address",
}
#: Rules about the form of a cell: what the column should hold is told with them.
_OF_FORM = frozenset(
    {"value_missing", "value_unparsable", "value_unknown_word", "value_out_of_range", "value_code_for_missing",
     "date_zone_unstated", "date_partial"}
)  # fmt: skip


def remedy(rule: str, site: str, column: str = "") -> str:
    """What to do about a rule at a site and column: its remedy with their names put in."""
    text = CATALOGUE[rule].remedy
    text = text.replace("<site>", site) if site else text
    return text.replace("<column>", column) if column else text


def expected(column: Column) -> str:
    """What a cell of the column should hold, in words; empty where anything goes."""
    if column.vocabulary:
        return "one of " + ", ".join(column.vocabulary)
    limits = ""
    if column.low is not None and column.high is not None:
        limits = f" from {column.low:g} to {column.high:g}"
    return _FORMS.get(column.kind, "") + (limits if column.kind in ("integer", "number") else "")


@cache
def asked_of_sender(rule: str, site: str, table: str, column: str) -> str:
    """What the sender of a file is asked to do, with what the column should hold; empty where it is not theirs to act.

    It is made of the list of findings and the contract alone, so it holds nothing of any file.
    """
    about = CATALOGUE[rule]
    if about.acts not in ("sender", "either"):
        return ""
    asked = about.asks or remedy(rule, site, column)
    if rule not in _OF_FORM or table not in EXPORTS or column not in EXPORTS[table].names:
        return asked
    described = EXPORTS[table][column]
    wanted = expected(described)
    return f"{asked} `{column}`: {described.description}" + (f" Expected: {wanted}." if wanted else "")


def empty() -> pd.DataFrame:
    """A findings frame without rows."""
    return _empty().copy()


@lru_cache(maxsize=1)
def _empty() -> pd.DataFrame:
    import pandas as pd

    return tidy(pd.DataFrame(columns=list(COLUMNS)))


def frame(rows: Iterable[dict[str, object]]) -> pd.DataFrame:
    """Findings from dictionaries; absent keys are empty, `action` comes from the catalogue.

    Raises:
        KeyError: A rule that the catalogue does not have.
    """
    import pandas as pd

    complete = [{**row, "action": CATALOGUE[str(row["rule"])].action} for row in rows]
    return tidy(pd.DataFrame(complete, columns=list(COLUMNS))) if complete else empty()


def at_written_row(
    row: Mapping[Hashable, Any], table: str, column: str, rule: str, message: str
) -> dict[str, object]:
    """A finding about a cell of a row that a person wrote, for `frame`. `row` is one of `pipeline.people`."""
    return {
        "site": row.get("site_id") or "",
        "source_file": row["source_file"],
        "source_line": row["source_line"],
        "table": table,
        "column": column,
        "rule": rule,
        "value": str(row[column]),
        "message": message,
    }


def tidy(found: pd.DataFrame) -> pd.DataFrame:
    """The frame with the catalogue's columns, types and no nulls but in `source_line`."""
    texts = [name for name in COLUMNS if name != "source_line"]
    complete = found.reindex(columns=list(COLUMNS))
    complete[texts] = complete[texts].astype("string").fillna("")
    return complete.astype({"source_line": "Int64"})


def joined(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Several findings frames as one, in the order given."""
    import pandas as pd

    filled = [each for each in frames if len(each)]
    return tidy(pd.concat(filled, ignore_index=True)) if filled else empty()


def without_refused(said: pd.DataFrame, sources: Iterable[Source]) -> pd.DataFrame:
    """Findings or repairs without lines about single rows of files that were refused whole.

    Rows of a file may have been repaired or complained of before it was refused; nothing of such a file is copied.
    Why it was refused stays, also where that names a line.
    """
    import pandas as pd

    refused = [
        (source.source_file, source.table) for source in sources if source.refused and not source.is_used
    ]
    if not refused:
        return said
    places = pd.MultiIndex.from_frame(said[["source_file", "table"]].astype(object))
    about_them = places.isin(pd.MultiIndex.from_tuples(refused, names=["source_file", "table"]))
    about_rows = said["source_line"].notna().to_numpy()
    if "action" in said:
        about_rows = about_rows & ~said["action"].isin(["refuse", "set_aside"]).to_numpy()
    return said[~(about_them & about_rows)].reset_index(drop=True)


def without_advice_on_identifiers(found: pd.DataFrame) -> pd.DataFrame:
    """Findings without the advice to map a column that has to be taken out at the source."""
    import pandas as pd

    place = ["source_file", "table", "column"]
    out = pd.MultiIndex.from_frame(found.loc[found["rule"] == "identifiers_in_columns", place].astype(object))
    theirs = pd.MultiIndex.from_frame(found[place].astype(object)).isin(out)
    return found[~(theirs & (found["rule"] == "column_unknown").to_numpy())].reset_index(drop=True)

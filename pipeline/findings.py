"""The frame in which a check says what it found: file, line, column, rule, what was found and what to do.

What may be said is the closed list of `schemas.findings`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from schemas.findings import FINDINGS

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

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

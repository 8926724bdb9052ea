"""Findings the department knows and accepts for a time: counted like all others, but no longer new."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from pipeline import findings

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

#: Column of a marked frame: why the finding is known; empty where it is new.
BECAUSE = "known_because"
_RECORD, _RULE = ["site", "rule", "record_id"], ["site", "rule"]


def marked(found: pd.DataFrame, known: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """The findings with a column `known_because`, and one finding more for each row that has run out in vain.

    Args:
        found: Findings frame.
        known: Rows of known_findings/: site, rule, record_id (None: all of the rule at the site), until, reason, by.
        as_of: Day of knowledge; a row holds up to and including its `until`.
    """
    current = known["until"].map(lambda day: day >= as_of).astype(bool)
    because = _because(found, known[current])
    expired = known[~current]
    again = found[(because == "") & (_because(found, expired) != "")]
    complaints = findings.frame(_run_out(expired, again))
    return findings.joined([found, complaints]).assign(**{BECAUSE: because.tolist() + [""] * len(complaints)})


def is_new(found: pd.DataFrame) -> np.ndarray:
    """bool over the findings: not marked as known."""
    import numpy as np

    return (
        (found[BECAUSE] == "").to_numpy(dtype=bool) if BECAUSE in found else np.ones(len(found), dtype=bool)
    )


def _because(found: pd.DataFrame, known: pd.DataFrame) -> pd.Series:
    """Why each finding is known: by its record, else by its rule; where several rows say so, by the one that holds longest."""
    import pandas as pd

    because = pd.Series("", index=range(len(found)), dtype=object)
    for columns, rows in (
        (_RULE, known[known["record_id"].isna()]),
        (_RECORD, known[known["record_id"].notna()]),
    ):
        if len(rows):
            longest = rows.sort_values("until", kind="stable").drop_duplicates(columns, keep="last")
            reasons = pd.Series(
                _words(longest), index=pd.MultiIndex.from_frame(longest[columns].astype(object))
            )
            own = reasons.reindex(pd.MultiIndex.from_frame(found[columns].astype(object))).reset_index(
                drop=True
            )
            because = own.where(own.notna(), because)
    return because


def _words(known: pd.DataFrame) -> list[str]:
    return [
        f"{reason} ({by}, until {until})"
        for reason, by, until in zip(known["reason"], known["by"], known["until"], strict=True)
    ]


def _run_out(expired: pd.DataFrame, again: pd.DataFrame) -> list[dict[str, object]]:
    """A finding for each row whose day has passed while what it speaks of still occurs."""
    rules = set(zip(again["site"], again["rule"], strict=True))
    records = set(zip(again["site"], again["rule"], again["record_id"], strict=True))
    return [
        {
            "site": row["site"],
            "source_file": row["source_file"],
            "source_line": row["source_line"],
            "table": "known_findings",
            "column": "until",
            "rule": "known_finding_expired",
            "message": f"{row['source_file']} line {row['source_line']}: `until` has passed and `{row['rule']}` still "
            "occurs, so it is new again. Have it mended at the source, or add a row with a later day.",
        }
        for row in expired.to_dict("records")
        if (row["site"], row["rule"]) in rules
        and (row["record_id"] is None or (row["site"], row["rule"], row["record_id"]) in records)
    ]

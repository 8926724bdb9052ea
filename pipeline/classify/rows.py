"""Decisions laid over the rows that evidence made."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import AWAITING, COUNTED, NO, REFUTED, STRENGTHS, YES

CONFIRMED, NO_EVIDENCE = STRENGTHS.index("confirmed"), -1
KEY = ["case", "category"]


def with_verdicts(rows: pd.DataFrame, verdicts: pd.DataFrame) -> pd.DataFrame:
    """A verdict comes before everything else, and makes the main level's row where evidence made none."""
    made = _missing_main(rows, verdicts)
    both = pd.concat([rows, made], ignore_index=True)
    said = both.merge(verdicts, how="left", on=KEY, suffixes=("", "_said"))
    verdict = said["verdict"].to_numpy(dtype=float)
    decided = ~np.isnan(verdict)
    yes = verdict == YES
    dated = (verdict != NO) & decided & (said["day_said"] >= 0).to_numpy()
    moved = dated & ((both["level"] == 0).to_numpy() | _same_event(rows, both))
    return both.assign(
        status=np.where(
            decided, np.select([yes, verdict == NO], [COUNTED, REFUTED], AWAITING), both["status"]
        ),
        strength=np.where(yes, CONFIRMED, both["strength"]),
        day=np.where(moved, said["day_said"].fillna(-1), both["day"]).astype("int64"),
        **{
            name: np.where(yes & _was_uncounted(both), said["decided"].fillna(0), both[name]).astype("int64")
            for name in ("learned", "before")
        },
    )


def _same_event(rows: pd.DataFrame, both: pd.DataFrame) -> np.ndarray:
    """bool: the row's day is that of its category's main level by the evidence, so they are one event."""
    main = rows.loc[rows["level"] == 0, [*KEY, "day"]].drop_duplicates(KEY)
    return both[KEY].merge(main, how="left", on=KEY)["day"].to_numpy() == both["day"].to_numpy()


def _was_uncounted(rows: pd.DataFrame) -> np.ndarray:
    return (rows["status"] != COUNTED).to_numpy()


def _missing_main(rows: pd.DataFrame, verdicts: pd.DataFrame) -> pd.DataFrame:
    """Main-level rows of decided cases and categories that have none; a split one still awaits."""
    main = pd.MultiIndex.from_frame(rows.loc[rows["level"] == 0, KEY])
    lacking = verdicts[~pd.MultiIndex.from_frame(verdicts[KEY]).isin(main)]
    levels = (
        rows.groupby(KEY)["day"].min().rename("known")
        if len(rows)
        else pd.Series(dtype="int64", name="known")
    )
    known = (
        levels.reindex(pd.MultiIndex.from_frame(lacking[KEY])).to_numpy(dtype=float) if len(rows) else np.nan
    )
    day = np.where(lacking["day"] >= 0, lacking["day"], np.nan_to_num(known, nan=-1))
    return pd.DataFrame(
        {
            "case": lacking["case"],
            "category": lacking["category"],
            "level": 0,
            "day": day.astype("int64"),
            "strength": NO_EVIDENCE,
            "status": AWAITING,
            "learned": lacking["decided"],
            "before": lacking["decided"],
            "pieces": 0,
        }
    )

"""Outcomes that an operation cannot have, or that have no meaning for it: a word, where a nought would mislead."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.settings import Compare, Primary

if TYPE_CHECKING:
    import pandas as pd

#: (procedure, category, level, window in days) → why nothing is counted.
NotCounted = Mapping[tuple[str, str, str, int], str]
KEY = ["procedure", "category", "level", "window_days"]


def not_counted(tables: Mapping[str, pd.DataFrame]) -> NotCounted:
    """What the rates say of operations whose cases have no count: that it cannot occur, or is not defined."""
    rates = tables.get("rates")
    if rates is None or rates.empty:
        return {}
    bare = rates[(rates["stratum"] == "none") & rates["events"].isna() & rates["note"].fillna("").ne("")]
    keys = bare[KEY].itertuples(index=False, name=None)
    return {
        (procedure, category, level, int(window)): str(note).split(":")[0]
        for (procedure, category, level, window), note in zip(keys, bare["note"], strict=True)
    }


def why_not_counted(row: Mapping[Hashable, object], arm: str, known: NotCounted, context: Context) -> str:
    """Why a comparison's outcome has no count in arm `a` or `b`; empty where it has one."""
    procedure = str(row[f"arm_{arm}"]) if row["by"] == "procedure" else _procedure_of(row, context)
    window = int(str(row["window_days"]))
    return known.get((procedure, str(row["category"]), str(row["level"]), window), "")


def _procedure_of(row: Mapping[Hashable, object], context: Context) -> str:
    """The operation within which a comparison by something else was asked for."""
    settings = context.settings
    stated: list[Primary | Compare] = [settings.primary] if settings.primary else []
    among = "" if words.is_missing(row["among"]) else row["among"]
    wanted = (row["by"], row["arm_a"], row["arm_b"], among)
    return next(
        (
            each.within
            for each in [*stated, *settings.compare]
            if (each.by, each.a, each.b, each.among) == wanted
        ),
        "",
    )

"""Which evidence speaks for which level of a category, and when it is enough."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import Complication, Level
from pipeline.handover import READING
from schemas.exports import EXPORTS

ENERGIES = EXPORTS["events"]["energy"].vocabulary


def evidence_for(
    level: Level, entry: Complication, found: pd.DataFrame, limits: tuple[str, ...]
) -> np.ndarray:
    """bool over the evidence of a category: it speaks for this level, time apart.

    Args:
        found: Evidence of one category, as `evidence_of` gives it.
        limits: Names of thresholds, by the `limit` of readings.
    """
    position = [candidate.key for candidate in entry.levels].index(level.key)
    listed = (found["level"] == position).to_numpy()
    if level.after_operations:
        return found["after"].to_numpy() | listed
    if level.redo:
        return found["redo"].to_numpy() | listed
    if level.threshold:
        return (found["limit"] == limits.index(level.threshold)).to_numpy() | listed
    if level.energy:
        return found["energy"].isin([ENERGIES.index(word) for word in level.energy]).to_numpy() | listed
    if level.instability_levels and position:
        return found["grade"].isin(level.instability_levels).to_numpy() | listed
    if level.times or not position:
        return _for_main(entry, found) | listed
    return (found["limit"] == 0).to_numpy() | listed


def _for_main(entry: Complication, found: pd.DataFrame) -> np.ndarray:
    """Everything but treatments, further thresholds, and grades or codes of a level that is only described."""
    main = entry.levels[0]
    described = [number for number, level in enumerate(entry.levels) if level.described]
    plain = (
        ~found["after"].to_numpy()
        & (found["limit"] <= 0).to_numpy()
        & ~found["level"].isin(described).to_numpy()
    )
    if not main.instability_levels:
        return plain
    ungraded = (found["grade"] < 0).to_numpy()
    return plain & (ungraded | found["grade"].isin(main.instability_levels).to_numpy())


def in_time(level: Level, entry: Complication, found: pd.DataFrame) -> np.ndarray:
    """bool over usable evidence of one level, sorted by case and day: it is enough, days considered.

    `from_day`, `to_day` and `or_visits` speak of readings where the category is measured, else of all evidence;
    `times` asks for that many events `apart_days` apart.
    """
    day = found["day"].to_numpy()
    asked = (found["kind"] == READING).to_numpy() if entry.measured else np.ones(len(found), dtype=bool)
    apart = level.apart_days or 0
    within = (day >= (level.from_day or 0)) & (day <= (level.to_day or np.inf))
    enough = ~asked | within | (day < 0)
    if level.or_visits:
        enough |= asked & _repeated(found, asked, level.or_visits, apart)
    if level.times:
        enough &= _repeated(found, np.ones(len(found), dtype=bool), level.times, apart)
    return enough


def strength_of_all(level: Level, found: pd.DataFrame) -> np.ndarray:
    """Strength of a level that asks for several events: that of the weakest of the strongest ones that are enough."""
    result = np.full(len(found), found["strength"].min() if len(found) else 0)
    for strength in sorted(found["strength"].unique()):
        own = found[found["strength"] >= strength]
        enough = _repeated(own, np.ones(len(own), dtype=bool), level.times or 1, level.apart_days or 0)
        result[found["case"].isin(own.loc[enough, "case"])] = strength
    return result


def _repeated(found: pd.DataFrame, asked: np.ndarray, times: int, apart: int) -> np.ndarray:
    """bool: of a case with at least `times` such days, each `apart` days after the one before it."""
    own = found.loc[asked & (found["day"] >= 0), ["case", "day"]].drop_duplicates()
    reached = own.groupby("case")["day"].min()
    apart = max(apart, 1)  # one day is never two
    for _ in range(times - 1):
        earliest = reached.reindex(own["case"]).to_numpy()
        next_ones = own[(own["day"].to_numpy() >= earliest + apart) & ~np.isnan(earliest)]
        reached = next_ones.groupby("case")["day"].min()
    return found["case"].isin(reached.index).to_numpy() & asked

"""From evidence to one row a case, category and level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Complication, Level
from pipeline.classify.lateness import arrivals, parted
from pipeline.classify.levels import evidence_for, in_time, strength_of_all
from pipeline.handover import AWAITING, COUNTED, STATUSES, STRENGTHS, Facts
from pipeline.lookup import Lookup
from pipeline.settings import Settings

PRE_EXISTING, CANNOT_OCCUR = STATUSES.index("pre_existing"), STATUSES.index("cannot_occur")
TOO_SOON, DESCRIBED = STATUSES.index("too_soon"), STATUSES.index("described")
POSSIBLE, PROBABLE = STRENGTHS.index("possible"), STRENGTHS.index("probable")
ROW = ["case", "category", "level", "day", "strength", "status", "learned", "before", "pieces"]
UNKNOWN = np.iinfo(np.int64).max
#: Of evidence that counts for nothing, the reason named first: there before, too soon, cannot occur.
REASONS = tuple(STATUSES.index(word) for word in ("pre_existing", "too_soon", "cannot_occur"))


@dataclass(frozen=True)
class Sorted:
    """`rows`: complications before decisions. `evidence`: what each rests on, as in Classified.

    `also`: rows that a record awaiting a link would date earlier, with that day.
    """

    rows: pd.DataFrame
    evidence: pd.DataFrame
    also: pd.DataFrame


def complication_rows(
    evidence: pd.DataFrame, facts: Facts, look: Lookup, settings: Settings, limits: tuple[str, ...]
) -> Sorted:
    """Sort the evidence of every category into its levels."""
    evidence = evidence.assign(learned=arrivals(evidence, facts))
    counted = [STRENGTHS.index(word) for word in settings.counted]
    parts = []
    for category, entry in enumerate(look.catalogue.complications.values()):
        own = evidence[evidence["category"] == category]
        for level in entry.levels if len(own) else ():
            speaks = own[evidence_for(level, entry, own, limits)]
            if len(speaks):
                parts.append(_of_level(speaks, level, entry, counted))
    none = evidence.iloc[:0].assign(status=0, used=False, also=False)
    chosen = pd.concat(parts, ignore_index=True) if parts else none
    chosen = chosen if len(chosen) else chosen.assign(at_level=0)
    key = ["case", "category", "at_level"]
    earlier = chosen["also"].astype(bool)
    also, chosen = chosen[earlier].drop_duplicates(key).assign(pieces=0), chosen[~earlier]
    pieces = chosen.groupby(key)["row"].transform("size")
    rows = chosen.assign(pieces=pieces).drop_duplicates(key)
    kept = ["case", "category", "at_level", "table", "row", "day", "strength", "kind", "used", "pending"]
    told = chosen.reindex(columns=kept).rename(columns={"at_level": "level"})
    return Sorted(_as_rows(rows), told, _as_rows(also))


def _as_rows(rows: pd.DataFrame) -> pd.DataFrame:
    named = {"at_level": "level", "row_day": "day", "row_strength": "strength", "row_learned": "learned"}
    wanted = rows.drop(columns=[*named.values()], errors="ignore").rename(columns=named)
    learned, before = parted(wanted.reindex(columns=["learned"]).astype("int64")["learned"].to_numpy())
    return (
        wanted.assign(learned=learned, before=before)
        .reindex(columns=ROW)
        .astype("int64")
        .reset_index(drop=True)
    )


def _of_level(own: pd.DataFrame, level: Level, entry: Complication, counted: list[int]) -> pd.DataFrame:
    """Evidence of one level with what its row will say: `row_day`, `row_strength`, `row_learned`, `status`."""
    position = [candidate.key for candidate in entry.levels].index(level.key)
    early = (own["day"] < entry.first_day) & (own["day"] >= 0) & ~own["after"]
    blocked = np.where(early & (own["blocked"] != PRE_EXISTING), TOO_SOON, own["blocked"])
    blocked = np.where((blocked == CANNOT_OCCUR) & level.described, -1, blocked)
    own = own.assign(blocked=blocked, at_level=position, early=early)
    free = own[own["blocked"] < 0]
    usable = free[~free["pending"]]
    usable = usable[in_time(level, entry, usable)]
    together = free[~free["pending"] | free["first"]]
    pending = together[in_time(level, entry, together) & together["pending"]]
    waiting = pending[~pending["case"].isin(usable["case"])]
    seen = np.append(usable["case"].to_numpy(), waiting["case"].to_numpy())
    unusable = own[(own["blocked"] >= 0) & ~own["pending"] & ~own["case"].isin(seen)]
    if level.times:
        unusable = unusable[in_time(level, entry, unusable)]
    found = _usable(usable, level, entry, counted)
    awaits = DESCRIBED if level.described else AWAITING
    parts = [found]
    if len(waiting):
        parts.append(_summed(waiting).assign(status=awaits, used=True))
    if len(unusable):
        parts.append(_unusable(unusable))
    told = pd.concat(parts).assign(also=False)
    if level.described or pending.empty:
        return told
    earlier = _dated_earlier(pending, found)
    if earlier.empty:
        return told
    return pd.concat([told, _summed(earlier).assign(status=AWAITING, used=True, also=True)])


def _dated_earlier(pending: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """Records awaiting a link of cases that have other evidence, where theirs is of an earlier or an unknown day."""
    known = found.drop_duplicates("case").set_index("case")["row_day"]
    return pending[pending["day"].to_numpy() < known.reindex(pending["case"]).to_numpy(dtype=float)]


def _summed(found: pd.DataFrame) -> pd.DataFrame:
    """Each case's earliest known day, greatest strength, and the first arrival of anything of it."""
    case, day = _number_of_case(found), found["day"].to_numpy(np.int64)
    first = _least(case, np.where(day >= 0, day, UNKNOWN))
    return found.assign(
        row_day=np.where(first == UNKNOWN, -1, first),
        row_strength=_most(case, found["strength"].to_numpy(np.int64)),
        row_learned=_least(case, found["learned"].to_numpy(np.int64)),
    )


def _number_of_case(found: pd.DataFrame) -> np.ndarray:
    return np.unique(found["case"].to_numpy(), return_inverse=True)[1]


def _least(group: np.ndarray, values: np.ndarray) -> np.ndarray:
    """For each value the least of its group; groups are numbered from 0."""
    least = np.full(group.max(initial=-1) + 1, UNKNOWN)
    np.minimum.at(least, group, values)
    return least[group]


def _most(group: np.ndarray, values: np.ndarray) -> np.ndarray:
    return -_least(group, -values)


def _usable(found: pd.DataFrame, level: Level, entry: Complication, counted: list[int]) -> pd.DataFrame:
    found = _summed(found)
    raised = found.assign(
        strength=np.where(_agreeing(found, entry.repeated_days), PROBABLE, found["strength"])
    )
    case = _number_of_case(found)
    together = _most(case, raised["strength"].to_numpy(np.int64))
    found["row_strength"] = strength_of_all(level, raised) if level.times else together
    enough = found["row_strength"].isin(counted)
    strong = found["strength"].isin(counted) | ~enough
    learned = _least(case, np.where(strong, found["learned"], UNKNOWN))
    found["row_learned"] = np.where(learned == UNKNOWN, found["row_learned"], learned)
    status = np.where(enough, COUNTED, AWAITING)
    return found.assign(status=DESCRIBED if level.described else status, used=True)


def _agreeing(found: pd.DataFrame, repeated_days: int) -> np.ndarray:
    """bool: only possible, but another kind of possible evidence agrees within the time of one event."""
    only_possible = (found["strength"] == POSSIBLE).to_numpy() & (found["day"] >= 0).to_numpy()
    if not only_possible.any():
        return only_possible
    by_day = found[only_possible].sort_values(["case", "day", "kind"])
    gap = by_day.groupby("case")["day"].diff()
    agrees = (by_day.groupby("case")["kind"].diff().fillna(0) != 0) & (gap <= repeated_days)
    both = agrees | agrees.shift(-1, fill_value=False)
    return only_possible & found.index.isin(by_day.index[both])


def _unusable(found: pd.DataFrame) -> pd.DataFrame:
    """Evidence of a case that has nothing usable: the first of the reasons stands, in its days if it can."""
    rank = (
        2 * found["blocked"].map({reason: number for number, reason in enumerate(REASONS)}) + found["early"]
    )
    first = _least(_number_of_case(found), rank.to_numpy(np.int64))
    return _summed(found[rank == first]).assign(status=found["blocked"], used=False)

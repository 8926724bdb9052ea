"""From operation rows to sittings, and from sittings to index cases with their later operations.

A sitting is what was done to one joint and side of one patient on one day. The first sitting of an index
procedure for a problem opens a case; a later one for the same problem, or of another procedure of the
catalogue on the same joint, belongs to that case.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.handover import (
    BOTH,
    LEFT,
    NO_RETURN,
    NOT_NAMED,
    NOT_SENT,
    NOT_THEIRS,
    PERFORMED,
    PLANNED,
    PLANNED_LATE,
    RECORD_TABLES,
    RETURN,
    RIGHT,
    UNSIDED,
    Facts,
)
from pipeline.link.pairs import Pairs, last_of, pairs_on
from pipeline.link.unsure import of_unknown_problem, waiting_sittings
from pipeline.lookup import Lookup
from pipeline.ordered import in_order
from schemas.exports import EXPORTS

WITHOUT_SEDATION = [EXPORTS["operations"]["anaesthesia"].vocabulary.index(word) for word in ("local", "none")]
NO_LINK, LINKED_TO_NONE, LINKED_TO_ITSELF = -1, -2, -3
BLOCK = ["patient", "side", "group"]


@dataclass(frozen=True)
class Sittings:
    """`rows`: performed operations of the catalogue by side, with their `sitting`; `listed` ones come from a list of codes.

    `sittings`: one row a sitting, sorted by patient, side, watch group and day, named by its first row. `opens`
    (bool) marks index cases, `root` is the sitting of the case it belongs to (-1: none), `role` what a later one is,
    `pending` why people must say to which case it belongs (position in PENDING, -1).
    `candidates`: (sitting, opening sitting) pairs of those.
    """

    rows: pd.DataFrame
    sittings: pd.DataFrame
    candidates: Pairs


def sittings_of(facts: Facts, look: Lookup) -> Sittings:
    """All sittings of one partition."""
    rows = _with_groups(_by_side(_procedure_rows(facts), look), look)
    rows["is_index"] = look.index[rows["procedure"]]
    rows["concerns"] = look.problem[rows["procedure"]]
    order = [*BLOCK, "day", "no_index", "procedure", "listed", "operation"]
    rows = in_order(rows.assign(no_index=~rows["is_index"]), order).drop(columns="no_index")
    rows["sitting"] = _changes(rows, [*BLOCK, "day"])
    sittings = _named(rows)
    sittings["stage"] = _is_stage(rows, sittings)
    sittings["link"] = _links(facts, rows, sittings)
    sittings["owner"] = _owner(rows, sittings)
    free = ~sittings["stage"] & sittings["link"].isin([NO_LINK, LINKED_TO_ITSELF])
    sittings["opens"] = sittings["is_index"] & free & (sittings["owner"] == sittings.index)
    sittings["unsure"] = of_unknown_problem(sittings, look) & (sittings["link"] == NO_LINK)
    sittings["opens"] &= ~sittings["unsure"]
    sittings["root"] = _roots(rows, sittings, look)
    waiting = waiting_sittings(sittings, look)
    sittings["pending"] = waiting.reason
    sittings["root"] = np.where(waiting.reason >= 0, -1, sittings["root"])
    sittings["role"] = _roles(sittings)
    return Sittings(rows, sittings, waiting.candidates)


def _procedure_rows(facts: Facts) -> pd.DataFrame:
    """Performed rows of the catalogue, and one more for each further procedure a row lists."""
    operations = facts.operations
    done = operations[(operations["status"] == PERFORMED) & (operations["procedure"] >= 0)]
    listed = done.drop(columns="procedure").merge(facts.concomitants, on="operation")
    return pd.concat([done.assign(listed=0), listed.assign(listed=1)], ignore_index=True)


def _by_side(rows: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """Bilateral rows become two; a procedure without sides is UNSIDED whatever was written."""
    unsided = ~look.sided[rows["procedure"]] | ~rows["side"].isin([LEFT, RIGHT, BOTH]).to_numpy()
    side = np.where(unsided, UNSIDED, rows["side"])
    single = rows.assign(side=np.where(side == BOTH, LEFT, side), bilateral=side == BOTH)
    return pd.concat([single, single[single["bilateral"]].assign(side=RIGHT)], ignore_index=True)


def _with_groups(rows: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """The watch group of each row; a procedure without a joint takes that of the operation it goes with or follows."""
    group = look.watch_group[rows["procedure"]]
    rows = rows.assign(group=group, jointless=group < 0)
    rows = in_order(rows, ["patient", "side", "day", "jointless", "operation"])
    carried = rows["group"].where(~rows["jointless"]).groupby([rows["patient"], rows["side"]]).ffill()
    return rows.assign(group=carried.fillna(-1).astype(np.int64))


def _changes(rows: pd.DataFrame, columns: list[str]) -> np.ndarray:
    """Number of the run of equal values, for sorted rows."""
    values = rows[columns].to_numpy()
    differs = np.append(True, (values[1:] != values[:-1]).any(axis=1))[: len(values)]
    return np.cumsum(differs) - 1


def _named(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a sitting, from its naming row; planned only if every row of it was."""
    sittings = rows.drop_duplicates("sitting").reset_index(drop=True)
    planned = (rows["planned"] == 1).groupby(rows["sitting"]).min()
    reason = rows.groupby("sitting")["reason"].max()
    return sittings.assign(
        planned=planned.to_numpy().astype(bool),
        reason=sittings["reason"].mask(sittings["reason"] < 0, reason.to_numpy()),
    )


def _sitting_of(rows: pd.DataFrame, operation: np.ndarray, side: np.ndarray) -> np.ndarray:
    """The sitting of an operation on a side, -1 where there is none."""
    if not (operation >= 0).any():
        return np.full(len(operation), -1)
    keyed = in_order(rows, ["operation", "side", "listed"]).drop_duplicates(["operation", "side"])
    known = keyed["operation"].to_numpy() * 4 + keyed["side"].to_numpy()
    wanted = np.where(operation < 0, -1, operation * 4 + side)
    found = last_of(pairs_on(wanted, known), len(wanted))
    return np.where(found < 0, -1, keyed["sitting"].to_numpy()[found] if len(keyed) else -1)


def _is_stage(rows: pd.DataFrame, sittings: pd.DataFrame) -> np.ndarray:
    """Planned with an earlier operation of ours on that side: neither a case nor a return."""
    first = _sitting_of(rows, sittings["planned_with"].to_numpy(), sittings["side"].to_numpy())
    day = np.append(sittings["day"].to_numpy(), 0)
    return sittings["planned"].to_numpy() & (first >= 0) & (day[first] < sittings["day"].to_numpy())


def _links(facts: Facts, rows: pd.DataFrame, sittings: pd.DataFrame) -> np.ndarray:
    """The sitting that a reviewer's link gives each sitting to; LINKED_TO_NONE, or NO_LINK without a usable one.

    One that is linked to its own case (LINKED_TO_ITSELF) opens it where no rule can tell.
    """
    links = facts.links[facts.links["table"] == RECORD_TABLES.index("operations")]
    operation = facts.operations["operation"].to_numpy()[links["record"]]
    target = _sitting_of(rows, links["operation"].to_numpy(), links["side"].to_numpy())
    target = np.where(links["operation"] == NOT_NAMED, LINKED_TO_NONE, target)
    given = pd.DataFrame({"operation": operation, "target": target})
    own = rows.loc[rows["listed"] == 0, ["operation", "sitting", "patient"]].merge(given, on="operation")
    patient = np.append(sittings["patient"].to_numpy(), -1)
    same = (own["target"] == LINKED_TO_NONE) | (patient[own["target"].clip(lower=-1)] == own["patient"])
    own["target"] = own["target"].mask(own["target"] == own["sitting"], LINKED_TO_ITSELF)
    usable = own[same & (own["target"] != NO_LINK)]
    link = np.full(len(sittings), NO_LINK, dtype=np.int64)
    link[usable["sitting"]] = usable["target"]
    return link


def _owner(rows: pd.DataFrame, sittings: pd.DataFrame) -> np.ndarray:
    """The first sitting whose index procedures treat the problem this sitting treats, -1 if none does."""
    elsewhere = ~sittings["link"].isin([NO_LINK, LINKED_TO_ITSELF])
    taken = (sittings["stage"] | elsewhere).to_numpy()[rows["sitting"]]
    treated = rows[rows["is_index"] & ~taken].drop_duplicates([*BLOCK, "concerns"])
    owned = sittings[[*BLOCK, "concerns"]].merge(
        treated[[*BLOCK, "concerns", "sitting"]], how="left", on=[*BLOCK, "concerns"]
    )
    return owned["sitting"].fillna(-1).astype(np.int64).to_numpy()


def _roots(rows: pd.DataFrame, sittings: pd.DataFrame, look: Lookup) -> np.ndarray:
    """The sitting that opened the case each sitting belongs to, -1 without one."""
    number = np.arange(len(sittings))
    stage = sittings["stage"].to_numpy()
    concerned = (sittings["owner"] >= 0) & (sittings["owner"] < number)
    pointer = np.where(sittings["opens"], number, _latest_watching(sittings, look))
    follows_problem = concerned & ~sittings["opens"] & (sittings["is_index"] | (sittings["concerns"] > 0))
    pointer = np.where(follows_problem, sittings["owner"], pointer)
    named = _sitting_of(rows, sittings["planned_with"].to_numpy(), sittings["side"].to_numpy())
    pointer = np.where(stage, named, pointer)
    link = sittings["link"].to_numpy()
    free = (link == NO_LINK) | (link == LINKED_TO_ITSELF)
    pointer = np.where(free, pointer, np.maximum(link, -1))
    return _followed(pointer, sittings["opens"].to_numpy())


def _latest_watching(sittings: pd.DataFrame, look: Lookup) -> np.ndarray:
    """The latest earlier sitting on that side whose procedure watches this one's joint."""
    key = (sittings["patient"] * 4 + sittings["side"]).to_numpy()
    later = np.flatnonzero(~sittings["opens"].to_numpy())
    by_day = np.lexsort((sittings["day"].to_numpy(), key))
    pairs = pairs_on(key[later], key[by_day])
    left, right = later[pairs.left], by_day[pairs.right]
    day, procedure = sittings["day"].to_numpy(), sittings["procedure"].to_numpy()
    joint = look.joint[procedure[left]]
    same_group = sittings["group"].to_numpy()[left] == sittings["group"].to_numpy()[right]
    watched = np.where(joint >= 0, look.watches[procedure[right], joint], same_group)
    found = last_of(pairs.where((day[right] < day[left]) & watched.astype(bool)), len(later))
    latest = np.full(len(sittings), -1, dtype=np.int64)
    latest[later] = np.where(found >= 0, by_day[found], -1)
    return latest


def _followed(pointer: np.ndarray, opens: np.ndarray) -> np.ndarray:
    """Follow earlier and earlier sittings to the one that opened the case."""
    pointer = np.append(pointer, -1)
    opened = np.append(opens, True)
    for _ in range(64):
        waiting = (pointer >= 0) & ~opened[pointer]
        if not waiting.any():
            break
        pointer[waiting] = pointer[pointer[waiting]]
    settled = (pointer >= 0) & opened[pointer]
    return np.where(settled, pointer, -1)[:-1]


def _roles(sittings: pd.DataFrame) -> np.ndarray:
    """What each later sitting is to its case; meaningless for one that opens a case."""
    first_day = np.append(sittings["day"].to_numpy(), 0)[sittings["root"].to_numpy()]
    nobody = sittings["planned_with"].isin([NOT_SENT, NOT_THEIRS]).to_numpy()
    late = (sittings["planned_on"].to_numpy() > first_day) | nobody
    awake = sittings["anaesthesia"].isin(WITHOUT_SEDATION).to_numpy()
    planned = sittings["planned"].to_numpy()
    return np.select([planned & late, planned, awake], [PLANNED_LATE, PLANNED, NO_RETURN], RETURN)

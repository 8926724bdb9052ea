"""Later operations whose case only people can tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.handover import (
    NO_JOINT,
    NO_SIDE,
    NOT_SENT,
    NOT_THEIRS,
    OPERATION_ABSENT,
    OTHER_PATIENT,
    OTHER_PROBLEM,
    TWO_OPERATIONS,
    UNSIDED,
)
from pipeline.link.pairs import Pairs, last_of, pairs_on
from pipeline.lookup import Lookup

CLOSE_DAYS = 30


@dataclass(frozen=True)
class Waiting:
    """`reason` of each sitting (position in PENDING, -1), and its `candidates`: (sitting, opening sitting) pairs."""

    reason: np.ndarray
    candidates: Pairs


def of_unknown_problem(sittings: pd.DataFrame, look: Lookup) -> np.ndarray:
    """bool: would open a case, but an earlier index operation on that joint and side may have treated the same problem.

    Nobody can tell where the catalogue does not say what one of two different procedures is done for.

    Args:
        sittings: With `patient, side, day, procedure, opens`.
    """
    opens = np.flatnonzero(sittings["opens"].to_numpy())
    day, procedure = (sittings[name].to_numpy() for name in ("day", "procedure"))
    unnamed = look.problem < 0
    unsure = np.zeros(len(sittings), dtype=bool)
    if not unnamed[procedure[opens]].any():
        return unsure
    key = (sittings["patient"] * 4 + sittings["side"]).to_numpy()
    order = opens[np.argsort(key[opens], kind="stable")]
    pairs = pairs_on(key[opens], key[order])
    left, right = opens[pairs.left], order[pairs.right]
    unclear = (unnamed[procedure[left]] | unnamed[procedure[right]]) & (procedure[left] != procedure[right])
    watched = look.watches[procedure[right], look.joint[procedure[left]]]
    unsure[left[unclear & watched & (day[right] < day[left])]] = True
    return unsure


def waiting_sittings(sittings: pd.DataFrame, look: Lookup) -> Waiting:
    """Sittings that open no case and that no rule ties to one for sure.

    Args:
        sittings: With `patient, side, day, procedure, opens, unsure, link, root, planned, planned_with, jointless, is_index`.
    """
    size = len(sittings)
    asked = ~sittings["opens"].to_numpy() & (sittings["link"] == -1).to_numpy()
    procedure = sittings["procedure"].to_numpy()
    sideless = (
        (sittings["side"] == UNSIDED).to_numpy() & look.sided[procedure] & ~sittings["is_index"].to_numpy()
    )
    earlier = _earlier(sittings, look, np.flatnonzero(asked), sideless)
    root = sittings["root"].to_numpy()
    cases = Pairs(earlier.left, root[earlier.right])
    jointless = sittings["jointless"].to_numpy()
    planned_with = sittings["planned_with"].to_numpy()
    planned = sittings["planned"].to_numpy()
    reason = np.select(
        [
            sittings["unsure"].to_numpy(),
            planned & (planned_with == NOT_SENT),
            planned & (planned_with == NOT_THEIRS),
            sideless,
            jointless & (_groups_of(sittings, earlier, size) > 1),
            ~sittings["is_index"].to_numpy()
            & ~sittings["stage"].to_numpy()
            & _close(sittings, earlier, size),
        ],
        [OTHER_PROBLEM, OPERATION_ABSENT, OTHER_PATIENT, NO_SIDE, NO_JOINT, TWO_OPERATIONS],
        -1,
    )
    has_case = np.bincount(cases.left, minlength=size).astype(bool)
    reason = np.where(asked & has_case, reason, -1)
    kept = np.unique(np.stack([cases.left, cases.right], axis=1)[reason[cases.left] >= 0], axis=0)
    return Waiting(reason, Pairs(kept[:, 0], kept[:, 1]))


def _earlier(sittings: pd.DataFrame, look: Lookup, asked: np.ndarray, sideless: np.ndarray) -> Pairs:
    """Earlier sittings of a case whose procedure watches the joint of the one asked about; sorted by day."""
    patient = sittings["patient"].to_numpy()
    order = np.lexsort((sittings["day"].to_numpy(), patient))
    pairs = pairs_on(patient[asked], patient[order])
    left, right = asked[pairs.left], order[pairs.right]
    day, side, procedure = (sittings[name].to_numpy() for name in ("day", "side", "procedure"))
    joint = look.joint[procedure[left]]
    watched = look.watches[procedure[right], joint] | (joint < 0)
    same_side = (side[left] == side[right]) | sideless[left]
    belongs = sittings["root"].to_numpy()[right] >= 0
    kept = watched & same_side & belongs & (day[right] < day[left])
    return Pairs(left[kept], right[kept])


def _groups_of(sittings: pd.DataFrame, earlier: Pairs, size: int) -> np.ndarray:
    """In how many watch groups each sitting has earlier ones."""
    group = sittings["group"].to_numpy()[earlier.right]
    distinct = np.unique(np.stack([earlier.left, group], axis=1), axis=0)
    return np.bincount(distinct[:, 0], minlength=size)


def _close(sittings: pd.DataFrame, earlier: Pairs, size: int) -> np.ndarray:
    """bool: the latest two earlier sittings of different cases are at most 30 days apart."""
    root, day = sittings["root"].to_numpy(), sittings["day"].to_numpy()
    latest = last_of(earlier, size)
    second = last_of(earlier.where(root[earlier.right] != root[latest[earlier.left]]), size)
    return (second >= 0) & (day[latest] - day[second] <= CLOSE_DAYS)

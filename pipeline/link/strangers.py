"""Operations of the catalogue that belong to no case of ours, and why."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import BEFORE, ELSEWHERE, OTHER_SIDE, UNSIDED, UNWATCHED
from pipeline.link.pairs import has_any, pairs_on
from pipeline.link.sittings import Sittings
from pipeline.lookup import Lookup


def without_case(found: Sittings, look: Lookup) -> np.ndarray:
    """(sittings,) position in UNATTRIBUTED, -1 where a case is theirs or they await a link.

    Before a case of that joint and side, at the other side or another joint of a patient of ours, else elsewhere: the
    patient was operated on by others first.
    """
    alone = np.flatnonzero((found.sittings["root"] < 0) & (found.sittings["pending"] < 0))
    own = found.sittings.iloc[alone]
    opened = found.sittings[found.sittings["opens"]].sort_values(["patient", "day"])
    pairs = pairs_on(own["patient"].to_numpy(), opened["patient"].to_numpy())
    joint = look.joint[own["procedure"].to_numpy()][pairs.left]
    watched = look.watches[opened["procedure"].to_numpy()[pairs.right], joint] | (joint < 0)
    sides = own["side"].to_numpy()[pairs.left], opened["side"].to_numpy()[pairs.right]
    same_side = (sides[0] == sides[1]) | (sides[0] == UNSIDED) | (sides[1] == UNSIDED)
    later = opened["day"].to_numpy()[pairs.right] > own["day"].to_numpy()[pairs.left]
    seen = [
        has_any(pairs.where(keep), len(own))
        for keep in (watched & same_side & later, watched & ~same_side, same_side)
    ]
    why = np.full(len(found.sittings), -1, dtype=np.int64)
    why[alone] = np.select(seen, [BEFORE, OTHER_SIDE, UNWATCHED], ELSEWHERE)
    return why


def operations_without_case(found: Sittings, why: np.ndarray) -> pd.DataFrame:
    """`table, row, why` of operations with a side that belongs to no case.

    Args:
        why: From `without_case`.
    """
    rows = found.rows[found.rows["listed"] == 0]
    rows = rows.assign(why=why[rows["sitting"]])
    rows = rows[rows["why"] >= 0].drop_duplicates("operation")
    return pd.DataFrame({"table": "operations", "row": rows["row"], "why": rows["why"]})

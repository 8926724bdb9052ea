"""Codes of later encounters: the same injury seen again, not another one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import LEFT, RIGHT, STRENGTHS, Facts
from pipeline.lookup import Lookup

POSSIBLE = STRENGTHS.index("possible")
NO_DAY_OF_CASE = -1
SAID = ["patient", "category", "side", "code_joint", "day"]


def without_repeats(coded: pd.DataFrame, facts: Facts, look: Lookup) -> pd.DataFrame:
    """A code of a later encounter repeats the event it follows; where none was seen it is possible, its day unknown.

    Args:
        coded: Coded events of cases: `record` (position in the events), `subsequent`.
    """
    again = (coded["subsequent"] == 1).to_numpy()
    if not again.any():
        return coded
    seen = _follows_another(coded["record"].to_numpy()[again], facts, look)
    lone = coded[again][~seen].assign(day=NO_DAY_OF_CASE, strength=POSSIBLE)
    return pd.concat([coded[~again], lone], ignore_index=True)


def _follows_another(records: np.ndarray, facts: Facts, look: Lookup) -> np.ndarray:
    """bool: an earlier or simultaneous first encounter of that patient, category, side and joint is among all records.

    It may lie before the operation, or belong to another case. A side or joint nobody names contradicts none.
    """
    own = _said(facts.events.iloc[records]).assign(at=np.arange(len(records)))
    events = facts.events
    first = events[(events["subsequent"] == 0) & (events["category"] >= 0)]
    first = _said(first[first["patient"].isin(own["patient"])])
    both = own.merge(first, on=["patient", "category"], suffixes=("", "_first"))
    side, side_first = both["side"].to_numpy(), both["side_first"].to_numpy()
    joint, joint_first = both["code_joint"].to_numpy(), both["code_joint_first"].to_numpy()
    same_side = (side == side_first) | (side < 0) | (side_first < 0)
    same_joint = look.match[joint, joint_first] | (joint < 0) | (joint_first < 0)
    follows = same_side & same_joint & (both["day_first"] <= both["day"]).to_numpy()
    seen = np.zeros(len(own), dtype=bool)
    seen[both["at"].to_numpy()[follows]] = True
    return seen


def _said(events: pd.DataFrame) -> pd.DataFrame:
    """`SAID` of events; the side is that of the record, else of its code, else -1."""
    side = np.where(events["side"].isin([LEFT, RIGHT]), events["side"], events["code_side"])
    return events.assign(side=side)[SAID]

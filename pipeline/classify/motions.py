"""Motions that an operation means to limit, and what the other side could do."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.handover import LEFT, RIGHT, Facts, Linked
from pipeline.lookup import Lookup


def limited_on_purpose(readings: pd.DataFrame, facts: Facts, linked: Linked, look: Lookup) -> np.ndarray:
    """bool: on or after an operation of the case that means to limit this motion.

    Args:
        readings: `case, day, measure` (position in the measures sent).
    """
    if not look.limited:
        return np.zeros(len(readings), dtype=bool)
    place = {measure: number for number, measure in enumerate(look.limited)}
    limited = np.array([place.get(measure, -1) for measure in facts.measures] + [-1])[readings["measure"]]
    case, day = readings["case"].to_numpy(), readings["day"].to_numpy()
    at_first = linked.sitting_limits[case, limited] & (day >= 0)
    later = linked.chain.iloc[linked.chain_procedures["link"]][["case", "day", "pending"]].reset_index(
        drop=True
    )
    limits = look.limits[linked.chain_procedures["procedure"].to_numpy()] & ~later[["pending"]].to_numpy()
    position, motion = np.nonzero(limits)
    since = later.iloc[position][["case", "day"]].assign(motion=motion)
    first = since.groupby(["case", "motion"])["day"].min()
    begun = first.reindex(pd.MultiIndex.from_arrays([case, limited])).to_numpy(dtype=float)
    return np.asarray((limited >= 0) & (at_first | (day >= begun)))


def other_side(readings: pd.DataFrame, sent: pd.DataFrame, linked: Linked) -> np.ndarray:
    """Value of the patient's other side, from the latest reading up to that day; nan without one.

    Args:
        readings: `case, day` of one motion.
        sent: All readings of that motion: `patient, side, day` (calendar), `value`.
    """
    cases = linked.cases.iloc[readings["case"]]
    side = cases["side"].to_numpy()
    asked = pd.DataFrame(
        {
            "patient": cases["patient"].to_numpy(),
            "side": np.where(np.isin(side, [LEFT, RIGHT]), LEFT + RIGHT - side, -1),
            "day": readings["day"].to_numpy() + cases["performed"].to_numpy(),
            "at": np.arange(len(readings)),
        }
    ).astype("int64")
    known = sent.loc[sent["side"].isin([LEFT, RIGHT]), ["patient", "side", "day", "row", "value"]]
    known = known.astype({"patient": "int64", "side": "int64", "day": "int64"}).sort_values(["day", "row"])
    found = pd.merge_asof(
        asked.sort_values("day", kind="stable"), known.drop(columns="row"), on="day", by=["patient", "side"]
    )
    return found.sort_values("at")["value"].to_numpy(dtype=float)

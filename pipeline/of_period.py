"""What of a run lies in the edition's period."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline import findings
from pipeline.handover import PERFORMED, Facts
from pipeline.parts import Whole

if TYPE_CHECKING:
    from pipeline.run import Accounted, Ground


def _in_period(days: np.ndarray, ground: Ground) -> np.ndarray:
    first, last = (
        np.datetime64(day).astype("datetime64[D]").astype(int)
        for day in (ground.period.first_day, ground.cut_on)
    )
    return (days >= first) & (days <= last)


def operations_of_period(facts: Facts, ground: Ground) -> pd.DataFrame:
    """Performed operations of the catalogue in the period, rows of the facts."""
    own = facts.operations
    performed = (own["status"] == PERFORMED) & (own["procedure"] >= 0)
    return own[performed & _in_period(own["day"].to_numpy(), ground)]


def operations_in_period(facts: Facts, ground: Ground) -> pd.DataFrame:
    """How many they are: `site, group, operations`."""
    done = operations_of_period(facts, ground)
    counted = done.groupby(["site", "procedure"]).size().rename("operations").reset_index()
    return counted.rename(columns={"procedure": "group"})


def decisions_of_period(whole: Whole, rows: Accounted) -> pd.DataFrame:
    """Cases and categories decided in the period, rows of the whole."""
    return whole.decided[_in_period(whole.decided["decided"].to_numpy(), rows.ground)]


def decisions_in_period(whole: Whole, rows: Accounted) -> pd.DataFrame:
    """How many they are: `site, group, decisions`."""
    cases = whole.cases.iloc[decisions_of_period(whole, rows)["case"]]
    return cases.groupby(["site", "group"]).size().rename("decisions").reset_index()


def empty_period(rows: Accounted, whole: Whole) -> pd.DataFrame:
    """Sites without a case in the period: an empty month is a finding, not a silence."""
    inside = whole.cases["site"].to_numpy()[_in_period(whole.cases["performed"].to_numpy(), rows.ground)]
    seen = {rows.resolved.facts.sites[number] for number in np.unique(inside)}
    empty = [reach.site.site_id for reach in rows.reached if reach.site.site_id not in seen]
    name = rows.ground.period.name
    return findings.frame(
        {
            "site": site,
            "table": "operations",
            "rule": "period_empty",
            "message": f"{site} has no index operation in {name}. Check with the site before reporting nothing.",
        }
        for site in empty
    )

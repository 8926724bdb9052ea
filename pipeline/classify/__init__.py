"""Classify: evidence into complications, each with level, day, strength and status.

The catalogue says what counts; nothing here names a category or a procedure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.catalogue import PATIENT_DIED
from pipeline.classify.any_of import any_rows
from pipeline.classify.evidence import evidence_of
from pipeline.classify.heard import heard_of
from pipeline.classify.lateness import with_lateness
from pipeline.classify.readings import assessed_cases, readings_of, thresholds
from pipeline.classify.returns import returns_of, with_parents
from pipeline.classify.rows import with_verdicts
from pipeline.classify.severity import with_grades
from pipeline.classify.sorting import complication_rows
from pipeline.classify.verdicts import verdicts_of
from pipeline.handover import COUNTED, Classified, Facts, Linked
from pipeline.lookup import Lookup
from pipeline.ordered import in_order

if TYPE_CHECKING:
    from pipeline.settings import Settings

__all__ = ["classified"]


def classified(facts: Facts, linked: Linked, look: Lookup, settings: Settings) -> Classified:
    """Complications of one part, any complication among them."""
    heard = heard_of(facts, linked, look)
    readings = readings_of(facts, linked, look)
    evidence = evidence_of(facts, linked, look, heard, readings)
    found = complication_rows(evidence, facts, look, settings, thresholds(look))
    verdicts = verdicts_of(facts, linked)
    rows = with_verdicts(found.rows, verdicts)
    key = ["case", "category"]
    settled = pd.MultiIndex.from_frame(found.also[key]).isin(pd.MultiIndex.from_frame(verdicts[key]))
    rows = pd.concat([rows, any_rows(rows, look)], ignore_index=True)
    returns = returns_of(facts, linked, look, rows, found.evidence, verdicts)
    rows = with_grades(rows, facts, linked, look, found.evidence, returns, verdicts)
    rows = with_parents(rows, returns, look)
    rows, also = (
        with_lateness(each, linked.cases["performed"].to_numpy()) for each in (rows, found.also[~settled])
    )
    assessed, unassessed = assessed_cases(readings, facts, look)
    return Classified(
        complications=in_order(rows, ["case", "category", "level", "status"]),
        also=also.assign(grade=-1, parent=-1),
        assessed=assessed,
        readings=readings,
        unassessed=unassessed,
        evidence=found.evidence,
        died=_died(linked, rows, look),
        unread=_unread(facts, linked),
        decided=verdicts,
        heard=heard,
        spoken=evidence,
        returns=returns,
    )


def _died(linked: Linked, rows: pd.DataFrame, look: Lookup) -> np.ndarray:
    """The earliest of a stated death and a counted complication that is the patient's death."""
    fatal = np.append(look.words_of("implied_by", PATIENT_DIED), False)
    counted = rows[(rows["status"] == COUNTED) & fatal[rows["category"]] & (rows["day"] >= 0)]
    died = linked.cases["died"].to_numpy().copy()
    np.minimum.at(died, counted["case"].to_numpy(), counted["day"].to_numpy())
    return died


def _unread(facts: Facts, linked: Linked) -> pd.DataFrame:
    """Events of a case with nothing but a note: people must read them."""
    own = linked.records[
        (linked.records["table"] == "events") & (linked.records["day"] >= 0) & ~linked.records["pending"]
    ]
    said = facts.events.iloc[own["record"]]
    silent = ~said["coded"] & (said["instability_level"] < 0) & (said["through"] < 0)
    silent &= ~said["understood"] if "understood" in said else True
    return own[(said["noted"] & silent).to_numpy()][["case", "table", "row", "day"]].reset_index(drop=True)

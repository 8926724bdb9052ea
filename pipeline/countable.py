"""What count is given of a partition: its cases from the first date counted on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.handover import NEVER, NO_DAY, PLANNED, RETURN, Cases, Labels
from schemas.exports import EXPORTS

if TYPE_CHECKING:
    from pipeline.handover import Classified, Facts, Linked
    from pipeline.lookup import Lookup

STATUSES = EXPORTS["followups"]["status"].vocabulary
CONTACT = [STATUSES.index(word) for word in ("seen", "remote")]
SPORT = EXPORTS["followups"]["return_to_sport"].vocabulary
ANSWERS = [SPORT.index(word) for word in ("same_or_higher", "lower", "none")]
MODES = EXPORTS["measurements"]["mode"].vocabulary
TOLD_MODES = [MODES.index(word) for word in ("passive", "none")]


def countable_cases(facts: Facts, linked: Linked, part: Classified, labels: Labels, look: Lookup) -> Cases:
    """Cases from the first date counted on, numbered anew.

    Args:
        linked: Its cases have `died`.
    """
    cases = linked.cases
    kept = cases["counted"].to_numpy().astype(bool)
    number = np.cumsum(kept) - 1
    found = pd.concat([part.complications, part.also], ignore_index=True)
    own, measured, later, answers, readings = (
        frame[kept[frame["case"]]].assign(case=lambda rows: number[rows["case"]]).reset_index(drop=True)
        for frame in (
            found,
            part.assessed,
            _later_operations(cases, part.returns),
            _answers(facts, linked),
            _told_readings(part.readings),
        )
    )
    return Cases(
        labels=labels,
        cases=cases[kept].reset_index(drop=True).assign(case=np.arange(int(kept.sum()), dtype=np.int64)),
        complications=own,
        assessed=measured,
        defined=look.defined,
        returns=later,
        answers=answers,
        readings=readings,
    )


def _later_operations(cases: pd.DataFrame, returns: pd.DataFrame) -> pd.DataFrame:
    """`case, first, to, reason, planned, day` of returns and planned operations; one planned only later is neither yet."""
    own = returns[returns["role"].isin([RETURN, PLANNED])]
    first = cases["procedure"].to_numpy()[own["case"]]
    named = own.rename(columns={"procedure": "to"}).assign(first=first, planned=own["role"] == PLANNED)
    return named[["case", "first", "to", "reason", "planned", "day"]]


def _answers(facts: Facts, linked: Linked) -> pd.DataFrame:
    """What contacts after the operation say about sport, also visits that several cases share."""
    records = linked.records
    own = records[(records["table"] == "followups") & ~records["pending"].astype(bool)]
    visits = pd.concat([own[["row", "case"]], linked.shared_visits[["row", "case"]]]).drop_duplicates()
    said = facts.followups[facts.followups["status"].isin(CONTACT) & facts.followups["sport"].isin(ANSWERS)]
    told = said[["row", "day", "sport", "returned", "why_not"]].rename(columns={"why_not": "why"})
    found = visits.merge(told, on="row").astype("int64")
    performed = linked.cases["performed"].to_numpy(np.int64)[found["case"]]
    returned = np.where(found["returned"] == NO_DAY, NEVER, found["returned"] - performed)
    found = found.assign(day=found["day"] - performed, returned=returned)
    found = found[found["day"] > 0].sort_values(["case", "day", "row"])
    return found[["case", "day", "sport", "returned", "why", "row"]]


def _told_readings(readings: pd.DataFrame) -> pd.DataFrame:
    """Scores, and motions read passively; what awaits a link belongs to nobody yet."""
    own = readings[~readings["pending"].astype(bool) & readings["mode"].isin(TOLD_MODES)]
    return own.sort_values(["case", "day", "row"])[["case", "day", "measure", "value", "row"]]

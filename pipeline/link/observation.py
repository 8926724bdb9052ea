"""How long each case was observed: its contacts, and what ends its records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.handover import NEVER, NO_DAY, NOT_NAMED, Facts
from pipeline.link.pairs import Pairs, pairs_on
from schemas.exports import EXPORTS

STATUSES = EXPORTS["followups"]["status"].vocabulary
CONTACT = [STATUSES.index(word) for word in ("seen", "remote")]
LEAVES = [STATUSES.index(word) for word in ("declined", "withdrawn", "moved")]
DIED = STATUSES.index("died")
SECOND_HAND = [EXPORTS["events"]["source"].vocabulary.index(word) for word in ("patient", "external")]


@dataclass(frozen=True)
class Observation:
    """Of each case, as days of the case: last contact, end of records, death (NEVER if alive)."""

    contact_until: np.ndarray
    records_until: np.ndarray
    died: np.ndarray


def observed(
    cases: pd.DataFrame, facts: Facts, records: pd.DataFrame, visits: Pairs, chain: pd.DataFrame
) -> Observation:
    """Work out the observation of each case.

    Args:
        cases: `patient, performed, known_until`, by case.
        records: Records that belong to a case: `table, record, case, day`.
        visits: (follow-up, case) pairs that are visits for a case without being its record.
        chain: Later operations: `case, day`.
    """
    size = len(cases)
    performed = cases["performed"].to_numpy().astype(np.int64)
    followups = _followup_days(facts, records, visits, performed)
    status = facts.followups["status"].to_numpy()[followups["record"]]
    seen = [followups[np.isin(status, CONTACT)], _unnamed_events(cases, facts, performed)]
    contact = _latest(size, *_contacts(seen, facts, records, chain))
    leaves = _patient_day(cases, _stated(facts, "moved", LEAVES), after=0)
    died = _patient_day(cases, _stated(facts, "died", [DIED]), after=-(2**30))
    reach = cases["known_until"].to_numpy().astype(np.int64) - performed
    records_until = np.minimum(reach, np.maximum(leaves, contact))
    return Observation(contact, records_until, died)


def _followup_days(facts: Facts, records: pd.DataFrame, visits: Pairs, performed: np.ndarray) -> pd.DataFrame:
    own = records[(records["table"] == "followups") & ~records["pending"]][["record", "case", "day"]]
    day = facts.followups["day"].to_numpy()[visits.left] - performed[visits.right]
    shared = pd.DataFrame({"record": visits.left, "case": visits.right, "day": day})
    return pd.concat([own, shared[shared["day"] >= 0]], ignore_index=True)


def _unnamed_events(cases: pd.DataFrame, facts: Facts, performed: np.ndarray) -> pd.DataFrame:
    """Events told at first hand that name neither operation nor place nor side: the patient was seen."""
    events = facts.events
    unnamed = (events[["side", "joint", "bone"]] < 0).all(axis=1) & (events["operation"] == NOT_NAMED)
    own = events[unnamed & ~events["origin"].isin(SECOND_HAND)].sort_values("patient")
    pairs = pairs_on(cases["patient"].to_numpy(), own["patient"].to_numpy())
    day = own["day"].to_numpy()[pairs.right] - performed[pairs.left]
    return pd.DataFrame({"case": pairs.left[day >= 0], "day": day[day >= 0]})


def _contacts(
    seen: list[pd.DataFrame], facts: Facts, records: pd.DataFrame, chain: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    own = records[~records["pending"] & (records["day"] >= 0)]
    events = own[own["table"] == "events"]
    first_hand = events[~facts.events["origin"].isin(SECOND_HAND).to_numpy()[events["record"]]]
    parts = [*seen, first_hand, own[own["table"] == "measurements"], chain[~chain["pending"]]]
    joined = pd.concat([part[["case", "day"]] for part in parts])
    return joined["case"].to_numpy(), joined["day"].to_numpy()


def _stated(facts: Facts, column: str, statuses: list[int]) -> pd.DataFrame:
    """`patient, day`: what the table of patients and any contact say of the patient, whatever joint it was about."""
    known = facts.patients[facts.patients[column] != NO_DAY]
    said = facts.followups[facts.followups["status"].isin(statuses)]
    both = pd.concat([known[["patient", column]].rename(columns={column: "day"}), said[["patient", "day"]]])
    return both.sort_values(["patient", "day"], ignore_index=True)


def _patient_day(cases: pd.DataFrame, stated: pd.DataFrame, after: int) -> np.ndarray:
    """The earliest stated day of each case's patient, as a day of the case not before `after`."""
    pairs = pairs_on(cases["patient"].to_numpy(), stated["patient"].to_numpy())
    day = stated["day"].to_numpy(np.int64)[pairs.right] - cases["performed"].to_numpy(np.int64)[pairs.left]
    return _earliest(len(cases), pairs.left[day >= after], day[day >= after])


def _latest(size: int, case: np.ndarray, day: np.ndarray) -> np.ndarray:
    latest = np.zeros(size, dtype=np.int64)
    np.maximum.at(latest, case, day)
    return latest


def _earliest(size: int, case: np.ndarray, day: np.ndarray) -> np.ndarray:
    earliest = np.full(size, int(NEVER), dtype=np.int64)
    np.minimum.at(earliest, np.asarray(case, dtype=np.int64), np.asarray(day, dtype=np.int64))
    return earliest

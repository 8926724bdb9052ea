"""How long each case was observed: its contacts, and what ends its records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.handover import NEVER, NO_DAY, Facts
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
    contact = _latest(size, *_contacts(followups[np.isin(status, CONTACT)], facts, records, chain))
    moved, died = _patient_days(cases, facts, performed)
    leaving = followups[np.isin(status, LEAVES) & (followups["day"] >= 0)]
    leaves = np.minimum(_earliest_of(leaving, size), moved)
    deaths = followups[status == DIED]
    reach = cases["known_until"].to_numpy().astype(np.int64) - performed
    records_until = np.minimum(reach, np.maximum(leaves, contact))
    return Observation(contact, records_until, np.minimum(_earliest_of(deaths, size), died))


def _followup_days(facts: Facts, records: pd.DataFrame, visits: Pairs, performed: np.ndarray) -> pd.DataFrame:
    own = records[(records["table"] == "followups") & ~records["pending"]][["record", "case", "day"]]
    day = facts.followups["day"].to_numpy()[visits.left] - performed[visits.right]
    shared = pd.DataFrame({"record": visits.left, "case": visits.right, "day": day})
    return pd.concat([own, shared[shared["day"] >= 0]], ignore_index=True)


def _contacts(
    followups: pd.DataFrame, facts: Facts, records: pd.DataFrame, chain: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    own = records[~records["pending"] & (records["day"] >= 0)]
    events = own[own["table"] == "events"]
    first_hand = events[~facts.events["origin"].isin(SECOND_HAND).to_numpy()[events["record"]]]
    parts = [followups, first_hand, own[own["table"] == "measurements"], chain]
    joined = pd.concat([part[["case", "day"]] for part in parts])
    return joined["case"].to_numpy(), joined["day"].to_numpy()


def _patient_days(cases: pd.DataFrame, facts: Facts, performed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Day of the case on which the patient moved away, and died."""
    patients = facts.patients.sort_values("patient")
    pairs = pairs_on(cases["patient"].to_numpy(), patients["patient"].to_numpy())
    days = []
    for column in ("moved", "died"):
        calendar = patients[column].to_numpy()[pairs.right].astype(np.int64)
        known = calendar != NO_DAY
        case = pairs.left[known]
        day = calendar[known] - performed[case]
        keep = day >= 0 if column == "moved" else np.ones(len(day), dtype=bool)
        days.append(_earliest(len(cases), case[keep], day[keep]))
    return days[0], days[1]


def _latest(size: int, case: np.ndarray, day: np.ndarray) -> np.ndarray:
    latest = np.zeros(size, dtype=np.int64)
    np.maximum.at(latest, case, day)
    return latest


def _earliest_of(followups: pd.DataFrame, size: int) -> np.ndarray:
    return _earliest(size, followups["case"].to_numpy(), followups["day"].to_numpy())


def _earliest(size: int, case: np.ndarray, day: np.ndarray) -> np.ndarray:
    earliest = np.full(size, int(NEVER), dtype=np.int64)
    np.minimum.at(earliest, np.asarray(case, dtype=np.int64), np.asarray(day, dtype=np.int64))
    return earliest

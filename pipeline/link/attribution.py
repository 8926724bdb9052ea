"""Which case a record belongs to: a reviewer's link, else the operation it names, else side, joint and day.

The first rule that applies decides. What no rule can tell goes to people, with its candidate cases; what
belongs to no case is listed with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.handover import (
    BEFORE,
    BOTH,
    DISAGREES,
    LEFT,
    NO_JOINT,
    NO_OPERATION,
    NO_SIDE,
    NOT_NAMED,
    NOT_SENT,
    NOT_THEIRS,
    OPERATION_ABSENT,
    OTHER_PATIENT,
    OTHER_SIDE,
    RIGHT,
    SAME_DAY,
    TWO_OPERATIONS,
    UNSIDED,
    UNWATCHED,
)
from pipeline.link.pairs import Pairs, first_of, has_any, last_of, pairs_on
from pipeline.lookup import Lookup
from schemas.exports import EXPORTS

THEATRE = EXPORTS["events"]["source"].vocabulary.index("theatre")
CLOSE_DAYS = 30


@dataclass(frozen=True)
class Chains:
    """Operations of cases, sorted by patient and day: `patient, day, side, procedure, case, operation`.

    `case_day` and `case_procedure` are indexed by case.
    """

    rows: pd.DataFrame
    case_day: np.ndarray
    case_procedure: np.ndarray
    look: Lookup

    def column(self, name: str) -> np.ndarray:
        return self.rows[name].to_numpy()


@dataclass(frozen=True)
class Attribution:
    """Of n records: `case` (-1), `pending` (position in PENDING, -1), `why` (position in UNATTRIBUTED, -1).

    A record has a case, or awaits a link, or is attributed to none. One dated before its operation has both a case
    and the reason `before`. `candidates` are (record, case) pairs of those that wait.
    """

    case: np.ndarray
    pending: np.ndarray
    why: np.ndarray
    candidates: Pairs


def attributed(
    records: pd.DataFrame, linked_case: np.ndarray, chains: Chains, needs_theatre: bool
) -> Attribution:
    """Attribute every record of one table.

    Args:
        records: A frame of Facts: `patient, day, side, joint, operation`, for events also `bone, code_joint, origin`.
        linked_case: (n,) case by a reviewer's link, -1 without one, -2 where the link says none.
        needs_theatre: Whether a record on the day of the operation counts only if it comes from theatre.
    """
    place = _place(records)
    theirs = pairs_on(records["patient"].to_numpy(), chains.column("patient"))
    begun = chains.column("day")[theirs.right] <= records["day"].to_numpy()[theirs.left]
    named = _by_named_operation(records, _side(records), place, chains, theirs.where(begun))
    side = np.where(_code_contradicts(records), -1, _side(records))
    placed = _by_place(records, side, place, chains, theirs, begun, needs_theatre)
    result = _chosen(records["operation"].to_numpy() != NOT_NAMED, named, placed)
    result = _with_links(result, linked_case)
    return _marked_before(result, records["day"].to_numpy(), chains)


def _place(records: pd.DataFrame) -> np.ndarray:
    """The place a record names: its joint, else its bone, else the joint its code implies."""
    place = records["joint"].to_numpy()
    for column in ("bone", "code_joint"):
        if column in records:
            place = np.where(place >= 0, place, records[column])
    return place


def _code_contradicts(records: pd.DataFrame) -> np.ndarray:
    """bool: the code names the other side than the record: possibly a wrong-site event."""
    if "code_side" not in records:
        return np.zeros(len(records), dtype=bool)
    side, said = records["side"].to_numpy(), records["code_side"].to_numpy()
    return (said >= 0) & np.isin(side, [LEFT, RIGHT]) & (said != side)


def _side(records: pd.DataFrame) -> np.ndarray:
    """The side a record states: its own, else the one its code names in the classification's words, else -1."""
    side = records["side"].to_numpy()
    stated = (
        np.where((side < 0) & (records["code_side"] >= 0), records["code_side"], side)
        if ("code_side" in records)
        else side
    )
    return np.where(np.isin(stated, [BOTH, UNSIDED]), -1, stated)


def _agree(
    chains: Chains, pairs: Pairs, side: np.ndarray, place: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Per pair: sides do not contradict each other; the operation watches the place. Unknown agrees."""
    op_side, procedure = chains.column("side")[pairs.right], chains.column("procedure")[pairs.right]
    case_procedure = chains.case_procedure[chains.column("case")[pairs.right]]
    own_side, own_place = side[pairs.left], place[pairs.left]
    watches = chains.look.watches
    watched = watches[procedure, own_place] | watches[case_procedure, own_place] | (own_place < 0)
    return (own_side < 0) | (op_side == UNSIDED) | (own_side == op_side), watched


def _by_named_operation(
    records: pd.DataFrame, side: np.ndarray, place: np.ndarray, chains: Chains, anyone: Pairs
) -> Attribution:
    size = len(records)
    operation = records["operation"].to_numpy()
    by_operation = np.argsort(chains.column("operation"), kind="stable")
    pairs = pairs_on(operation, chains.column("operation")[by_operation])
    pairs = Pairs(pairs.left, by_operation[pairs.right])
    side_agrees, watched = _agree(chains, pairs, side, place)
    agreeing = pairs.where(side_agrees & watched & ~_code_contradicts(records)[pairs.left])
    disagreeing = pairs.where(~has_any(agreeing, size)[pairs.left])
    cases = np.bincount(agreeing.left, minlength=size)
    case = np.where(cases == 1, _cases(chains, last_of(agreeing, size)), -1)
    pending = np.select(
        [operation == NOT_SENT, operation == NOT_THEIRS, cases > 1, has_any(pairs, size) & (cases == 0)],
        [OPERATION_ABSENT, OTHER_PATIENT, NO_SIDE, DISAGREES],
        -1,
    )
    why = np.where((operation >= 0) & ~has_any(pairs, size), NO_OPERATION, -1)
    several = agreeing.where(cases[agreeing.left] > 1)
    named = Pairs(np.append(several.left, disagreeing.left), np.append(several.right, disagreeing.right))
    candidates = _case_pairs(chains, _joined(named, anyone, pending, keep_named=NO_SIDE))
    return _without_hopeless(Attribution(case, pending, why, candidates), size)


def _joined(named: Pairs, anyone: Pairs, pending: np.ndarray, keep_named: int) -> Pairs:
    """Candidates: the sides of a bilateral operation, else every case of the patient that had begun."""
    others = anyone.where((pending[anyone.left] >= 0) & (pending[anyone.left] != keep_named))
    left, right = np.append(named.left, others.left), np.append(named.right, others.right)
    order = np.lexsort((right, left))
    return Pairs(left[order], right[order])


def _by_place(
    records: pd.DataFrame,
    side: np.ndarray,
    place: np.ndarray,
    chains: Chains,
    pairs: Pairs,
    begun: np.ndarray,
    needs_theatre: bool,
) -> Attribution:
    size = len(records)
    side_agrees, watched = _agree(chains, pairs, side, place)
    fitting = pairs.where(side_agrees & watched & begun)
    latest = last_of(fitting, size)
    case = _cases(chains, latest)
    unsure = _unsure(records, side, place, fitting, latest, chains, needs_theatre)
    later = pairs.where(side_agrees & watched & ~begun)
    baseline = _cases(chains, first_of(later, size))
    why = np.select(
        [
            latest >= 0,
            baseline >= 0,
            *(has_any(pairs.where(keep), size) for keep in (watched & begun, side_agrees, watched)),
        ],
        [-1, BEFORE, OTHER_SIDE, UNWATCHED, OTHER_SIDE],
        np.where(has_any(pairs, size), UNWATCHED, NO_OPERATION),
    )
    pending = np.where(latest >= 0, unsure, -1)
    settled = np.where(
        latest >= 0, np.where(pending >= 0, -1, case), np.where((side >= 0) & (place >= 0), baseline, -1)
    )
    return Attribution(settled, pending, why, _case_pairs(chains, fitting.where(pending[fitting.left] >= 0)))


def _unsure(
    records: pd.DataFrame,
    side: np.ndarray,
    place: np.ndarray,
    fitting: Pairs,
    latest: np.ndarray,
    chains: Chains,
    needs_theatre: bool,
) -> np.ndarray:
    """Why a record with a fitting operation still goes to people, -1 where it does not."""
    cases, days, sides = (np.append(chains.column(name), -1) for name in ("case", "day", "side"))
    other = fitting.where(cases[fitting.right] != cases[latest[fitting.left]])
    second = last_of(other, len(records))
    close = (second >= 0) & (days[latest] - days[second] <= CLOSE_DAYS)
    sideless = (side < 0) & (sides[latest] != UNSIDED)
    same_day = np.zeros(len(records), dtype=bool)
    if needs_theatre:
        same_day = (days[latest] == records["day"]).to_numpy() & (records["origin"] != THEATRE).to_numpy()
    return np.select(
        [_code_contradicts(records), sideless, place < 0, close, same_day],
        [DISAGREES, NO_SIDE, NO_JOINT, TWO_OPERATIONS, SAME_DAY],
        -1,
    )


def _cases(chains: Chains, right: np.ndarray) -> np.ndarray:
    return np.where(right >= 0, np.append(chains.column("case"), -1)[right], -1)


def _case_pairs(chains: Chains, pairs: Pairs) -> Pairs:
    """Pairs of record and case, each once."""
    case = chains.column("case")[pairs.right]
    width = int(case.max(initial=0)) + 1
    both = np.sort(pairs.left * width + case, kind="stable")
    both = both[np.diff(both, prepend=-1) != 0]
    return Pairs(both // width, both % width)


def _without_hopeless(result: Attribution, size: int) -> Attribution:
    """A record that waits but has no case it could belong to belongs to no operation."""
    hopeless = (result.pending >= 0) & ~has_any(result.candidates, size)
    pending = np.where(hopeless, -1, result.pending)
    return Attribution(result.case, pending, np.where(hopeless, NO_OPERATION, result.why), result.candidates)


def _chosen(by_name: np.ndarray, named: Attribution, placed: Attribution) -> Attribution:
    left = np.append(named.candidates.left, placed.candidates.left)
    right = np.append(named.candidates.right, placed.candidates.right)
    from_named = np.append(
        np.ones(len(named.candidates.left), bool), np.zeros(len(placed.candidates.left), bool)
    )
    keep = by_name[left] == from_named
    order = np.lexsort((right[keep], left[keep]))
    return Attribution(
        case=np.where(by_name, named.case, placed.case),
        pending=np.where(by_name, named.pending, placed.pending),
        why=np.where(by_name, named.why, placed.why),
        candidates=Pairs(left[keep][order], right[keep][order]),
    )


def _with_links(result: Attribution, linked_case: np.ndarray) -> Attribution:
    """A reviewer's link comes before every rule."""
    linked = linked_case != -1
    case = np.where(linked, np.maximum(linked_case, -1), result.case)
    why = np.where(linked, np.where(linked_case < 0, NO_OPERATION, -1), result.why)
    return Attribution(
        case,
        np.where(linked, -1, result.pending),
        why,
        result.candidates.where(~linked[result.candidates.left]),
    )


def _marked_before(result: Attribution, day: np.ndarray, chains: Chains) -> Attribution:
    """A record of a case that is dated before its operation is a baseline, and listed."""
    first_day = np.append(chains.case_day, 0)[result.case]
    early = (result.case >= 0) & (day < first_day)
    return Attribution(result.case, result.pending, np.where(early, BEFORE, result.why), result.candidates)

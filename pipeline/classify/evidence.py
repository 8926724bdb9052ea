"""Evidence: everything that speaks for a complication of a case, before anyone asks whether it counts.

One row a record, category and limit: `case, category, day, strength, kind, table, row, pending, first, why`, and the
facets by which levels choose: `level` (a code listed for a level, -1), `grade` (instability level, -1), `energy`,
`limit` (which threshold a reading is beyond, -1), `redo`, `after` (an operation that is a treatment), `blocked`
(cannot occur here, or was there before: position in STATUSES, -1).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.catalogue import PATIENT_DIED, UNPLANNED_RETURN
from pipeline.classify.heard import letter_evidence
from pipeline.classify.readings import reading_evidence
from pipeline.classify.repeats import without_repeats
from pipeline.handover import (
    CODE,
    DEATH,
    DISAGREES,
    FIELD,
    NEVER,
    NO_DAY,
    NO_RETURN,
    NO_SIDE,
    OPERATED,
    PATIENT_SAID,
    PLANNED_LATE,
    RETURN,
    RETURNED,
    STATUSES,
    STRENGTHS,
    Facts,
    Linked,
)
from pipeline.lookup import Lookup
from pipeline.ordered import in_order
from schemas.exports import EXPORTS

POSSIBLE, PROBABLE, DEFINITE = (STRENGTHS.index(word) for word in ("possible", "probable", "definite"))
CANNOT_OCCUR = STATUSES.index("cannot_occur")
SAID_BY_PATIENT = EXPORTS["events"]["source"].vocabulary.index("patient")
THROUGH_YES, THROUGH_NO = (
    EXPORTS["events"]["through_fixation_site"].vocabulary.index(word) for word in ("yes", "no")
)
DIED = EXPORTS["followups"]["status"].vocabulary.index("died")

#: Reasons to wait for which the side of the evidence is not known: it is possible and no more, whatever it says.
SIDE_IN_DOUBT = (NO_SIDE, DISAGREES)
UNSET = {"why": -1, "level": -1, "grade": -1, "energy": -1, "limit": -1, "redo": 0, "after": 0, "blocked": -1}
COLUMNS = ["case", "category", "day", "strength", "kind", "table", "row", "pending", "first", *UNSET]


def evidence_of(
    facts: Facts, linked: Linked, look: Lookup, heard: pd.DataFrame, readings: pd.DataFrame
) -> pd.DataFrame:
    """All evidence of one part, sorted by case, category, day, table and row.

    Args:
        heard: What letters say, from `heard_of`.
        readings: From `readings_of`.
    """
    parts = [
        _limited_to_holes(_event_evidence(facts, linked, look), facts, linked, look),
        _limited_to_holes(letter_evidence(heard), facts, linked, look),
        _grade_evidence(_of_table(linked, "followups", facts.followups), look).assign(kind=FIELD),
        reading_evidence(readings, facts, linked, look),
        _chain_evidence(linked, look),
        _death_evidence(facts, linked, look),
    ]
    found = pd.concat(
        [_complete(part) for part in parts if len(part)] or [_complete(pd.DataFrame())], ignore_index=True
    )
    found = _moved_to_other_joints(found, linked, look)
    found["strength"] = found["strength"].mask(found["why"].isin(SIDE_IN_DOUBT), POSSIBLE)
    return in_order(found, ["case", "category", "day", "table", "row", "limit"])


def _complete(part: pd.DataFrame) -> pd.DataFrame:
    """The part with every column; facets it does not speak of are unset."""
    filled = part.reindex(columns=COLUMNS).fillna(UNSET)
    whole = [name for name in COLUMNS if name not in ("table", "pending", "first", "redo", "after")]
    flags = dict.fromkeys(["pending", "first", "redo", "after"], bool)
    return filled.astype({**dict.fromkeys(whole, "int64"), **flags, "table": "str"})


def _of_table(linked: Linked, name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Records of a table that belong to a case or await a link, on or after day 0, with what they say."""
    own = linked.records[(linked.records["table"] == name) & (linked.records["day"] >= 0)]
    said = frame.iloc[own["record"]].drop(columns=["row", "day", "site", "patient", "side"])
    return pd.concat([own.reset_index(drop=True), said.reset_index(drop=True)], axis=1)


def _event_evidence(facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    events = _of_table(linked, "events", facts.events)
    graded = _grade_evidence(events, look).assign(kind=FIELD)
    fields = pd.concat([graded, _through_evidence(events, look)], ignore_index=True)
    coded = events[events["category"] >= 0]
    coded = coded.assign(strength=np.where(coded["specific"] == 1, PROBABLE, POSSIBLE), kind=CODE)
    spoken = pd.MultiIndex.from_frame(fields[["row", "category"]])
    coded = coded[~pd.MultiIndex.from_frame(coded[["row", "category"]]).isin(spoken)]
    found = pd.concat([fields, without_repeats(coded, facts, look)], ignore_index=True)
    heard = (found["origin"] == SAID_BY_PATIENT).to_numpy()
    return found.assign(
        strength=np.where(heard, POSSIBLE, found["strength"]),
        kind=np.where(heard, PATIENT_SAID, found["kind"]),
    )


def _grade_evidence(records: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """A stated instability level speaks for every category whose levels ask for one."""
    stated = records[records["instability_level"] >= 0]
    asking = [
        position
        for position, entry in enumerate(look.catalogue.complications.values())
        if any(level.instability_levels for level in entry.levels)
    ]
    parts = [stated.assign(category=category, level=-1) for category in asking]
    found = pd.concat(parts, ignore_index=True) if parts else stated.iloc[:0].assign(category=-1)
    return found.assign(grade=found["instability_level"], strength=PROBABLE)


def _through_evidence(events: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """Whether the break went through what the operation made: for categories that need a hole."""
    stated = events[(events["through"] >= 0) & (events["through"] != THROUGH_NO)]
    parts = [stated.assign(category=category, level=-1) for category in _needing_hole(look)]
    found = pd.concat(parts, ignore_index=True) if parts else stated.iloc[:0].assign(category=-1)
    return found.assign(strength=np.where(found["through"] == THROUGH_YES, PROBABLE, POSSIBLE), kind=FIELD)


def _needing_hole(look: Lookup) -> list[int]:
    return [number for number, entry in enumerate(look.catalogue.complications.values()) if entry.needs_hole]


def _limited_to_holes(found: pd.DataFrame, facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """Evidence that cannot occur, or that a record denies, counts under the category named by `otherwise`."""
    if not len(found):
        return found
    needing = found["category"].isin(_needing_hole(look)).to_numpy()
    holes = linked.sitting_holes
    case, bone = found["case"].to_numpy(), found["bone"].to_numpy()
    has_hole = np.where(bone >= 0, holes[case, bone], holes[case].any(axis=1) if holes.shape[1] else False)
    has_hole = has_hole.astype(bool) | _made_later(found, linked, look)
    denied = needing & (found["through"] == THROUGH_NO).to_numpy()
    impossible = needing & ~has_hole
    found = found.assign(blocked=np.where(impossible, CANNOT_OCCUR, -1))
    moved = _otherwise(found[impossible | denied], look)
    return pd.concat([found[~(denied & ~impossible)], moved], ignore_index=True)


def _made_later(found: pd.DataFrame, linked: Linked, look: Lookup) -> np.ndarray:
    """bool: an operation of the case on or before that day, though not the first, made a hole in the bone."""
    done = linked.chain.iloc[linked.chain_procedures["link"]][["case", "day", "pending"]]
    makes = look.holes[linked.chain_procedures["procedure"].to_numpy()] & ~done[["pending"]].to_numpy(bool)
    position, place = np.nonzero(makes)
    made = done.iloc[position][["case", "day"]].assign(place=place)
    case, bone = found["case"].to_numpy(), found["bone"].to_numpy()
    of_bone = made.groupby(["case", "place"])["day"].min()
    of_any = made.groupby("case")["day"].min().reindex(case).to_numpy(dtype=float)
    since = of_bone.reindex(pd.MultiIndex.from_arrays([case, bone])).to_numpy(dtype=float)
    return np.asarray(np.where(bone >= 0, since, of_any) <= found["day"].to_numpy())


def _otherwise(found: pd.DataFrame, look: Lookup) -> pd.DataFrame:
    """The same evidence for the category that takes it; nothing where the catalogue names none."""
    entries = look.catalogue.complications.values()
    target = np.array([look.category_position.get(entry.otherwise, -1) for entry in entries], dtype=np.int64)
    taken = found[target[found["category"]] >= 0] if len(found) else found
    return taken.assign(category=target[taken["category"]], level=-1, grade=-1, energy=-1, blocked=-1)


def _moved_to_other_joints(found: pd.DataFrame, linked: Linked, look: Lookup) -> pd.DataFrame:
    """A category limited to joints cannot occur at another joint; its evidence goes where `otherwise` says."""
    fits = np.array(
        [
            [look.fits_joint((procedure,), entry.joints) for entry in look.catalogue.complications.values()]
            for procedure in range(len(look.procedures))
        ],
        dtype=bool,
    ).reshape(len(look.procedures), len(look.categories))
    procedure = linked.cases["procedure"].to_numpy()[found["case"]]
    elsewhere = ~fits[procedure, found["category"]] if len(found) else np.zeros(0, dtype=bool)
    blocked = found.assign(blocked=np.where(elsewhere, CANNOT_OCCUR, found["blocked"]))
    return pd.concat([blocked, _otherwise(blocked[elsewhere], look)], ignore_index=True)


def _chain_evidence(linked: Linked, look: Lookup) -> pd.DataFrame:
    """What later operations prove: returns by themselves, by their procedure, and treatments."""
    done = linked.chain.iloc[linked.chain_procedures["link"]].reset_index(drop=True)
    done = done.assign(procedure=linked.chain_procedures["procedure"].to_numpy())
    done = done.assign(table="operations")
    done["strength"] = np.where(done["role"] == PLANNED_LATE, POSSIBLE, DEFINITE)
    done["redo"] = look.redo[done["procedure"]] | done["is_index"].to_numpy()
    returns = done[done["role"].isin([RETURN, PLANNED_LATE])]
    unplanned = done[done["role"].isin([RETURN, PLANNED_LATE, NO_RETURN])]
    always = np.tile(look.words_of("implied_by", UNPLANNED_RETURN), (len(look.procedures), 1))
    parts = [
        _by_procedure(returns, always).assign(kind=RETURNED),
        _by_procedure(returns, look.implied).assign(kind=RETURNED, redo=False),
        _by_procedure(unplanned, look.named_by("implied_by")).assign(kind=OPERATED, redo=False),
        _by_procedure(unplanned, look.named_by("after_operations")).assign(
            kind=OPERATED, redo=False, after=True
        ),
    ]
    found = pd.concat(parts, ignore_index=True)
    key = ["case", "category", "row", "kind", "after"]
    return found.sort_values([*key, "redo"], ascending=[True] * 5 + [False]).drop_duplicates(
        key, ignore_index=True
    )


def _by_procedure(done: pd.DataFrame, proves: np.ndarray) -> pd.DataFrame:
    """One row for each category that a later operation's procedure proves."""
    position, category = np.nonzero(proves[done["procedure"].to_numpy()])
    return done.iloc[position].assign(category=category)


def _death_evidence(facts: Facts, linked: Linked, look: Lookup) -> pd.DataFrame:
    """The death of the patient, for categories implied by it: the earliest record that states it."""
    categories = np.flatnonzero(look.words_of("implied_by", PATIENT_DIED))
    stated = facts.patients[facts.patients["died"] != NO_DAY][["patient", "row", "died"]].assign(
        table="patients"
    )
    seen = facts.followups[facts.followups["status"] == DIED][["patient", "row", "day"]].assign(
        table="followups"
    )
    deaths = pd.concat([stated.rename(columns={"died": "day"}), seen]).sort_values(
        ["patient", "day", "table", "row"]
    )
    deaths = deaths.drop_duplicates("patient").set_index("patient")
    died = linked.cases["died"].to_numpy()
    cases = np.flatnonzero(
        (died != NEVER) & (died >= 0) & linked.cases["patient"].isin(deaths.index).to_numpy()
    )
    said = deaths.loc[linked.cases["patient"].to_numpy()[cases]]
    rows = {
        "case": cases,
        "day": died[cases],
        "row": said["row"].to_numpy(),
        "table": said["table"].to_numpy(),
    }
    parts = [pd.DataFrame({**rows, "category": category}) for category in categories]
    found = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({**rows, "category": -1}).iloc[:0]
    return found.assign(strength=DEFINITE, kind=DEATH, pending=False, first=True)

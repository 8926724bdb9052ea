"""Link: index cases, their later operations, their records, and how long each was observed.

Works on one part of the patients and looks at nothing outside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.handover import (
    NO_SIDE,
    NOT_NAMED,
    RECORD_TABLES,
    Facts,
    Linked,
)
from pipeline.link.attribution import Attribution, Chains, attributed
from pipeline.link.case_flow import case_flow
from pipeline.link.characteristics import characterised
from pipeline.link.members import members_of
from pipeline.link.observation import observed
from pipeline.link.pairs import Pairs, has_any, last_of, pairs_on
from pipeline.link.sittings import Sittings, sittings_of
from pipeline.link.strangers import operations_without_case, without_case
from pipeline.lookup import Lookup
from pipeline.ordered import in_order

if TYPE_CHECKING:
    from pipeline.settings import Settings

__all__ = ["linked"]

EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class _Records:
    """Records of one table: those of a case or awaiting one, those without, and visits shared by cases."""

    records: pd.DataFrame
    unattributed: pd.DataFrame
    visits: Pairs


def linked(facts: Facts, look: Lookup, settings: Settings, known_until: np.ndarray) -> Linked:
    """Index cases of one part.

    Args:
        known_until: (sites,) calendar day to which each site's records are complete, at most the cut.
    """
    found = sittings_of(facts, look)
    alone = without_case(found, look)
    too_early = _too_early(found.sittings, settings)
    cases = characterised(_cases(found, look, too_early, known_until), facts, settings)
    case_of = _case_of_sitting(found.sittings, cases)
    chains = _chains(found, cases, case_of, look)
    parts = [_of_table(facts, name, chains, cases) for name in ("events", "followups", "measurements")]
    records = pd.concat([part.records for part in parts], ignore_index=True)
    chain = _chain(found, cases, case_of)
    records = pd.concat([records, _waiting_operations(chain)], ignore_index=True)
    observation = observed(cases, facts, records, parts[1].visits, chain)
    cases = cases.assign(
        contact_until=observation.contact_until,
        records_until=observation.records_until,
        died=observation.died,
    )
    return Linked(
        cases=cases,
        chain=chain,
        chain_procedures=_chain_procedures(found.rows, chain),
        sitting_holes=_made_at_first(found.rows, cases, look.holes),
        concomitant=_concomitant(found.rows, cases),
        sitting_limits=_made_at_first(found.rows, cases, look.limits),
        records=records,
        unattributed=pd.concat(
            [operations_without_case(found, alone), *(part.unattributed for part in parts)]
        ),
        shared_visits=_visit_rows(facts, parts[1].visits),
        members=members_of(found, cases, case_of),
        flow=case_flow(facts, look, found, too_early, alone),
    )


def _too_early(sittings: pd.DataFrame, settings: Settings) -> np.ndarray:
    """Index cases before the first date counted: still there for linking, never counted."""
    if settings.count_from is None:
        return np.zeros(len(sittings), dtype=bool)
    return (sittings["opens"] & (sittings["day"] < (settings.count_from - EPOCH).days)).to_numpy()


def _cases(found: Sittings, look: Lookup, too_early: np.ndarray, known_until: np.ndarray) -> pd.DataFrame:
    """Opening sittings in the order of case ids; `counted` is False before the first date counted."""
    opening = found.sittings[found.sittings["opens"]].assign(
        counted=~too_early[found.sittings["opens"].to_numpy()]
    )
    cases = in_order(opening, ["operation", "side"]).rename(columns={"day": "performed"})
    cases["known_until"] = np.append(known_until, 0)[cases["site"]]
    cases["group"] = _groups(found.rows, cases, look)
    keep = [
        "sitting",
        "site",
        "patient",
        "operation",
        "row",
        "performed",
        "side",
        "procedure",
        "group",
        "counted",
    ]
    covariates = ["surgeon", "fixation", "age_years", "sex", "asa_class", "smoker", "diabetes", "known_until"]
    covariates += ["urgency", "nonoperative_weeks", "sport_level"]
    marks = [name for name in cases.columns if name.startswith(("by:", "where:"))]
    named = cases[[*keep, *covariates, "prior_operation_same_joint", *marks]]
    return named.rename(columns={"prior_operation_same_joint": "prior_operation"})


def _groups(rows: pd.DataFrame, cases: pd.DataFrame, look: Lookup) -> np.ndarray:
    """The naming procedure, or the pair where both compared procedures were done at the sitting."""
    present = np.zeros((int(rows["sitting"].max()) + 1 if len(rows) else 0, len(look.procedures)), dtype=bool)
    if not look.pairs or not len(rows):
        return cases["procedure"].to_numpy()
    present[rows["sitting"], rows["procedure"]] = True
    group = cases["procedure"].to_numpy().copy()
    for number, (first, second) in reversed(list(enumerate(look.pairs))):
        both = present[cases["sitting"], first] & present[cases["sitting"], second]
        group = np.where(both, len(look.procedures) + number, group)
    return group


def _case_of_sitting(sittings: pd.DataFrame, cases: pd.DataFrame) -> np.ndarray:
    """(sittings + 1,) case each sitting belongs to, -1 without one; the last entry stands for no sitting."""
    opened = np.full(len(sittings) + 1, -1, dtype=np.int64)
    opened[cases["sitting"]] = np.arange(len(cases))
    return np.append(opened[sittings["root"]], -1)


def _chains(found: Sittings, cases: pd.DataFrame, case_of: np.ndarray, look: Lookup) -> Chains:
    rows = found.rows.assign(case=case_of[found.rows["sitting"]])
    rows = in_order(rows[rows["case"] >= 0], ["patient", "day", "case", "procedure", "operation"])
    columns = ["patient", "day", "side", "procedure", "case", "operation"]
    return Chains(rows[columns], cases["performed"].to_numpy(), cases["procedure"].to_numpy(), look)


def _chain(found: Sittings, cases: pd.DataFrame, case_of: np.ndarray) -> pd.DataFrame:
    """Later operations of each case, in order; one that awaits a link once for each case it might belong to."""
    sittings = found.sittings.assign(case=case_of[:-1], first=True)
    own = sittings[(sittings["case"] >= 0) & ~sittings["opens"]]
    waiting = sittings.iloc[found.candidates.left].assign(case=case_of[found.candidates.right])
    waiting = waiting.sort_values(["sitting", "case"])
    waiting["first"] = ~waiting.duplicated("sitting")
    later = in_order(pd.concat([own, waiting]), ["case", "day", "sitting"])
    day = later["day"] - cases["performed"].to_numpy()[later["case"]]
    names = ["case", "sitting", "operation", "row", "role", "anaesthesia", "is_index", "first"]
    names += ["procedure", "reason"]
    return later[names].assign(
        day=day, performed=later["day"], why=later["pending"], pending=later["pending"] >= 0
    )


def _waiting_operations(chain: pd.DataFrame) -> pd.DataFrame:
    """Later operations that await a link, as records."""
    own = chain[chain["pending"]]
    return own[["row", "case", "day", "pending", "first", "why"]].assign(table="operations", record=-1)


def _chain_procedures(rows: pd.DataFrame, chain: pd.DataFrame) -> pd.DataFrame:
    """Every procedure done at a later sitting: `link` (position in the chain), `procedure`."""
    links = pd.DataFrame({"link": np.arange(len(chain)), "sitting": chain["sitting"].to_numpy()})
    found = links.merge(rows[["sitting", "procedure"]], on="sitting")[["link", "procedure"]]
    return found.drop_duplicates().sort_values(["link", "procedure"], ignore_index=True)


def _concomitant(rows: pd.DataFrame, cases: pd.DataFrame) -> pd.DataFrame:
    """`case, procedure` of every further procedure of the first sitting, done in a row of its own or only listed."""
    own = cases[["sitting", "procedure"]].assign(case=np.arange(len(cases)))
    several = rows[rows.duplicated("sitting", keep=False)]
    both = several[["sitting", "procedure"]].merge(own, on="sitting", suffixes=("", "_naming"))
    other = both.loc[both["procedure"] != both["procedure_naming"], ["case", "procedure"]]
    return other.drop_duplicates().sort_values(["case", "procedure"], ignore_index=True)


def _made_at_first(rows: pd.DataFrame, cases: pd.DataFrame, made: np.ndarray) -> np.ndarray:
    """(cases, n) bool: what the first operation, all of it, does, by a (procedures, n) array of what each one does."""
    case_of = np.full(int(rows["sitting"].max()) + 1 if len(rows) else 0, -1, dtype=np.int64)
    case_of[cases["sitting"]] = np.arange(len(cases))
    found = np.zeros((len(cases), made.shape[1]), dtype=bool)
    if made.any():
        own = rows[case_of[rows["sitting"]] >= 0]
        np.logical_or.at(found, case_of[own["sitting"]], made[own["procedure"]])
    return found


def _visit_rows(facts: Facts, visits: Pairs) -> pd.DataFrame:
    rows = facts.followups["row"].to_numpy()[visits.left]
    return pd.DataFrame({"row": rows, "case": visits.right}).drop_duplicates(ignore_index=True)


def _of_table(facts: Facts, name: str, chains: Chains, cases: pd.DataFrame) -> _Records:
    frame: pd.DataFrame = getattr(facts, name)
    result = attributed(frame, _linked_cases(facts, name, chains), chains, needs_theatre=name == "events")
    visits = Pairs(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    shared = np.zeros(len(frame), dtype=bool)
    if name == "followups":
        visits, shared = _shared_visits(frame, result, cases)
    records = _records(frame, name, result, cases, ~shared)
    why = np.where(shared, -1, result.why)
    listed = pd.DataFrame({"table": name, "row": frame["row"][why >= 0], "why": why[why >= 0]})
    return _Records(records, listed, visits)


def _linked_cases(facts: Facts, name: str, chains: Chains) -> np.ndarray:
    """(records,) case by a reviewer's link; -1 without one, -2 where the link says none."""
    links = facts.links[facts.links["table"] == RECORD_TABLES.index(name)]
    frame: pd.DataFrame = getattr(facts, name)
    cases = chains.rows.drop_duplicates(["operation", "side"]).sort_values(["operation", "side"])
    known = (cases["operation"] * 4 + cases["side"]).to_numpy()
    wanted = np.where(links["operation"] == NOT_NAMED, -1, links["operation"] * 4 + links["side"])
    found = last_of(pairs_on(wanted, known), len(links))
    case = np.where(found >= 0, np.append(cases["case"].to_numpy(), -1)[found], -1)
    case = np.where(links["operation"] == NOT_NAMED, -2, case)
    patient = np.append(facts.operations["patient"].to_numpy(), -1)
    linked_case = np.full(len(frame), -1, dtype=np.int64)
    own = links["operation"].to_numpy()
    same = (own == NOT_NAMED) | (
        _patient_of(facts, own, patient) == frame["patient"].to_numpy()[links["record"]]
    )
    linked_case[links["record"].to_numpy()[same]] = case[same]
    return linked_case


def _patient_of(facts: Facts, operation: np.ndarray, patient: np.ndarray) -> np.ndarray:
    numbers = facts.operations["operation"].to_numpy()
    place = np.searchsorted(numbers, operation)
    return patient[np.minimum(place, len(numbers))]


def _shared_visits(frame: pd.DataFrame, result: Attribution, cases: pd.DataFrame) -> tuple[Pairs, np.ndarray]:
    """Visits that are contacts of several cases: those naming nothing, and of both sides of a bilateral operation."""
    silent = (frame["instability_level"] < 0).to_numpy() & (result.case < 0)
    nothing = (
        (result.case < 0)
        & (frame[["side", "joint"]] < 0).all(axis=1).to_numpy()
        & (frame["operation"] == NOT_NAMED).to_numpy()
    )
    both_sides = silent & (result.pending == NO_SIDE) & (frame["operation"] >= 0).to_numpy()
    everyone = _all_cases(frame, cases)
    everyone = everyone.where(nothing[everyone.left])
    named = result.candidates.where(both_sides[result.candidates.left])
    pairs = Pairs(np.append(everyone.left, named.left), np.append(everyone.right, named.right))
    return pairs, has_any(pairs, len(frame)) & silent


def _all_cases(frame: pd.DataFrame, cases: pd.DataFrame) -> Pairs:
    by_patient = np.argsort(cases["patient"].to_numpy(), kind="stable")
    pairs = pairs_on(frame["patient"].to_numpy(), cases["patient"].to_numpy()[by_patient])
    return Pairs(pairs.left, by_patient[pairs.right])


def _records(
    frame: pd.DataFrame, name: str, result: Attribution, cases: pd.DataFrame, kept: np.ndarray
) -> pd.DataFrame:
    own = np.flatnonzero((result.case >= 0) & kept)
    waiting = result.candidates.where(
        kept[result.candidates.left] & (result.pending[result.candidates.left] >= 0)
    )
    record = np.append(own, waiting.left)
    case = np.append(result.case[own], waiting.right)
    pending = np.append(np.zeros(len(own), bool), np.ones(len(waiting.left), bool))
    first = np.append(
        np.ones(len(own), bool), np.append(True, np.diff(waiting.left) != 0)[: len(waiting.left)]
    )
    day = frame["day"].to_numpy()[record] - cases["performed"].to_numpy()[case]
    why = np.where(pending, result.pending[record], -1)
    columns = {"row": frame["row"].to_numpy()[record], "record": record, "case": case, "day": day}
    return pd.DataFrame({"table": name, **columns, "pending": pending, "first": first, "why": why})

"""Checks between records and between tables. They warn or hold back; they change nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings
from pipeline.handover import LEFT, NOT_SENT, NOT_THEIRS, RIGHT, UNSIDED, Accepted, Facts
from pipeline.resolve.facts import Numbers
from pipeline.resolve.together import ages_disagree, patients_alike, performed
from pipeline.resolve.versions import Versions
from schemas.exports import DAY_COLUMN, ID_COLUMN
from schemas.relations import RELATIONS

MESSAGES = {
    "record_conflict": "Another record with this id in the same receipt says something else, and nothing says which is "
    "newer. Send recorded_at with both, or one of them.",
    "id_used_again": "This id stands for two patients more than a year apart. If numbers start again each year, say "
    '`id_scope = "year"` in mappings/<site>.toml.',
    "after_death": "The patient died before this day. Two patients are perhaps taken for one, or a date is mistyped. Correct "
    "it at the source.",
    "operation_unknown": "The operation named here was not sent or is held back. Send it, or correct the id. "
    "The record goes to review.",
    "operation_of_another_patient": "The operation named here belongs to another patient. Correct one of the ids. "
    "The record goes to review.",
    "side_conflict": "The code or the named operation is of the other side. Check the patient's record: possibly a wrong-site "
    "event. The record goes to review.",
    "ages_disagree": "The ages of this patient's operations do not go with the days between them. Send the age at each "
    "operation, and check that both are of the same patient.",
    "patients_alike": "Another patient number of the site has an operation that is the same in every column. If both are "
    "one person, add the pair to merges/.",
    "side_missing_for_sided": "The operation is done on one side, but the row says `none`. Send left, right or bilateral.",
    "procedure_code_unknown": "No procedure of the catalogue has this code, so the operation is no case. Add the code "
    "to catalogue.toml if it should be counted.",
    "fixation_unknown": "No procedure of the catalogue lists this fixation. Translate it under `values.fixation` in "
    "mappings/<site>.toml or add it to `fixations` in catalogue.toml.",
    "code_unknown": "No complication of the catalogue has this code, so it proves none. Add it to catalogue.toml if it "
    "should count.",
}


def repeated_ids(accepted: Accepted, versions: dict[str, Versions]) -> pd.DataFrame:
    """One finding a row held back because its id stands for something else as well."""
    parts = []
    for name, version in versions.items():
        for rule, rows in (("record_conflict", version.conflicting), ("id_used_again", version.used_again)):
            parts.append(_found(accepted, name, np.flatnonzero(rows), ID_COLUMN[name], rule))
    return findings.joined(parts)


def after_death(accepted: Accepted, rows: dict[str, np.ndarray]) -> pd.DataFrame:
    """One finding a row held back because it is dated after its patient's death."""
    return findings.joined(
        _found(accepted, name, dated, DAY_COLUMN[name], "after_death") for name, dated in rows.items()
    )


def not_together(accepted: Accepted, fates: dict[str, np.ndarray]) -> pd.DataFrame:
    """Operations that may each be right, but say of one patient, or of two, what does not go together."""
    found = {"ages_disagree": ("age_years", ages_disagree), "patients_alike": ("patient_id", patients_alike)}
    rows = performed(accepted, fates)
    return findings.joined(
        _found(accepted, "operations", look(accepted, rows), column, rule)
        for rule, (column, look) in found.items()
    )


def between_tables(numbers: Numbers, facts: Facts) -> pd.DataFrame:
    """Records whose operation is not there, operations without a side or procedure, codes nobody knows."""
    accepted = numbers.accepted
    parts = []
    for relation in RELATIONS:
        if relation.rule != "operation_unknown":
            continue
        name, named = relation.child, relation.column
        column = named.removesuffix("_id")  # facts hold the operation's number
        frame: pd.DataFrame = getattr(facts, name)
        for rule, state in (("operation_unknown", NOT_SENT), ("operation_of_another_patient", NOT_THEIRS)):
            rows = frame.loc[frame[column] == state, "row"].to_numpy()
            parts.append(_found(accepted, name, rows, named, rule))
        parts.append(_found(accepted, name, _other_side(facts, frame, column), "side", "side_conflict"))
    return findings.joined([*parts, *_operations_without(numbers, facts), *_codes_of_events(numbers, facts)])


def _other_side(facts: Facts, frame: pd.DataFrame, column: str) -> np.ndarray:
    """Rows that name an operation of the other side."""
    named = frame[frame[column] >= 0]
    side = facts.operations["side"].to_numpy()[named[column]]
    said = named["side"].to_numpy()
    if "code_side" in named:
        said = np.where(said < 0, named["code_side"], said)
    contradicts = np.isin(said, [LEFT, RIGHT]) & np.isin(side, [LEFT, RIGHT]) & (said != side)
    return named.loc[contradicts, "row"].to_numpy()


def _operations_without(numbers: Numbers, facts: Facts) -> list[pd.DataFrame]:
    operations = facts.operations
    known = operations["procedure"].to_numpy() >= 0
    sided = np.append(numbers.look.sided, False)[operations["procedure"].to_numpy()]
    no_side = operations.loc[sided & (operations["side"] == UNSIDED), "row"].to_numpy()
    no_code = _first_of_each(
        numbers, "operations", operations.loc[~known, "row"].to_numpy(), "procedure_code"
    )
    return [
        _found(numbers.accepted, "operations", no_side, "side", "side_missing_for_sided"),
        _found(numbers.accepted, "operations", no_code, "procedure_code", "procedure_code_unknown"),
        _found(numbers.accepted, "operations", _odd_fixations(numbers), "fixation", "fixation_unknown"),
    ]


def _odd_fixations(numbers: Numbers) -> np.ndarray:
    """First rows of each site and fixation that holds a word no procedure lists."""
    values, codes = numbers.table("operations").coded("fixation")
    listed = {word for entry in numbers.look.catalogue.procedures.values() for word in entry.fixations}
    odd = [bool(text) and not listed.issuperset(text.split(";")) for text in values.to_pylist()]
    return _first_of_each(
        numbers, "operations", numbers.rows["operations"][np.array([*odd, False])[codes]], "fixation"
    )


def _codes_of_events(numbers: Numbers, facts: Facts) -> list[pd.DataFrame]:
    events = facts.events
    unknown = events.loc[
        events["coded"] & (events["category"] < 0) & (events["code_joint"] < 0), "row"
    ].to_numpy()
    sided = events["side"].isin([LEFT, RIGHT]) & (events["code_side"] >= 0)
    contradicting = events.loc[sided & (events["code_side"] != events["side"]), "row"].to_numpy()
    return [
        _found(
            numbers.accepted,
            "events",
            _first_of_each(numbers, "events", unknown, "code"),
            "code",
            "code_unknown",
        ),
        _found(numbers.accepted, "events", contradicting, "side", "side_conflict"),
    ]


def _first_of_each(numbers: Numbers, name: str, rows: np.ndarray, column: str) -> np.ndarray:
    """The first row of each site and value: a code the catalogue lacks is said once, not a thousand times."""
    table = numbers.accepted.tables[name].select(["site", column]).take(rows)
    seen = pd.DataFrame({"site": table["site"].to_pandas(), "value": table[column].to_pandas()})
    return rows[~seen.duplicated().to_numpy()]


def _found(accepted: Accepted, name: str, rows: np.ndarray, column: str, rule: str) -> pd.DataFrame:
    """Findings of one rule at accepted rows."""
    if not len(rows):
        return findings.empty()
    needed = dict.fromkeys(["site", "source_number", "source_line", ID_COLUMN[name], column])
    table = accepted.tables[name].select(list(needed)).take(rows)
    files = np.array([source.source_file for source in accepted.sources], dtype=object)
    said = [MESSAGES[rule].replace("<site>", source.site) for source in accepted.sources]
    numbers = table["source_number"].to_numpy()
    found = pd.DataFrame(
        {
            "site": table["site"].to_pandas(),
            "source_file": files[numbers],
            "source_line": table["source_line"].to_numpy(),
            "record_id": table[ID_COLUMN[name]].to_pandas(),
            "value": pc.fill_null(table[column].cast(pa.string()), "").to_pandas(),
        }
    )
    action = findings.CATALOGUE[rule].action
    return findings.tidy(
        found.assign(
            table=name,
            column=column,
            rule=rule,
            message=np.array(said, dtype=object)[numbers],
            action=action,
        )
    )

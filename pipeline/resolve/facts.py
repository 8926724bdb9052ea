"""Accepted rows as frames of small integers, one builder a table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.catalogue import Catalogue
from pipeline.code_sides import side_of_code
from pipeline.columns import (
    JOINER,
    answers,
    calendar_days,
    coded,
    decimals,
    given,
    occurring,
    paired,
    sorted_distinct,
    whole_numbers,
    word_codes,
)
from pipeline.handover import NOT_NAMED, NOT_SENT, NOT_THEIRS, SIDES, Accepted
from pipeline.keys import Keys, keys_of
from pipeline.lookup import Lookup
from pipeline.resolve.bare_ids import with_bare_ids
from schemas.exports import EXPORTS

Columns = dict[str, np.ndarray]


@dataclass(frozen=True)
class Standing:
    """The rows of a table that stand; what a column says becomes numbers first, so no text is copied."""

    table: pa.Table
    rows: np.ndarray

    def __len__(self) -> int:
        return len(self.rows)

    def __contains__(self, name: str) -> bool:
        return name in self.table.column_names

    def of(self, name: str, as_numbers: Callable[[pa.ChunkedArray], np.ndarray]) -> np.ndarray:
        """`as_numbers` of a column, at the rows that stand."""
        return as_numbers(self.table[name])[self.rows]

    def words(self, name: str, words: Sequence[str]) -> np.ndarray:
        """int32 position of each text of a column in `words`, -1 where it is null or not among them."""
        return self.of(name, lambda column: word_codes(column, words))

    def coded(self, name: str) -> tuple[pa.Array, np.ndarray]:
        """Distinct values of a column in order, and the position of each row's among them: int32, -1 where null."""
        values, codes = coded(self.table[name])
        return occurring(values, codes[self.rows])

    def paired(self, one: str, other: str, joiner: str = JOINER) -> tuple[list[str], np.ndarray]:
        """The same for pairs of texts of two columns, joined."""
        return paired(*self.coded(one), *self.coded(other), joiner)


@dataclass(frozen=True)
class Numbers:
    """What the builders share: the rows that stand, and numbers for patients, sites, operations, surgeons."""

    accepted: Accepted
    look: Lookup
    rows: dict[str, np.ndarray]
    standing: dict[str, Standing]
    patients: dict[str, np.ndarray]
    sites: pa.Array
    surgeons: tuple[str, ...]
    surgeon: np.ndarray  # of each operation that stands
    measures: pa.Array
    operation_patient: np.ndarray
    named: dict[
        str, np.ndarray
    ]  # table → number of the operation's id that each accepted row names, -1 where none
    operation_of: np.ndarray  # number of an operation's id → operation, -1 where none of that id stands

    def table(self, name: str) -> Standing:
        return self.standing[name]

    def patient(self, name: str) -> np.ndarray:
        """int64 patient of each row of a table that stands."""
        return self.patients[name][self.rows[name]].astype(np.int64)

    def words(self, name: str, column: str) -> np.ndarray:
        return self.table(name).words(column, EXPORTS[name][column].vocabulary)


#: Column of each table that names an operation.
NAMING = {
    "operations": "planned_with",
    "events": "operation_id",
    "followups": "operation_id",
    "measurements": "operation_id",
}


def operation_keys(accepted: Accepted) -> Keys:
    """Numbers of operations' own ids, then of the ids by which each table names one, in the order of `NAMING`."""
    columns = [("operations", "operation_id"), *NAMING.items()]
    tables = accepted.tables
    return keys_of([(tables[name]["site"], tables[name][column]) for name, column in columns])


def numbers_for(
    accepted: Accepted,
    look: Lookup,
    rows: dict[str, np.ndarray],
    patients: dict[str, np.ndarray],
    keys: Keys,
    shared_surgeons: bool,
) -> Numbers:
    """Labels in sorted order, so that they are the same whatever the order of files.

    Operations are numbered in the order of (site, operation id), which is the order of case ids.
    """
    tables = accepted.tables
    own = keys.numbers[0][rows["operations"]]
    by_id = np.argsort(own, kind="stable")
    rows = {**rows, "operations": rows["operations"][by_id]}
    position = np.full(len(keys) + 1, -1, dtype=np.int32)
    position[own[by_id]] = np.arange(len(own))
    standing = {name: Standing(table, rows[name]) for name, table in tables.items()}
    folders = pa.chunked_array([[source.site for source in accepted.sources]], pa.string())
    everywhere = [folders, *(table["site"] for table in tables.values())]
    surgeons, surgeon = _surgeons(standing["operations"], shared_surgeons)
    return Numbers(
        accepted,
        look,
        rows,
        standing,
        patients,
        sites=sorted_distinct(everywhere),
        surgeons=tuple(surgeons),
        surgeon=surgeon,
        measures=sorted_distinct([tables["measurements"]["measure"]]),
        operation_patient=patients["operations"][rows["operations"]],
        named=dict(zip(NAMING, keys.numbers[1:], strict=True)),
        operation_of=position,
    )


def _surgeons(table: Standing, shared: bool) -> tuple[list[str], np.ndarray]:
    """The surgeons of operations that stand, and the position of each operation's."""
    if not shared:
        return table.paired("site", "surgeon_id", "/")
    surgeons, codes = table.coded("surgeon_id")
    return surgeons.to_pylist(), codes


def operation_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("operations")
    flags = ("planned", "prior_operation_same_joint", "smoker", "diabetes")
    words = ("status", "sex", "planned_as", "anaesthesia", "urgency", "sport_level")
    whole = ("age_years", "asa_class", "nonoperative_weeks")
    columns: Columns = {
        "operation": np.arange(len(table), dtype=np.int64),
        **_common(numbers, "operations", "performed_on"),
        "procedure": _procedures(*table.paired("procedure_system", "procedure_code"), numbers.look),
        "surgeon": numbers.surgeon,
        **{name: table.of(name, whole_numbers) for name in whole},
        "planned_with": _named(numbers, "operations"),
        "planned_on": table.of("planned_on", calendar_days),
        "reason": table.words("reason", numbers.look.categories),
        **{name: table.of(name, answers) for name in flags},
        **{name: numbers.words("operations", name) for name in words},
    }
    return pd.DataFrame(columns)


def concomitant_facts(numbers: Numbers) -> pd.DataFrame:
    """One row a listed code that is a procedure of the catalogue, in the row's own code system."""
    owner, labels, code = listed_codes(numbers.table("operations"))
    found = pd.DataFrame({"operation": owner, "procedure": _procedures(labels, code, numbers.look)})
    return found[found["procedure"] >= 0].drop_duplicates(ignore_index=True)


def listed_codes(table: Standing) -> tuple[np.ndarray, list[str], np.ndarray]:
    """The codes listed in `concomitant_codes`, one after the other, each distinct list split once.

    Returns:
        The row of each (int64), labels of system and code in order, and the position of each among the labels.
    """
    lists, own = table.coded("concomitant_codes")
    split = pc.split_pattern(lists, ";")
    codes, code = coded(pa.chunked_array([pc.utf8_trim_whitespace(pc.list_flatten(split))]))
    length = pc.list_value_length(split).to_numpy().astype(np.int64)
    of_row = np.append(length, 0)[own]
    owner = np.repeat(np.arange(len(table), dtype=np.int64), of_row)
    shift = np.append(np.cumsum(length) - length, 0)[own] - (np.cumsum(of_row) - of_row)
    systems, system = table.coded("procedure_system")
    labels, pair = paired(systems, system[owner], codes, code[np.arange(len(owner)) + shift[owner]])
    return owner, labels, pair


def event_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("events")
    columns: Columns = {
        **_common(numbers, "events", "occurred_on"),
        "operation": _named(numbers, "events"),
        **_places(numbers, table),
        **_code_meanings(*table.paired("code_system", "code"), numbers.look),
        "coded": table.of("code", given),
        "noted": table.of("note", given),
        "instability_level": table.of("instability_level", whole_numbers),
        "through": numbers.words("events", "through_fixation_site"),
        "energy": numbers.words("events", "energy"),
        "origin": numbers.words("events", "source"),
        "severity": numbers.words("events", "severity_grade"),
    }
    return pd.DataFrame(columns)


def followup_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("followups")
    columns: Columns = {
        **_common(numbers, "followups", "seen_on"),
        "operation": _named(numbers, "followups"),
        **_places(numbers, table),
        "status": numbers.words("followups", "status"),
        "sport": numbers.words("followups", "return_to_sport"),
        "returned": table.of("returned_on", calendar_days),
        "why_not": numbers.words("followups", "not_returned_because"),
        "noted": table.of("note", given),
        "instability_level": table.of("instability_level", whole_numbers),
    }
    return pd.DataFrame(columns)


def measurement_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("measurements")
    columns: Columns = {
        **_common(numbers, "measurements", "measured_on"),
        "operation": _named(numbers, "measurements"),
        **_places(numbers, table),
        "measure": table.words("measure", numbers.measures.to_pylist()),
        "mode": numbers.words("measurements", "mode"),
        "value": table.of("value", decimals),
    }
    return pd.DataFrame(columns)


def patient_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("patients")
    columns: Columns = {
        "row": numbers.rows["patients"],
        "site": table.words("site", numbers.sites.to_pylist()),
        "patient": numbers.patient("patients"),
        "died": table.of("died_on", calendar_days),
        "moved": table.of("moved_away_on", calendar_days),
    }
    return pd.DataFrame(columns)


def _common(numbers: Numbers, name: str, day: str) -> Columns:
    table = numbers.table(name)
    return {
        "row": numbers.rows[name],
        "site": table.words("site", numbers.sites.to_pylist()),
        "patient": numbers.patient(name),
        "day": table.of(day, calendar_days),
        "side": table.words("side", SIDES),
    }


def _places(numbers: Numbers, table: Standing) -> Columns:
    places = numbers.look.places
    bone = table.words("bone", places) if "bone" in table else np.full(len(table), -1, dtype=np.int32)
    return {"joint": table.words("joint", places), "bone": bone}


def _procedures(labels: list[str], pair: np.ndarray, look: Lookup) -> np.ndarray:
    """int32 procedure of each (system, code), looked up once a distinct pair."""
    return np.array([*(_procedure(look, label) for label in labels), -1], dtype=np.int32)[pair]


def _procedure(look: Lookup, pair: str) -> int:
    system, code = pair.split(JOINER, 1)
    key = look.catalogue.procedure_of(system, code)
    return -1 if key is None else look.procedure_position[key]


def _code_meanings(labels: list[str], pair: np.ndarray, look: Lookup) -> Columns:
    """What each event's code says, looked up once a distinct (system, code)."""
    meanings = [*(_meaning(look, label) for label in labels), (-1, -1, 0, 0, -1, -1)]
    chosen = np.array(meanings, dtype=np.int32)[pair]
    names = ("category", "level", "specific", "subsequent", "code_joint", "code_side")
    return {name: chosen[:, position] for position, name in enumerate(names)}


def _meaning(look: Lookup, pair: str) -> tuple[int, int, int, int, int, int]:
    """(category, level, specific, subsequent, joint, side) as integers."""
    system, code = pair.split(JOINER, 1)
    catalogue: Catalogue = look.catalogue
    joint = look.place_position.get(catalogue.joint_of(system, code) or "", -1)
    stated = side_of_code(system, code)
    side = SIDES.index(stated) if stated else -1
    found = catalogue.complication_of(system, code)
    if found is None:
        return (-1, -1, 0, 0, joint, side)
    levels = [level.key for level in catalogue.complications[found.key].levels]
    level = levels.index(found.rule.level) if found.rule.level else -1
    return (
        look.category_position[found.key],
        level,
        int(found.rule.specific),
        int(found.subsequent),
        joint,
        side,
    )


def _named(numbers: Numbers, name: str) -> np.ndarray:
    """The operation a record names: its number, NOT_NAMED, NOT_SENT or NOT_THEIRS."""
    number = numbers.named[name][numbers.rows[name]]
    named = numbers.operation_of[number].astype(np.int64)
    named[named < 0] = NOT_SENT
    named[number < 0] = NOT_NAMED
    sent = np.flatnonzero(named >= 0)
    strange = numbers.operation_patient[named[sent]] != numbers.patient(name)[sent]
    named[sent[strange]] = NOT_THEIRS
    return with_bare_ids(numbers, name, NAMING[name], named)

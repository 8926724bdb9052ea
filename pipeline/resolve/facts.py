"""Accepted rows as frames of small integers, one builder a table."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

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
    decimals,
    first_positions,
    given,
    joined,
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
    """The rows of a table that stand; a column is taken when it is first asked for."""

    table: pa.Table
    rows: np.ndarray
    _taken: dict[str, pa.ChunkedArray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)

    def __contains__(self, name: str) -> bool:
        return name in self.table.column_names

    def __getitem__(self, name: str) -> pa.ChunkedArray:
        if name not in self._taken:
            self._taken[name] = self._of_rows(self.table[name])
        return self._taken[name]

    def _of_rows(self, column: pa.ChunkedArray) -> pa.ChunkedArray:
        if not self._ascending:
            return column.take(pa.array(self.rows))
        return column if len(self.rows) == len(column) else column.filter(self._mask)

    @cached_property
    def _ascending(self) -> bool:
        return bool((np.diff(self.rows) > 0).all())

    @cached_property
    def _mask(self) -> pa.Array:
        mask = np.zeros(len(self.table), dtype=bool)
        mask[self.rows] = True
        return pa.array(mask)


@dataclass(frozen=True)
class Numbers:
    """What the builders share: the rows that stand, and numbers for patients, sites, operations, surgeons."""

    accepted: Accepted
    look: Lookup
    rows: dict[str, np.ndarray]
    standing: dict[str, Standing]
    patients: dict[str, np.ndarray]
    sites: pa.Array
    surgeons: pa.Array
    measures: pa.Array
    operations: pa.Array  # (site, operation id) of the operations that stand
    operation_patient: np.ndarray
    named: dict[str, np.ndarray]  # table → operation that each accepted row names, -1 where none that stands

    def table(self, name: str) -> Standing:
        return self.standing[name]

    def words(self, name: str, column: str) -> np.ndarray:
        return word_codes(self.table(name)[column], EXPORTS[name][column].vocabulary)


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
    position = np.full(len(keys) + 1, -1, dtype=np.int64)
    position[own[by_id]] = np.arange(len(own))
    standing = {name: Standing(table, rows[name]) for name, table in tables.items()}
    folders = pa.chunked_array([[source.site for source in accepted.sources]], pa.string())
    everywhere = [folders, *(table["site"] for table in tables.values())]
    surgeon = _surgeon_keys(standing["operations"], shared_surgeons)
    return Numbers(
        accepted,
        look,
        rows,
        standing,
        patients,
        sites=sorted_distinct(everywhere),
        surgeons=sorted_distinct([surgeon]),
        measures=sorted_distinct([tables["measurements"]["measure"]]),
        operations=keys.known.take(pa.array(own[by_id])),
        operation_patient=patients["operations"][rows["operations"]],
        named=dict(zip(NAMING, (position[number] for number in keys.numbers[1:]), strict=True)),
    )


def _surgeon_keys(table: Standing, shared: bool) -> pa.ChunkedArray:
    if shared:
        return table["surgeon_id"]
    return pc.binary_join_element_wise(table["site"], table["surgeon_id"], "/")


def operation_facts(numbers: Numbers, shared_surgeons: bool) -> pd.DataFrame:
    table = numbers.table("operations")
    flags = ("planned", "prior_operation_same_joint", "smoker", "diabetes")
    words = ("status", "sex", "planned_as", "anaesthesia", "urgency", "sport_level")
    columns: Columns = {
        "operation": np.arange(len(table), dtype=np.int64),
        **_common(numbers, "operations", "performed_on"),
        "procedure": _procedures(table, numbers.look),
        "surgeon": word_codes(_surgeon_keys(table, shared_surgeons), numbers.surgeons.to_pylist()),
        "age_years": whole_numbers(table["age_years"]),
        "asa_class": whole_numbers(table["asa_class"]),
        "nonoperative_weeks": whole_numbers(table["nonoperative_weeks"]),
        "planned_with": _named(numbers, "operations"),
        "planned_on": calendar_days(table["planned_on"]),
        "reason": word_codes(table["reason"], numbers.look.categories),
        **{name: answers(table[name]) for name in flags},
        **{name: numbers.words("operations", name) for name in words},
    }
    return pd.DataFrame(columns)


def concomitant_facts(numbers: Numbers) -> pd.DataFrame:
    """One row a listed code that is a procedure of the catalogue, in the row's own code system."""
    table = numbers.table("operations")
    listed = pc.split_pattern(table["concomitant_codes"].combine_chunks(), ";")
    owner = pc.list_parent_indices(listed)
    code = pc.utf8_trim_whitespace(pc.list_flatten(listed))
    flat = pa.table({"procedure_system": table["procedure_system"].take(owner), "procedure_code": code})
    found = pd.DataFrame(
        {"operation": owner.to_numpy().astype(np.int64), "procedure": _procedures(flat, numbers.look)}
    )
    return found[found["procedure"] >= 0].drop_duplicates(ignore_index=True)


def event_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("events")
    columns: Columns = {
        **_common(numbers, "events", "occurred_on"),
        "operation": _named(numbers, "events"),
        **_places(numbers, table),
        **_code_meanings(table, numbers.look),
        "coded": given(table["code"]),
        "noted": given(table["note"]),
        "instability_level": whole_numbers(table["instability_level"]),
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
        "returned": calendar_days(table["returned_on"]),
        "why_not": numbers.words("followups", "not_returned_because"),
        "noted": given(table["note"]),
        "instability_level": whole_numbers(table["instability_level"]),
    }
    return pd.DataFrame(columns)


def measurement_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("measurements")
    columns: Columns = {
        **_common(numbers, "measurements", "measured_on"),
        "operation": _named(numbers, "measurements"),
        **_places(numbers, table),
        "measure": word_codes(table["measure"], numbers.measures.to_pylist()),
        "mode": numbers.words("measurements", "mode"),
        "value": decimals(table["value"]),
    }
    return pd.DataFrame(columns)


def patient_facts(numbers: Numbers) -> pd.DataFrame:
    table = numbers.table("patients")
    columns: Columns = {
        "row": numbers.rows["patients"],
        "site": word_codes(table["site"], numbers.sites.to_pylist()),
        "patient": numbers.patients["patients"][numbers.rows["patients"]],
        "died": calendar_days(table["died_on"]),
        "moved": calendar_days(table["moved_away_on"]),
    }
    return pd.DataFrame(columns)


def _common(numbers: Numbers, name: str, day: str) -> Columns:
    table, rows = numbers.table(name), numbers.rows[name]
    return {
        "row": rows,
        "site": word_codes(table["site"], numbers.sites.to_pylist()),
        "patient": numbers.patients[name][rows],
        "day": calendar_days(table[day]),
        "side": word_codes(table["side"], SIDES),
    }


def _places(numbers: Numbers, table: Standing) -> Columns:
    places = numbers.look.places
    joint = word_codes(table["joint"], places)
    bone = word_codes(table["bone"], places) if "bone" in table else np.full(len(table), -1, dtype=np.int32)
    return {"joint": joint, "bone": bone}


def _procedures(table: Standing | pa.Table, look: Lookup) -> np.ndarray:
    """int32 procedure of each (system, code), looked up once a distinct pair."""
    keys = joined(table["procedure_system"], table["procedure_code"])
    known = sorted_distinct([keys] if isinstance(keys, pa.ChunkedArray) else [pa.chunked_array([keys])])
    meaning = np.array([_procedure(look, pair) for pair in known.to_pylist()] + [-1], dtype=np.int32)
    return meaning[first_positions(keys, known)]


def _procedure(look: Lookup, pair: str) -> int:
    system, code = pair.split(JOINER, 1)
    key = look.catalogue.procedure_of(system, code)
    return -1 if key is None else look.procedure_position[key]


def _code_meanings(table: Standing, look: Lookup) -> Columns:
    """What each event's code says, looked up once a distinct (system, code)."""
    keys = joined(table["code_system"], table["code"])
    known = sorted_distinct([keys])
    meanings = [_meaning(look, pair) for pair in known.to_pylist()] + [(-1, -1, 0, 0, -1, -1)]
    chosen = np.array(meanings, dtype=np.int32)[first_positions(keys, known)]
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
    rows = numbers.rows[name]
    found = numbers.named[name][rows]
    named = np.where(
        given(numbers.table(name)[NAMING[name]]), np.where(found >= 0, found, NOT_SENT), NOT_NAMED
    )
    sent = named >= 0
    theirs = numbers.operation_patient[named[sent]] == numbers.patients[name][rows][sent]
    named[sent] = np.where(theirs, named[sent], NOT_THEIRS)
    return with_bare_ids(numbers, name, NAMING[name], named)

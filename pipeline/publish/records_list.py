"""The list of records: what each was to a case, or why it has none. Millions of rows, so made in Arrow.

Text is taken from the accepted tables once, after everything was put in order by whole numbers.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.handover import (
    NO_DAY,
    OPENS,
    PENDING,
    PERFORMED,
    RECORD_TABLES,
    ROLES,
    SIDES,
    UNATTRIBUTED,
    Facts,
)
from pipeline.publish.lists import TABLES, Lists
from pipeline.publish.record_texts import what_of, what_was_done
from pipeline.publish.records_aside import Aside, rows_aside
from schemas.exports import EXPORTS, ID_COLUMN
from schemas.published import PUBLISHED
from schemas.tracing import RECORD_ROLES

if TYPE_CHECKING:
    from pipeline.parts import Whole

WHY = (*PENDING, *UNATTRIBUTED)
NO_CASE = NO_WHY = -1
STATUSES = EXPORTS["operations"]["status"].vocabulary
#: Position in RECORD_ROLES of each word.
ROLE = {word: number for number, word in enumerate(RECORD_ROLES)}


@dataclass(frozen=True)
class Known:
    """What the list is made of.

    Attributes:
        lists: Accepted rows, labels and all cases.
        facts: Records that stand on the cut, as integers.
        whole: Which case everything belongs to.
        places: Joint and bone words, by their number.
        aside: Rows that do not stand.
    """

    lists: Lists
    facts: Facts
    whole: Whole
    places: tuple[str, ...]
    aside: Aside


def records_table(known: Known) -> pa.Table:
    """The published `records`, typed and in its order; words are still numbers beside their dictionary."""
    found = pd.concat([_of_table(known, name) for name in TABLES], ignore_index=True)
    found = found.iloc[_order(found, known)]
    standing = _in_words(found, known)
    others = rows_aside(known.aside, known.lists.accepted, known.facts)
    return pa.concat_tables([standing, _like(others, standing.schema)])


def _like(rows: pa.Table, schema: pa.Schema) -> pa.Table:
    """The rows with every column of the schema, null where they have none."""
    columns = [
        rows[field.name].cast(field.type)
        if field.name in rows.column_names
        else pa.nulls(len(rows), field.type)
        for field in schema
    ]
    return pa.table(columns, schema=schema)


def _of_table(known: Known, name: str) -> pd.DataFrame:
    """`case, table, row, role, why, patient, date` (calendar), `side`, `place` (-1 unknown) of one table."""
    found = _patients(known) if name == "patients" else _with_facts(_records(known, name), known, name)
    return found.assign(table=np.int8(TABLES.index(name)))


# ---------------------------------------------------------------- whose each record is


def _records(known: Known, name: str) -> pd.DataFrame:
    """`row, case, role, why` of one table: of cases, awaiting, of none."""
    tied = [_of_cases(known, name)]
    if name == "followups":
        tied.append(_shared(known))
    if name == "operations":
        tied.append(_members(known))
    placed = pd.concat(tied, ignore_index=True)
    seen = np.zeros(len(known.lists.accepted.tables[name]), dtype=bool)
    seen[placed["row"]] = True
    listed = known.whole.unattributed
    own = listed[(listed["table"] == name).to_numpy()]
    own = own[~seen[own["row"]]]
    alone = _frame(own["row"], NO_CASE, ROLE["unattributed"], own["why"] + len(PENDING))
    parts = [placed, alone]
    if name == "operations":
        seen[own["row"]] = True
        parts.append(_other_operations(known, seen))
    return pd.concat(parts, ignore_index=True)


def _frame(row: object, case: object, role: object, why: object = NO_WHY) -> pd.DataFrame:
    rows = np.asarray(row, dtype=np.int32)
    numbers = {"case": (case, np.int32), "role": (role, np.int8), "why": (why, np.int8)}
    return pd.DataFrame(
        {"row": rows, **{name: np.broadcast_to(np.asarray(each, dtype=kind), rows.shape)
                         for name, (each, kind) in numbers.items()}}
    )  # fmt: skip


def _of_cases(known: Known, name: str) -> pd.DataFrame:
    records = known.whole.records
    own = records[(records["table"] == name).to_numpy()]
    pending = own["pending"].to_numpy(dtype=bool)
    early = (own["day"] < 0).to_numpy()
    role = np.where(pending, ROLE["awaits"], np.where(early, ROLE["before"], ROLE["tied"]))
    return _frame(own["row"], own["case"], role, np.where(pending, own["why"], NO_WHY))


def _shared(known: Known) -> pd.DataFrame:
    """Visits of all cases of a patient; one before a case's operation says nothing of its course."""
    visits = known.whole.shared_visits
    day = _by_row(known, "followups", "day", int(NO_DAY))[visits["row"]]
    early = day < known.lists.cases["performed"].to_numpy()[visits["case"]]
    return _frame(visits["row"], visits["case"], np.where(early, ROLE["before"], ROLE["shared"]))


def _members(known: Known) -> pd.DataFrame:
    members = known.whole.members
    opening = (members["role"] == OPENS).to_numpy()
    first = np.where(members["names"], ROLE["opens"], ROLE["same_sitting"])
    counted = known.lists.cases["counted"].to_numpy().astype(bool)[members["case"]]
    first = np.where(counted, first, ROLE["too_early"])
    later = np.array([ROLE[word] for word in ROLES])[members["role"]]
    return _frame(members["row"], members["case"], np.where(opening, first, later))


def _other_operations(known: Known, seen: np.ndarray) -> pd.DataFrame:
    """Operations that are no case's: not performed, or of a code the catalogue lacks."""
    facts = known.facts.operations
    rest = facts[~seen[facts["row"]]]
    status = rest["status"].to_numpy()
    undone = np.array([ROLE.get(word, ROLE["not_in_catalogue"]) for word in STATUSES])[status]
    role = np.where(status == PERFORMED, ROLE["not_in_catalogue"], undone)
    return _frame(rest["row"], NO_CASE, role)


# ---------------------------------------------------------------- what the facts say of them


def _by_row(known: Known, name: str, column: str, missing: int) -> np.ndarray:
    """A column of the facts by accepted row; `missing` where the row does not stand."""
    frame = getattr(known.facts, name)
    values = np.full(len(known.lists.accepted.tables[name]), missing, dtype=np.int32)
    values[frame["row"]] = frame[column]
    return values


def _with_facts(found: pd.DataFrame, known: Known, name: str) -> pd.DataFrame:
    row = found["row"].to_numpy()
    frame = getattr(known.facts, name)
    day = _by_row(known, name, "day", int(NO_DAY))[row]
    place = np.full(len(row), -1, dtype=np.int32)
    for column in ("bone", "joint"):
        if column in frame:
            place = np.where((own := _by_row(known, name, column, -1)[row]) >= 0, own, place)
    return found.assign(
        patient=_by_row(known, name, "patient", -1)[row],
        date=day,
        side=_by_row(known, name, "side", -1)[row].astype(np.int8),
        place=place.astype(np.int16),
    )


def _patients(known: Known) -> pd.DataFrame:
    """Deaths and moves the table of patients states."""
    told = known.facts.patients
    parts = []
    for role in ("died", "moved"):
        own = told[told[role] != NO_DAY]
        more = {"patient": own["patient"].to_numpy(np.int32), "date": own[role].to_numpy(np.int32)}
        found = _frame(own["row"], NO_CASE, ROLE[role]).assign(**more)
        parts.append(found.assign(side=np.int8(-1), place=np.int16(-1)))
    return pd.concat(parts, ignore_index=True)


# ---------------------------------------------------------------- order and words


def _order(found: pd.DataFrame, known: Known) -> np.ndarray:
    """By case id and day; those of no case after them, by patient and day; one day by table and row."""
    ids, place = known.lists.words_of_ids
    rank = np.append(place.astype(np.int64), -1)
    case, patient = found["case"].to_numpy(), found["patient"].to_numpy()
    whose = np.where(case >= 0, rank[case], len(ids) + patient)
    date = found["date"].to_numpy()
    span = int(date.max(initial=0) - date.min(initial=0)) + 1
    return np.lexsort((found["row"], found["table"], whose * span + date - date.min(initial=0)))


def _in_words(found: pd.DataFrame, known: Known) -> pa.Table:
    accepted = known.lists.accepted.tables
    case = found["case"].to_numpy()
    performed = np.append(known.lists.cases["performed"].to_numpy(np.int64), 0)
    date, patient = found["date"].to_numpy(np.int64), found["patient"].to_numpy()
    starts = np.append(0, np.cumsum([len(accepted[name]) for name in TABLES]))
    rows = pa.array(starts[found["table"].to_numpy()] + found["row"].to_numpy())
    sources = [source.source_file for source in known.lists.accepted.sources]
    columns = {
        "case_id": known.lists.ids(case),
        "site": _coded(_stacked(known, "site")).take(rows),
        "patient": pa.array(patient, pa.int64()),
        "table": _words(found["table"].to_numpy(), TABLES),
        "record_id": _ids(accepted).take(rows),
        "date": pa.array(date.astype(np.int32), pa.int32()).cast(pa.date32()),
        "day": pa.array(date - performed[case], pa.int64(), mask=case < 0),
        "role": _words(found["role"].to_numpy(), RECORD_ROLES),
        "side": _words(found["side"].to_numpy(), SIDES),
        "place": _words(found["place"].to_numpy(), known.places),
        "what": _coded(_whats(known)).take(rows),
        "why": _words(found["why"].to_numpy(), WHY),
        "source_file": _words(_stacked(known, "source_number").take(rows).to_numpy(), sources),
        "source_line": _stacked(known, "source_line").take(rows),
    }
    return pa.table(columns).select(PUBLISHED["records"].names)


def _stacked(known: Known, column: str) -> pa.ChunkedArray:
    """A column of all accepted tables, one below the other in the order of TABLES."""
    parts = [known.lists.accepted.tables[name][column] for name in TABLES]
    return pa.chunked_array([chunk for part in parts for chunk in part.chunks], parts[0].type)


def _coded(texts: pa.ChunkedArray) -> pa.ChunkedArray:
    """The same texts, each distinct one once: of many rows few differ."""
    return texts.dictionary_encode().unify_dictionaries()


def _ids(accepted: dict[str, pa.Table]) -> pa.ChunkedArray:
    """Ids of records; patients have none here."""
    own = [chunk for name in RECORD_TABLES for chunk in accepted[name][ID_COLUMN[name]].chunks]
    return pa.chunked_array([*own, pa.nulls(len(accepted["patients"]), pa.string())])


def _whats(known: Known) -> pa.ChunkedArray:
    accepted, names = known.lists.accepted.tables, known.lists.labels.groups
    procedure = _by_row(known, "operations", "procedure", -1)
    told = [what_of(accepted[name], name) for name in RECORD_TABLES[1:]]
    nothing = pa.nulls(len(accepted["patients"]), pa.string())
    parts = [what_was_done(accepted["operations"], procedure, names), *told, nothing]
    chunks = [
        chunk for part in parts for chunk in (part.chunks if isinstance(part, pa.ChunkedArray) else [part])
    ]
    return pa.chunked_array(chunks, pa.string())


def _words(positions: np.ndarray, words: Iterable[str] | pa.Array) -> pa.Array:
    """Texts by their position, null for -1."""
    numbers = pa.array(positions.astype(np.int32), pa.int32(), mask=positions < 0)
    texts = words if isinstance(words, pa.Array) else pa.array(list(words), pa.string())
    return pa.DictionaryArray.from_arrays(numbers, texts)

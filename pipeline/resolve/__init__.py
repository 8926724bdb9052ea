"""Resolve: versions to one record, patients to one person, ids to integers, the cut, checks between tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings
from pipeline.columns import holds
from pipeline.handover import CONFLICTING, FIRST, KEPT, Accepted, Facts, Resolved
from pipeline.resolve.between import after_death, between_tables, not_together, repeated_ids
from pipeline.resolve.characteristics import Characteristics, characteristics_of
from pipeline.resolve.deaths import operations_after_death, records_after_death
from pipeline.resolve.facts import (
    Numbers,
    concomitant_facts,
    event_facts,
    followup_facts,
    measurement_facts,
    numbers_for,
    operation_facts,
    operation_keys,
    patient_facts,
)
from pipeline.resolve.named_cases import decision_facts, link_facts
from pipeline.resolve.patients import patients_of
from pipeline.resolve.versions import Versions, versions_of
from pipeline.room import IN_MEMORY, Room
from pipeline.side_by_side import at_once, in_order
from schemas.exports import DAY_COLUMN, ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.lookup import Lookup
    from pipeline.people import People
    from pipeline.settings import Settings

__all__ = ["resolved"]

EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class _Standing:
    versions: dict[str, Versions]
    rows: dict[str, np.ndarray]


def resolved(
    accepted: Accepted, people: People, settings: Settings, look: Lookup, cut_on: date, room: Room = IN_MEMORY
) -> Resolved:
    """Records that stand on the cut, as integers.

    Records dated after `cut_on` keep their fate (they are accepted) but are no facts of this edition.

    Args:
        room: Where the facts are kept.
    """
    shared_patients, shared_surgeons = (what in settings.shared_identity for what in ("patient", "surgeon"))
    rows = sum(table.num_rows for table in accepted.tables.values())
    (standing, dead), patients, keys = at_once(
        rows,
        lambda: _standing(accepted, look, cut_on),
        lambda: patients_of(accepted, people.merges, shared_patients),
        lambda: operation_keys(accepted),
    )
    numbers = numbers_for(accepted, look, standing.rows, patients.number, keys, shared_surgeons)
    links, link_complaints = link_facts(people.links, numbers)
    decisions, reviewers, decision_complaints = decision_facts(people.decisions, numbers, cut_on)
    extra = characteristics_of(numbers, settings)
    facts = _facts(numbers, rows, links, (decisions, reviewers), patients.hashes, extra, room)
    complaints = [*patients.complaints, *link_complaints, *decision_complaints]
    fates = {name: versions.fate for name, versions in standing.versions.items()}
    *found, impossible = at_once(
        rows,
        lambda: repeated_ids(accepted, standing.versions),
        lambda: after_death(accepted, dead),
        lambda: not_together(accepted, fates),
        lambda: between_tables(numbers, facts),
        lambda: operations_after_death(accepted, fates, look),
    )
    told = findings.joined([*found, findings.frame(complaints)])
    return Resolved(facts, fates, standing.rows, told, impossible)


def _standing(accepted: Accepted, look: Lookup, cut_on: date) -> tuple[_Standing, dict[str, np.ndarray]]:
    """What stands on the cut, and by table the rows held back because the patient was dead."""

    def of_table(name: str) -> Versions:
        return versions_of(accepted.tables[name], ID_COLUMN[name], DAY_COLUMN.get(name), accepted.sources)

    names = list(accepted.tables)
    found = in_order(of_table, names, sum(table.num_rows for table in accepted.tables.values()))
    versions = dict(zip(names, found, strict=True))
    dead = records_after_death(accepted, {name: each.fate for name, each in versions.items()}, look)
    for name, dated in dead.items():
        fate = versions[name].fate.copy()
        fate[dated] = CONFLICTING
        versions[name] = replace(versions[name], fate=fate)
    rows = {
        name: np.flatnonzero((versions[name].fate == KEPT) & _by_the_cut(table, DAY_COLUMN.get(name), cut_on))
        for name, table in accepted.tables.items()
    }
    return _Standing(versions, rows), dead


def _by_the_cut(table: pa.Table, day_column: str | None, cut_on: date) -> np.ndarray:
    if day_column is None:
        return np.ones(len(table), dtype=bool)
    return holds(table[day_column], lambda days: pc.less_equal(days, pa.scalar(cut_on)))


def _facts(
    numbers: Numbers,
    rows: int,
    links: pd.DataFrame,
    decided: tuple[pd.DataFrame, tuple[str, ...]],
    hashes: np.ndarray,
    extra: Characteristics,
    room: Room,
) -> Facts:
    """Each frame goes to its room before more of the others are made than may be at a time."""
    followups, measurements, operations, events, concomitants = at_once(
        rows,
        lambda: room.value(followup_facts(numbers)),
        lambda: room.value(measurement_facts(numbers)),
        lambda: room.value(operation_facts(numbers).assign(**extra.columns)),
        lambda: room.value(event_facts(numbers)),
        lambda: room.value(concomitant_facts(numbers)),
    )
    return Facts(
        operations=operations,
        concomitants=concomitants,
        events=events,
        followups=followups,
        measurements=measurements,
        patients=patient_facts(numbers),
        links=links,
        decisions=decided[0],
        reviewers=decided[1],
        sites=tuple(numbers.sites.to_pylist()),
        surgeons=numbers.surgeons,
        measures=tuple(numbers.measures.to_pylist()),
        codes=room.value(extra.codes),
        unisolating=extra.unisolating,
        fixations=extra.fixations,
        by=extra.by,
        patient_hashes=room.value(hashes),
        received=room.value(_received(numbers.accepted)),
        sent_before=room.value(_sent_before(numbers.accepted)),
    )


def _received(accepted: Accepted) -> dict[str, np.ndarray]:
    """Calendar day of receipt of each accepted row."""
    return _by_row(accepted, [(source.receipt - EPOCH).days for source in accepted.sources])


def _sent_before(accepted: Accepted) -> dict[str, np.ndarray]:
    """Calendar day of the export of the same table and site before the one that brought each accepted row, or FIRST."""
    days: dict[tuple[str, str], set[date]] = {}
    for source in accepted.sources:
        if source.is_used:
            days.setdefault((source.site, source.table), set()).add(source.receipt)
    earlier = [
        max((day for day in days.get((s.site, s.table), ()) if day < s.receipt), default=None)
        for s in accepted.sources
    ]
    return _by_row(accepted, [FIRST if day is None else (day - EPOCH).days for day in earlier])


def _by_row(accepted: Accepted, days: Sequence[int]) -> dict[str, np.ndarray]:
    """The day of each accepted row's source, two bytes a row while days of our time need no more."""
    short = all(abs(day) < 2**15 for day in days)
    of_source = np.array(days, dtype=np.int16 if short else np.int32)
    return {name: of_source[table["source_number"].to_numpy()] for name, table in accepted.tables.items()}

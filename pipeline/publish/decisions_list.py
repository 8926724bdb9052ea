"""What people wrote, row by row, and whether it is in force. Small files written by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import RECORD_TABLES, Accepted, Facts
from pipeline.people import People
from schemas.published import PUBLISHED

#: Rules that say a row of decisions, links or merges cannot be used.
UNUSABLE = (
    "decision_unknown_case",
    "decision_unknown_category",
    "link_unknown_record",
    "link_to_another_patient",
    "merge_unclear",
)
IN_FORCE, ANSWERED, NOT_USABLE = "in_force", "answered_later", "not_usable"
Row = dict[str, object]


@dataclass(frozen=True)
class _Standings:
    """Which lines cannot be used, and which positions of a table of people the facts still hold."""

    refused: set[tuple[object, object]]

    def of(self, row: Row, in_force: bool) -> str:
        if (row["source_file"], row["source_line"]) in self.refused:
            return NOT_USABLE
        return IN_FORCE if in_force else ANSWERED


def decisions_used(people: People, facts: Facts, accepted: Accepted, found: pd.DataFrame) -> pd.DataFrame:
    """The published `decisions_used`. Of a row that cannot be used only the place is told, not what it says.

    Args:
        people: What was written up to the day of knowledge.
        facts: Which of it stands.
        accepted: Rows, to find the patients of merges.
        found: All findings.
    """
    refused = found[found["rule"].isin(UNUSABLE)]
    standings = _Standings(set(zip(refused["source_file"], refused["source_line"], strict=True)))
    rows = [
        *_decisions(people.decisions, set(facts.decisions["position"]), standings),
        *_links(people.links, set(facts.links["position"]), standings),
        *_merges(people.merges, _patients(people.merges, accepted, facts), standings),
    ]
    names = PUBLISHED["decisions_used"].names
    told = [_silent(row) for row in rows]
    return pd.DataFrame({name: pd.Series([row.get(name) for row in told], dtype=object) for name in names})


def _silent(row: Row) -> Row:
    """What cannot be used may hold anything: only kind, day, standing and place go on."""
    kept = ("kind", "decided_on", "standing", "source_file", "source_line")
    return {name: row[name] for name in kept} if row["standing"] == NOT_USABLE else row


def _rows(frame: pd.DataFrame) -> Iterator[tuple[int, Row]]:
    for position, row in enumerate(frame.to_dict("records")):
        yield position, {str(name): value for name, value in row.items()}


def _decisions(frame: pd.DataFrame, standing: set[int], standings: _Standings) -> Iterator[Row]:
    for position, row in _rows(frame):
        yield {
            **row,
            "kind": "decision",
            "says": "yes" if row["counts"] else "no",
            "standing": standings.of(row, position in standing),
        }


def _links(frame: pd.DataFrame, standing: set[int], standings: _Standings) -> Iterator[Row]:
    for position, row in _rows(frame):
        nobody = row["case_id"] == "none"
        yield {
            **row,
            "kind": "link",
            "site": row["site_id"],
            "case_id": None if nobody else row["case_id"],
            "says": "none" if nobody else "case",
            "standing": standings.of(row, position in standing),
        }


def _merges(
    frame: pd.DataFrame, patients: dict[tuple[object, object], int], standings: _Standings
) -> Iterator[Row]:
    for _, row in _rows(frame):
        numbers = [patients.get((row["site_id"], row[end])) for end in ("same_as", "patient_id")]
        yield {
            **row,
            "kind": "merge",
            "site": row["site_id"],
            "patient": next((number for number in numbers if number is not None), None),
            "reviewer": row["by"],
            "standing": standings.of(row, in_force=True),
        }


def _patients(merges: pd.DataFrame, accepted: Accepted, facts: Facts) -> dict[tuple[object, object], int]:
    """(site, pseudonym) of merges → number of the patient, where any record stands."""
    wanted = pa.array([*merges["patient_id"], *merges["same_as"]], pa.string())
    numbers: dict[tuple[object, object], int] = {}
    for name in RECORD_TABLES if len(wanted) else ():
        frame = getattr(facts, name)
        own = accepted.tables[name].select(["site", "patient_id"]).take(pa.array(frame["row"]))
        hit = pc.fill_null(pc.is_in(own["patient_id"], wanted), False)
        pairs = own.filter(hit).to_pydict()
        found = frame["patient"].to_numpy()[hit.to_numpy().astype(bool)].tolist()
        numbers.update(zip(zip(pairs["site"], pairs["patient_id"], strict=True), found, strict=True))
    return numbers

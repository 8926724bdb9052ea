"""What people wrote, row by row, and whether it is in force. Small files written by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import RECORD_TABLES, Accepted, Facts
from pipeline.people import People
from pipeline.reviewers import persons
from schemas.published import PUBLISHED

#: Rules of rows that name what is not known: of those nothing is told but the place.
UNKNOWN = ("decision_unknown_case", "decision_unknown_category", "link_unknown_record", "merge_unclear")
#: Rules of rows that are understood and not used.
SET_ASIDE = (
    "decision_contradicts",
    "decision_on_own_case",
    "decision_after_the_cut",
    "link_contradicts",
    "link_to_another_patient",
    "link_without_effect",
)
IN_FORCE, ANSWERED, NOT_USED = "in_force", "answered_later", "not_used"
Row = dict[str, object]


@dataclass(frozen=True)
class _Standings:
    """File and line of each row that is not used → the rule that says so."""

    refused: dict[tuple[object, object], str]

    def of(self, row: Row, in_force: bool) -> Row:
        rule = self.refused.get((row["source_file"], row["source_line"]))
        if rule:
            return {"standing": NOT_USED, "rule": rule}
        return {"standing": IN_FORCE if in_force else ANSWERED, "rule": None}


def decisions_used(people: People, facts: Facts, accepted: Accepted, found: pd.DataFrame) -> pd.DataFrame:
    """The published `decisions_used`. Of a row that names nothing known only the place is told.

    Args:
        people: What was written up to the day of knowledge.
        facts: Which of it stands.
        accepted: Rows, to find the patients of merges.
        found: All findings.
    """
    refused = found[found["rule"].isin([*UNKNOWN, *SET_ASIDE])]
    places = zip(refused["source_file"], refused["source_line"], strict=True)
    standings = _Standings(dict(zip(places, refused["rule"], strict=True)))
    rows = [
        *_decisions(people.decisions, set(facts.decisions["position"]), standings),
        *_links(people.links, set(facts.links["position"]), standings),
        *_merges(people.merges, _patients(people.merges, accepted, facts), standings),
    ]
    names = PUBLISHED["decisions_used"].names
    told = [_silent(row) for row in _without_answer(rows)]
    return pd.DataFrame({name: pd.Series([row.get(name) for row in told], dtype=object) for name in names})


def _without_answer(rows: list[Row]) -> Iterator[Row]:
    """Rows not in force that no row in force answers were left unused because two of one day contradict each other."""
    known = persons(str(row["reviewer"]) for row in rows)
    answered = {_question(row, known) for row in rows if row["standing"] == IN_FORCE}
    for row in rows:
        open_still = row["standing"] == ANSWERED and _question(row, known) not in answered
        yield {**row, "standing": NOT_USED, "rule": f"{row['kind']}_contradicts"} if open_still else row


def _question(row: Row, known: dict[str, str]) -> tuple[object, ...]:
    """What a later row would have to be about, to answer this one. Of links the last row stands, whoever wrote it."""
    if row["kind"] == "link":
        return ("link", row["site"], row["table"], row["record_id"])
    if row["kind"] == "merge":
        return ("merge", row["source_file"], row["source_line"])
    read = None if row["category"] else row["evidence"]
    return ("decision", row["case_id"], row["category"], read, known[str(row["reviewer"])])


def _silent(row: Row) -> Row:
    """What names nothing known may hold anything: only kind, day, standing and place go on."""
    kept = ("kind", "decided_on", "standing", "rule", "source_file", "source_line")
    return {name: row[name] for name in kept} if row["rule"] in UNKNOWN else row


def _rows(frame: pd.DataFrame) -> Iterator[tuple[int, Row]]:
    for position, row in enumerate(frame.to_dict("records")):
        yield position, {str(name): value for name, value in row.items()}


def _decisions(frame: pd.DataFrame, standing: set[int], standings: _Standings) -> Iterator[Row]:
    for position, row in _rows(frame):
        yield {
            **row,
            "kind": "decision",
            "says": "yes" if row["counts"] else "no",
            **standings.of(row, position in standing),
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
            **standings.of(row, position in standing),
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
            **standings.of(row, in_force=True),
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

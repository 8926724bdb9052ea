"""Patients whose data are no longer used, on request: taken out before anything is checked, and only counted.

Nothing of their rows goes on: no value, no row held back, no repair, no question. What people wrote about their records
goes too. Pseudonyms that are one patient (merges, ids shared between sites) go together.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline import findings
from schemas.exports import DAY_COLUMN, ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from pipeline.handover import Export, Intake, Source
    from pipeline.people import People

Key = tuple[str, str]
PATIENT = "patient_id"
#: Between site and pseudonym; in no cell that was read as text.
_AND = "\x1f"


@dataclass(frozen=True)
class Request:
    """A row of removals/: where it stands, when it came, and how many rows it takes out."""

    file: str
    line: int
    received_on: date
    rows: int


@dataclass(frozen=True)
class Removed:
    """What was left out on request; none of it says whose it was but `operations`, which is never written.

    Attributes:
        requests: Those in force, in the order of their places.
        patients: Distinct pseudonyms that had rows.
        operations: (site, operation id) of theirs.
        files: Exports that hold rows of theirs.
        findings: Requests that take nothing out, or repeat another.
    """

    requests: tuple[Request, ...]
    patients: int
    operations: frozenset[Key]
    files: frozenset[str]
    findings: pd.DataFrame

    @property
    def rows(self) -> int:
        return sum(request.rows for request in self.requests)

    def is_theirs(self, case_id: str) -> bool:
        """Whether a case is one of theirs."""
        return _operation_of(case_id) in self.operations


def without_removed(intake: Intake, people: People, shared: bool) -> tuple[Intake, People, Removed]:
    """All that was received and written, without the patients who are to be left out.

    Args:
        shared: The same pseudonym at two sites is one person.
    """
    asked = _asked(people)
    wanted = {key: _same_person({key}, people, intake, shared) for key in asked}
    keys = frozenset().union(*wanted.values())
    taken = _Taken(Counter(), set(), set())
    if not keys:
        return intake, people, Removed((), 0, frozenset(), frozenset(), findings.empty())
    exports = tuple(_without(export, keys, taken) for export in intake.exports)
    sources = _with_counts(intake, exports)
    dropped = frozenset(taken.lines)
    kept = replace(
        intake,
        sources=sources,
        exports=exports,
        findings=_off(intake.findings, dropped),
        repairs=_off(intake.repairs, dropped),
    )
    return kept, _people_without(people, keys, taken), _removed(people, wanted, taken)


@dataclass
class _Taken:
    """What was found of theirs on the way: rows by patient, places in files, records as (table, site, id)."""

    rows: Counter[Key]
    lines: set[tuple[str, int]]
    records: set[tuple[str, str, str]]

    @property
    def operations(self) -> frozenset[Key]:
        return frozenset((site, record) for table, site, record in self.records if table == "operations")


def _asked(people: People) -> list[Key]:
    rows = people.removals
    return list(dict.fromkeys(zip(rows["site_id"], rows[PATIENT], strict=True)))


def _same_person(keys: set[Key], people: People, intake: Intake, shared: bool) -> frozenset[Key]:
    """The pseudonyms that are one patient with these."""
    merges = [
        ((row["site_id"], row[PATIENT]), (row["site_id"], row["same_as"]))
        for row in people.merges.to_dict("records")
    ]
    sites = {source.site for source in intake.sources}
    found = set(keys)
    while True:
        more = {other for pair in merges if found & set(pair) for other in pair}
        more |= {(site, patient) for _, patient in found | more for site in sites} if shared else set()
        if more <= found:
            return frozenset(found)
        found |= more


# ---------------------------------------------------------------- rows


def _without(export: Export, keys: frozenset[Key], taken: _Taken) -> Export:
    import pyarrow as pa
    import pyarrow.compute as pc

    if PATIENT not in export.rows.column_names:
        return export
    theirs = _named(export.rows, keys)
    broken = export.broken
    if broken is not None and broken.num_rows:
        torn = _holding(broken, export.source.site, keys)
        _note(broken.filter(torn), export, taken, keys)
        broken = broken.filter(pc.invert(torn))
    _note(export.rows.filter(theirs), export, taken, keys)
    kept = pc.invert(theirs)
    unmapped = export.unmapped
    if unmapped is not None and unmapped.num_rows == export.rows.num_rows:
        unmapped = unmapped.filter(kept)
    before = export.rows.num_rows + (export.broken.num_rows if export.broken is not None else 0)
    rows = export.rows.filter(kept)
    gone = before - rows.num_rows - (broken.num_rows if broken is not None else 0)
    if not gone:
        return export
    source = replace(export.source, removed=gone)
    assert isinstance(rows, pa.Table)
    return replace(export, source=source, rows=rows, broken=broken, unmapped=unmapped)


def _keys_of(rows: pa.Table) -> pa.ChunkedArray:
    """Site and pseudonym of each row as one text."""
    import pyarrow.compute as pc

    ids = pc.fill_null(pc.utf8_trim_whitespace(rows[PATIENT].cast("string")), "")
    return pc.binary_join_element_wise(rows["site"].cast("string"), ids, _AND)


def _named(rows: pa.Table, keys: Iterable[Key]) -> pa.ChunkedArray:
    """bool: the row is of one of these patients."""
    import pyarrow as pa
    import pyarrow.compute as pc

    wanted = pa.array(sorted(_AND.join(key) for key in keys), pa.string())
    return pc.fill_null(pc.is_in(_keys_of(rows), wanted), False)


def _holding(broken: pa.Table, site: str, keys: Iterable[Key]) -> pa.ChunkedArray:
    """bool: any cell of a row that could not be cut into columns is one of these pseudonyms."""
    import pyarrow as pa
    import pyarrow.compute as pc

    wanted = pa.array(sorted({patient for of, patient in keys if of == site}), pa.string())
    found = pa.chunked_array([pa.array([False] * broken.num_rows, pa.bool_())])
    for name in broken.column_names:
        if pa.types.is_string(broken.schema.field(name).type) and name != "site":
            cells = pc.utf8_trim_whitespace(broken[name])
            found = pc.or_(found, pc.fill_null(pc.is_in(cells, wanted), False))
    return found


def _note(gone: pa.Table, export: Export, taken: _Taken, keys: frozenset[Key]) -> None:
    """Remember how many rows went, where they stood, and which records they were."""
    source, table = export.source, export.source.table
    sites = gone["site"].to_pylist() if "site" in gone.column_names else [source.site] * gone.num_rows
    patients = _cells(gone, PATIENT)
    alone = next(iter(sorted(key for key in keys if key[0] == source.site)), ("", ""))
    for site, patient, line in zip(sites, patients, gone["source_line"].to_pylist(), strict=True):
        taken.rows[(site, patient) if (site, patient) in keys else alone] += 1
        taken.lines.add((source.source_file, int(line)))
    ids = _cells(gone, ID_COLUMN[table]) if table in ID_COLUMN else []
    years = _years(gone, export) if source.id_scope == "year" else [""] * len(ids)
    taken.records |= {
        (table, site, year + record) for site, record, year in zip(sites, ids, years, strict=True)
    }


def _cells(rows: pa.Table, column: str) -> list[str]:
    if column not in rows.column_names:
        return [""] * rows.num_rows
    return [(cell or "").strip() for cell in rows[column].cast("string").to_pylist()]


def _years(rows: pa.Table, export: Export) -> list[str]:
    """The year that a site writes before its record ids, and a dash; nothing where the day does not tell it."""
    column = DAY_COLUMN.get(export.source.table, "")
    found = (re.search(r"(?<!\d)\d{4}(?!\d)", cell) for cell in _cells(rows, column))
    return [f"{year[0]}-" if year else "" for year in found]


def _with_counts(intake: Intake, exports: tuple[Export, ...]) -> tuple[Source, ...]:
    counted = {before.source: after.source for before, after in zip(intake.exports, exports, strict=True)}
    return tuple(counted.get(source, source) for source in intake.sources)


def _off(said: pd.DataFrame, lines: frozenset[tuple[str, int]]) -> pd.DataFrame:
    """Findings or repairs without those about these lines."""
    if said.empty or not lines:
        return said
    places = zip(said["source_file"], said["source_line"].fillna(0).astype(int), strict=True)
    kept = [place not in lines for place in places]
    return said.iloc[np.flatnonzero(kept)].reset_index(drop=True)


# ---------------------------------------------------------------- what people wrote


def _people_without(people: People, keys: frozenset[Key], taken: _Taken) -> People:
    """What people wrote, without what names these patients, their records or their cases."""
    records = taken.records
    known = {(site, record) for _, site, record in records}

    def names_them(row: dict[Any, Any]) -> bool:
        site = row.get("site_id") or row.get("site") or ""
        return (
            _operation_of(str(row.get("case_id") or "")) in taken.operations
            or (str(row.get("table") or ""), site, row.get("record_id")) in records
            or ("rule" in row and (site, row.get("record_id")) in known)
            or bool({(site, row.get(PATIENT)), (site, row.get("same_as"))} & keys)
        )

    kept = {}
    for name in ("decisions", "links", "merges", "known_findings", "requests"):
        frame = getattr(people, name)
        own = [not names_them(row) for row in frame.to_dict("records")]
        kept[name] = frame.iloc[np.flatnonzero(own)].reset_index(drop=True)
    return replace(people, **kept)


def _operation_of(case_id: str) -> Key:
    """Site and operation of `<site>.<operation_id>.<L|R|N>`."""
    site, _, rest = case_id.partition(".")
    return site, rest.rpartition(".")[0]


# ---------------------------------------------------------------- the account


def _removed(people: People, wanted: dict[Key, frozenset[Key]], taken: _Taken) -> Removed:
    """The first request for a patient has the rows of all that patient's pseudonyms not yet taken out."""
    requests: list[Request] = []
    complaints: list[dict[str, object]] = []
    left = Counter(taken.rows)
    seen: set[Key] = set()
    rows = people.removals.sort_values(["received_on", "source_file", "source_line"], kind="stable")
    for row in rows.to_dict("records"):
        key = (row["site_id"], row[PATIENT])
        same = wanted[key]
        number = sum(left.pop(each, 0) for each in same)
        requests.append(Request(row["source_file"], int(row["source_line"]), row["received_on"], number))
        if key in seen:
            complaints.append(
                _complaint(row, "removal_repeated", "an earlier row asks for the same patient.")
            )
        elif not any(taken.rows[each] for each in same):
            told = "no export received so far names this patient. Check site and pseudonym."
            complaints.append(_complaint(row, "removal_patient_unknown", told))
        seen.add(key)
    requests.sort(key=lambda request: (request.file, request.line))
    files = frozenset(file for file, _ in taken.lines)
    return Removed(tuple(requests), len(taken.rows), taken.operations, files, findings.frame(complaints))


def _complaint(row: dict[Any, Any], rule: str, told: str) -> dict[str, object]:
    """A finding about a request that holds nothing of it but its place."""
    return {
        "source_file": row["source_file"],
        "source_line": row["source_line"],
        "table": "removals",
        "column": PATIENT,
        "rule": rule,
        "message": f"{row['source_file']} line {row['source_line']}: {told}",
    }

"""Small exports typed in by hand."""

from __future__ import annotations

from datetime import date

import pyarrow as pa
import pytest

from pipeline import findings
from pipeline.handover import Export, Intake, Reading, Source
from schemas.exports import EXPORTS

GOOD = {
    "operations": {
        "operation_id": "o1",
        "patient_id": "p1",
        "performed_on": "2025-03-03",
        "procedure_code": "AB01",
        "side": "left",
        "age_years": "17",
        "sex": "female",
    },
    "events": {"event_id": "e1", "patient_id": "p1", "occurred_on": "2025-04-03", "code": "T84.82XA"},
    "followups": {"followup_id": "f1", "patient_id": "p1", "seen_on": "2025-04-03", "status": "seen"},
    "measurements": {
        "measurement_id": "m1",
        "patient_id": "p1",
        "measured_on": "2025-04-03",
        "joint": "shoulder",
        "measure": "forward_flexion",
        "mode": "passive",
        "value": "110",
        "unit": "deg",
    },
    "patients": {"patient_id": "p1"},
    "surgeons": {"surgeon_id": "s1"},
}


@pytest.fixture
def export():
    """Build an export from rows that differ from a good one: `export("operations", {"side": "?"}, …)`."""

    def build(
        table: str,
        *changes: dict[str, str | None],
        receipt: date = date(2026, 11, 1),
        site: str = "harbour",
        reading: Reading | None = None,
        headers: tuple[str, ...] = (),
        unmapped: dict[str, list[str | None]] | None = None,
        broken: list[dict[str, str | None]] | None = None,
    ) -> Export:
        known = {**dict.fromkeys(EXPORTS[table].names), **dict.fromkeys(["site"])}
        rows = [{**known, "site": site, **GOOD[table], **change} for change in changes]
        lines = list(range(2, 2 + len(rows) + len(broken or [])))
        text = pa.table({name: pa.array([row[name] for row in rows], pa.string()) for name in known})
        held = None
        if broken:
            columns = {name: pa.array([row.get(name) for row in broken], pa.string()) for name in broken[0]}
            held = pa.table({**columns, "source_line": pa.array(lines[len(rows) :], pa.int64())})
        return Export(
            Source(
                site, receipt, f"received/{site}/{receipt}/{table}.csv", "", table, "00", rows_read=len(lines)
            ),
            text.append_column("source_line", pa.array(lines[: len(rows)], pa.int64())),
            held,
            reading or Reading(),
            headers or tuple(GOOD[table]),
            pa.table({name: pa.array(cells, pa.string()) for name, cells in unmapped.items()})
            if unmapped
            else None,
        )

    return build


@pytest.fixture
def intake():
    """Intake of the given exports."""

    def build(*exports: Export) -> Intake:
        from pipeline.validate.report import joined_repairs

        return Intake(tuple(each.source for each in exports), exports, findings.empty(), joined_repairs([]))

    return build

"""Small exports typed in by hand, scored as `run` scores them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pyarrow as pa
import pytest

from pipeline import findings
from pipeline.handover import KEPT, Export, Intake, Reading, Source
from pipeline.scorecard import scorecard_of
from pipeline.settings import Settings, Site
from pipeline.sites import Reach
from pipeline.validate import validated
from pipeline.validate.report import joined_repairs
from schemas.exports import EXPORTS

GOOD = {
    "operations": {
        "operation_id": "o1", "patient_id": "p1", "performed_on": "2025-03-03", "procedure_code": "AB01",
        "side": "left", "age_years": "17", "sex": "female",
    },
    "events": {"event_id": "e1", "patient_id": "p1", "occurred_on": "2025-04-03", "code": "T84.82XA"},
    "followups": {"followup_id": "f1", "patient_id": "p1", "seen_on": "2025-04-03", "status": "seen"},
}  # fmt: skip


@pytest.fixture
def export():
    """An export of rows that differ from a good one."""

    def build(table, *changes, receipt=date(2026, 11, 1), site="harbour", name="", refused=""):
        known = {**dict.fromkeys(EXPORTS[table].names), "site": site}
        rows = [{**known, **GOOD[table], **change} for change in changes]
        text = pa.table({key: pa.array([row[key] for row in rows], pa.string()) for key in known})
        file = f"received/{site}/{receipt}/{name or table}.csv"
        return Export(
            Source(site, receipt, file, "", table, f"{file}", rows_read=len(rows)),
            text.append_column("source_line", pa.array(range(2, 2 + len(rows)), pa.int64())),
            None, Reading(), tuple(GOOD[table]),
        )  # fmt: skip

    return build


@pytest.fixture
def score():
    """The scorecard of some exports; `fates` says what became of accepted rows where not all stand."""

    def of(*exports, settings=Settings(), fates=None, found=None, reached=(), sources=()):  # noqa: B008
        taken = Intake(
            (*(each.source for each in exports), *sources), exports, findings.empty(), joined_repairs([])
        )
        checked = validated(taken, settings, ("shoulder",))
        kept = {
            name: np.full(len(rows), KEPT, dtype=np.int8) for name, rows in checked.accepted.tables.items()
        }
        kept |= {name: np.array(each, dtype=np.int8) for name, each in (fates or {}).items()}
        told = findings.joined([checked.findings, *([found] if found is not None else [])])
        return scorecard_of(checked, kept, told, reached, settings)

    return of


@pytest.fixture
def reach():
    """A site whose records reach to the end of October 2026."""

    def build(**more):
        site = more.pop("site", Site("harbour"))
        usual = {"data_until": date(2026, 10, 31), "late": False, "incomplete": (), "over_tolerance": ()}
        return Reach(site=site, **{**usual, **more})

    return build

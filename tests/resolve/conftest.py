"""Accepted tables typed in by hand: a row is a dict of what matters, all else is empty or a default."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest

from pipeline.catalogue import Catalogue, CodeRule, Complication, Joint, Level, Procedure
from pipeline.findings import empty
from pipeline.handover import Accepted, Resolved, Source
from pipeline.lookup import Lookup
from pipeline.people import People
from pipeline.resolve import resolved
from pipeline.settings import Settings
from schemas.columns import ARROW_TYPES
from schemas.exports import EXPORTS, ID_COLUMN
from schemas.people import PEOPLE

Row = dict[str, Any]
OCTOBER, NOVEMBER, DECEMBER = date(2026, 10, 5), date(2026, 11, 2), date(2026, 12, 1)
DEFAULTS: dict[str, Row] = {
    "operations": {
        "patient_id": "p1", "performed_on": date(2025, 3, 1), "procedure_code": "SEW", "procedure_system": "local",
        "side": "left", "status": "performed", "age_years": 20, "sex": "female",
    },
    "events": {"patient_id": "p1", "occurred_on": date(2025, 6, 1)},
    "followups": {"patient_id": "p1", "seen_on": date(2025, 6, 1), "status": "seen"},
    "measurements": {
        "patient_id": "p1", "measured_on": date(2025, 6, 1), "joint": "hinge", "measure": "bend", "mode": "passive",
        "value": 90.0, "unit": "deg",
    },
    "patients": {"patient_id": "p1"},
    "surgeons": {},
}  # fmt: skip
CATALOGUE = Catalogue(
    procedures={
        "sewing": Procedure("sewing", "Sewing", "hinge", ("hinge",), index=True, codes={"local": ("SEW",)}),
        "plating": Procedure(
            "plating", "Plating", "hinge", ("hinge",), index=True, precedence=1, codes={"local": ("PL*",)}
        ),
    },
    complications={
        "crack": Complication(
            "crack", "Crack", levels=(Level("any"), Level("mild")),
            codes={"ICD-10-CM": (CodeRule("S82.0*", True), CodeRule("S82.9*", False, "mild"))},
        ),
    },
    joints={"hinge": Joint("hinge", bones=("upper",), codes={"ICD-10-CM": ("S82.0*",)}), "ball": Joint("ball")},
)  # fmt: skip
LOOK = Lookup(CATALOGUE)


def source(
    receipt: date = NOVEMBER, sha256: str = "", name: str = "sent.csv", site: str = "harbour"
) -> Source:
    """A file; without a hash of its own it is like no other."""
    place = f"received/{site}/{receipt}/{name}"
    return Source(site, receipt, place, "", "events", sha256 or place)


def arrow_table(name: str, rows: list[Row]) -> pa.Table:
    """Rows of an accepted table; `file` is a position in the sources, lines count from 2."""
    full = [{"site": "harbour", "file": 0, **DEFAULTS[name], **row} for row in rows]
    columns = {
        column.name: pa.array(
            [row.get(column.name) for row in full], pa.type_for_alias(ARROW_TYPES[column.kind])
        )
        for column in EXPORTS[name].columns
    }
    columns["site"] = pa.array([row["site"] for row in full], pa.string())
    columns["source_number"] = pa.array([row["file"] for row in full], pa.int32())
    columns["source_line"] = pa.array(range(2, len(full) + 2), pa.int64())
    return pa.table(columns)


def people_frame(name: str, rows: list[Row]) -> pd.DataFrame:
    """Rows of decisions, links or merges as they are read: objects, with file and line."""
    columns = [*PEOPLE[name].names, "source_file", "source_line"]
    place = {
        "source_file": f"{name}/board.csv",
        "decided_on": NOVEMBER,
        "site_id": "harbour",
        "reviewer": "r1",
    }
    found = [{**place, "source_line": line, **row} for line, row in enumerate(rows, start=2)]
    return pd.DataFrame(
        [{name: row.get(name) for name in columns} for row in found], columns=columns, dtype=object
    )


@pytest.fixture
def table() -> Callable[[str, list[Row]], pa.Table]:
    return arrow_table


@pytest.fixture
def file() -> Callable[..., Source]:
    """`file(receipt, sha256, name, site)` → a Source."""
    return source


@pytest.fixture
def merges() -> Callable[..., pd.DataFrame]:
    """`merges(("a", "b"), …)`: a is the same as b."""
    return lambda *pairs: people_frame("merges", [{"patient_id": a, "same_as": b} for a, b in pairs])


@pytest.fixture
def accepted() -> Callable[..., Accepted]:
    """`accepted(operations=[…], …, sources=(…))`; tables not named are empty."""

    def build(sources: tuple[Source, ...] = (), **tables: list[Row]) -> Accepted:
        return Accepted(
            sources or (source(),), {name: arrow_table(name, tables.get(name, [])) for name in ID_COLUMN}
        )

    return build


@pytest.fixture
def resolve(accepted: Callable[..., Accepted]) -> Callable[..., Resolved]:
    """`resolve(operations=[…], links=[…], …)` → what the stage hands on, cut on 2026-10-31."""

    def build(
        settings: Settings | None = None,
        cut_on: date = date(2026, 10, 31),
        look: Lookup = LOOK,
        **tables: Any,
    ) -> Resolved:
        written = {
            name: people_frame(name, tables.pop(name, []))
            for name in ("decisions", "links", "merges", "known_findings", "requests", "removals")
        }
        people = People(**written, files=(), findings=empty())
        return resolved(accepted(**tables), people, settings or Settings(), look, cut_on)

    return build

"""A small workspace to put exports into, and what intake makes of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.handover import Export, Intake, Source
from pipeline.intake import receive_all
from pipeline.settings import Settings

HEADER = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex\n"
ROW = "o1,p1,2026-10-01,X1,left,20,male\n"


def accounted(source: Source, export: Export | None) -> int:
    """The right side of the row identity, from what went on."""
    went_on = 0 if export is None else len(export.rows) + (len(export.broken) if export.broken else 0)
    return went_on + source.non_data + source.not_selected + source.refused


@dataclass
class Workspace:
    """received/ and mappings/ in a temporary folder."""

    folder: Path
    settings: Settings = field(default_factory=Settings)

    def put(self, name: str, content: str | bytes, site: str = "harbour", day: str = "2026-11-02") -> Path:
        path = self.folder / "received" / site / day / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def map(self, text: str, site: str = "harbour") -> None:
        path = self.folder / "mappings" / f"{site}.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text("contract = 1\n" + text, encoding="utf-8")

    def received(self, as_of: date = date(2026, 11, 30)) -> Intake:
        """What intake yields; the row identity is checked for every line of the ledger."""
        intake = receive_all(self.folder, self.settings, as_of)
        exports = {id(export.source): export for export in intake.exports}
        for source in intake.sources:
            assert source.rows_read == accounted(source, exports.get(id(source))), source
        return intake

    def only(self) -> Export:
        """The one export of the workspace, nothing refused."""
        intake = self.received()
        assert [source.reason for source in intake.sources] == [""], intake.findings.to_string()
        return intake.exports[0]

    def refused(self) -> tuple[str, str]:
        """Rule and message of the one refusal."""
        intake = self.received()
        assert not intake.exports
        assert len(intake.sources) == 1
        found = intake.findings.iloc[0]
        assert intake.sources[0].reason == found["rule"]
        return str(found["rule"]), str(found["message"])


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return Workspace(tmp_path)


@pytest.fixture
def rules() -> Callable[[Intake], list[str]]:
    """The rules of an intake's findings, in order."""

    def listed(intake: Any) -> list[str]:
        return [str(rule) for rule in intake.findings["rule"]]

    return listed


@pytest.fixture
def header() -> str:
    return HEADER


@pytest.fixture
def row() -> str:
    return ROW

"""Lines of the exports as they were sent, masked as every output is."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.intake.raw import RawFile

UNREADABLE = "(the export can no longer be read there; run the audit again)"


class RawLines:
    """Re-reads records; each file is opened once."""

    def __init__(self, workspace: Path, mappings: Path) -> None:
        self.workspace = workspace
        self.mappings = mappings
        self._file = cache(self._opened)

    def __call__(self, reference: str, indent: str = "      ") -> Iterator[str]:
        """Where a record stands and what the export says there."""
        yield f"{indent}{reference}"
        yield from (f"{indent}  > {line}" for line in self.text(reference).split("\n"))

    def text(self, reference: str) -> str:
        """The record at `file:line`, `file#sheet:line` for a workbook."""
        import pyarrow as pa

        from pipeline.intake.refusal import Refusal
        from pipeline.validate.masking import masked

        place, _, line = reference.rpartition(":")
        try:
            raw = self._file(place).record(int(line))
        except (OSError, IndexError, Refusal):
            return UNREADABLE
        return str(masked(pa.array([raw])).texts[0].as_py())

    def _opened(self, place: str) -> RawFile:
        from pipeline.intake.raw import raw_file

        file, _, sheet = place.partition("#")
        path = self.workspace / file
        return raw_file(path, sheet, self._encoding(path))

    def _encoding(self, path: Path) -> str:
        """What the mapping declares for the file: its table's encoding, else the site's; none for a file of people."""
        from pipeline.intake import load_mapping

        try:
            receipt = date.fromisoformat(path.parent.name)
        except ValueError:
            return ""
        mapping = load_mapping(self.mappings / f"{path.parent.parent.name}.toml")
        claiming = mapping.claiming(path.name, receipt)
        return claiming[0].encoding if claiming else mapping.encoding

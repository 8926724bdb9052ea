"""What files came to, and all of them together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pyarrow as pa

from pipeline import findings
from pipeline.handover import ControlTotal, Export, Intake, Source
from pipeline.intake.logs import repairs_frame
from pipeline.room import Room


@dataclass(frozen=True)
class Received:
    """What one table of one file came to: a ledger line, its rows if it was accepted, what was said about it."""

    source: Source
    export: Export | None = None
    findings: tuple[dict[str, object], ...] = ()
    repairs: tuple[pa.Table, ...] = ()

    def kept(self, room: Room) -> Received:
        """The same with its cells in a room."""
        if self.export is None:
            return self
        tables = (self.export.rows, self.export.broken, self.export.unmapped)
        rows, broken, unmapped = (None if each is None else room.table(each) for each in tables)
        assert rows is not None
        return replace(self, export=replace(self.export, rows=rows, broken=broken, unmapped=unmapped))


def together(
    received: list[Received], said_before: list[dict[str, object]], totals: tuple[ControlTotal, ...]
) -> Intake:
    told = [*said_before, *(finding for each in received for finding in each.findings)]
    return Intake(
        tuple(each.source for each in received),
        tuple(each.export for each in received if each.export is not None),
        findings.frame(told),
        repairs_frame(repair for each in received for repair in each.repairs),
        totals,
    )

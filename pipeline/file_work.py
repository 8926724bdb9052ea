"""What is done with one received file, where workers read and check: each function takes what all files share, then pieces.

They are plain functions of a module, so that a worker elsewhere can be told which one to call. Cells stay on the storage
that workers share; only what is said of files comes back before all rows are checked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pipeline.room import IN_MEMORY, Room

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.engine import Engine
    from pipeline.handover import Export, Intake, Validated
    from pipeline.intake.arrivals import Arrival
    from pipeline.intake.receive import Rules
    from pipeline.intake.received import Received
    from pipeline.settings import Settings
    from pipeline.validate import Checked

Checks = tuple["Settings", tuple[str, ...]]


@dataclass
class Elsewhere:
    """Files read and checked by an engine's workers."""

    engine: Engine
    _read: Sequence[Any] = ()

    def received(self, rules: Rules, files: Sequence[Arrival]) -> list[tuple[Received, ...]]:
        """What each file came to, without its rows."""
        sizes = [(arrival, arrival.path.lstat().st_size) for arrival in files]
        self._read = self.engine.each(file_received, rules, self.engine.held(sizes))
        return self.engine.all(self.engine.each(told_of_file, None, self._read))

    def checked(
        self, intake: Intake, settings: Settings, places: tuple[str, ...], room: Room = IN_MEMORY
    ) -> Validated:
        """The rows of all files after their checks, fetched one file after the other.

        Args:
            room: Where they are kept.
        """
        from pipeline.validate import combined

        done = self.engine.each(file_checked, (settings, places), self._read)
        of_files = (self.engine.all([piece]) for piece in done)
        return combined(intake, [one.kept(room) for fetched in of_files for each in fetched for one in each])


def file_received(rules: Rules, piece: tuple[Arrival, int]) -> tuple[Received, ...]:
    """Every table that a file feeds.

    Raises:
        OSError: The file is not here as it is where the run began.
    """
    from pipeline.intake.receive import of_file

    arrival, size = piece
    here = arrival.path.lstat().st_size
    if here != size:
        raise OSError(f"{arrival.source_file} has {size} bytes where the run began and {here} on the worker")
    return of_file(rules, arrival)


def told_of_file(_shared: None, received: Sequence[Received]) -> tuple[Received, ...]:
    """The same without the cells."""
    return tuple(
        replace(each, export=without_texts(each.export)) if each.export is not None else each
        for each in received
    )


def file_checked(checks: Checks, received: Sequence[Received]) -> list[Checked]:
    """Each table of a file after its checks."""
    from pipeline.validate.split import checked_together

    return checked_together([each.export for each in received if each.export is not None], *checks)


def without_texts(export: Export) -> Export:
    """Texts of cells are not needed once they are checked, but for the ids of operations that came and are not used."""
    ids = {"site", "operation_id"} if export.source.table == "operations" else set()
    kept = export.rows.select([name for name in export.rows.column_names if name in ids])
    return replace(export, rows=kept, broken=None, unmapped=None)

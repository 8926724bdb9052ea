"""Exports that an earlier run has checked are not checked again."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any

from pipeline import findings
from pipeline.handover import Export, Intake, Source, Validated
from pipeline.room import IN_MEMORY, Room
from pipeline.shelf import Fingerprint, Shelf, program_fingerprint
from pipeline.side_by_side import in_order
from pipeline.validate.split import Check, Checked, checked_together, validated_by

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    import pyarrow as pa

    from pipeline.settings import Settings

TABLES = ("accepted", "quarantined")


def validated_with(
    shelf: Shelf | None, intake: Intake, settings: Settings, places: tuple[str, ...], room: Room = IN_MEMORY
) -> Validated:
    """Every export checked, with what the shelf holds of an earlier run.

    The key of an export is all that its checks see: its rows as its mapping gives them, without removed patients, the
    settings, the catalogue's places, and the program itself.

    Args:
        room: Where rows are kept once they are checked.
    """

    def check(exports: Sequence[Export]) -> Sequence[Checked]:
        return checked_together(exports, settings, places)

    if shelf is None:
        return validated_by(check, intake, room)
    common = (program_fingerprint(), settings, places)
    done = validated_by(lambda exports: _checked_or_taken(shelf, exports, common, check), intake, room)
    shelf.sweep()
    return done


def _checked_or_taken(
    shelf: Shelf, exports: Sequence[Export], common: Sequence[object], check: Check
) -> list[Checked]:
    rows = sum(export.rows.num_rows for export in exports)
    keys = in_order(lambda export: _key(export, common), exports, rows)
    taken = [_taken(shelf, key) for key in keys]
    lacking = [number for number, one in enumerate(taken) if one is None]
    fresh = dict(zip(lacking, check([exports[number] for number in lacking]), strict=True))

    def put(number: int) -> None:
        shelf.put(keys[number], _tables(fresh[number]), _told(fresh[number].source))

    in_order(put, lacking, rows)
    return [one or fresh[number] for number, one in enumerate(taken)]


def _key(export: Export, common: Sequence[object]) -> str:
    own = Fingerprint(*common, export.source, export.reading, export.headers, sorted(export.feeds.items()))
    for table in (export.rows, export.broken, export.unmapped):
        own.add_table(table)
    return own.key


def _tables(one: Checked) -> dict[str, pa.Table]:
    import pyarrow as pa

    kept = {name: getattr(one, name) for name in TABLES}
    kept["findings"] = pa.Table.from_pandas(one.findings[list(findings.COLUMNS)], preserve_index=False)
    kept["repairs"] = pa.Table.from_pandas(one.repairs[list(findings.REPAIR_COLUMNS)], preserve_index=False)
    return {name: table.replace_schema_metadata(None) for name, table in kept.items()}


def _told(source: Source) -> dict[str, Any]:
    return {**asdict(source), "receipt": source.receipt.isoformat()}


def _taken(shelf: Shelf, key: str) -> Checked | None:
    kept = shelf.get(key)
    if kept is None:
        return None
    tables, told = kept
    source = Source(**{**told, "receipt": date.fromisoformat(told["receipt"])})
    said = (_frame(tables[name]) for name in ("findings", "repairs"))
    return Checked(source, tables["accepted"], tables["quarantined"], *said)


def _frame(said: pa.Table) -> pd.DataFrame:
    """Findings or repairs in the types that they have where they are made."""
    import pandas as pd
    import pyarrow as pa

    kinds = {pa.string(): pd.StringDtype(), pa.int64(): pd.Int64Dtype()}
    return said.to_pandas(types_mapper=kinds.get)

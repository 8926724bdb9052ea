"""Accepted rows apart from rows held back, file by file, then table by table."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings as catalogue
from pipeline.handover import Accepted, Export, Intake, Source, Validated
from pipeline.memory import given_back
from pipeline.room import IN_MEMORY, Room
from pipeline.settings import Settings
from pipeline.side_by_side import in_order
from pipeline.validate import check, identifiers, masking, report, surgeons
from pipeline.validate.parse import Parsed, one_chunk, parsed
from pipeline.validate.sight import Sight
from pipeline.validate.unlisted_codes import unlisted_codes
from pipeline.validate.year_scope import with_years
from schemas.columns import Table
from schemas.exports import EXPORTS
from schemas.fit import arrow_schema

if TYPE_CHECKING:
    import pandas as pd

#: Position of a row's ledger line in `Accepted.sources`; events have a column `source` of their own.
SOURCE_NUMBER = "source_number"
#: Rows of exports that are checked at a time; what is made of them meanwhile takes several times their room.
ROWS_AT_A_TIME = 5_000_000
#: What is made of several exports, one each.
Check = Callable[[Sequence[Export]], Sequence["Checked"]]
#: Kinds whose cells keep their text in quarantine as long as it could be read: they hold no free text.
_SAFE_IF_READ = ("date", "moment", "number", "integer", "yes_no")


@dataclass(frozen=True)
class Checked:
    """One export after its own checks; every row of it is in `accepted`, in `quarantined`, or refused with the file.

    Attributes:
        source: The ledger line, now with `refused` and `reason` if the file was refused here.
        accepted: Typed columns of the contract, `site` and `source_line`; free text is masked.
        quarantined: The same columns as masked text.
        findings: In the order of the lines, columns of `findings.COLUMNS`.
        repairs: Columns of `findings.REPAIR_COLUMNS`.
    """

    source: Source
    accepted: pa.Table
    quarantined: pa.Table
    findings: pd.DataFrame
    repairs: pd.DataFrame

    def kept(self, room: Room) -> Checked:
        """The same with its rows in a room."""
        return replace(self, accepted=room.table(self.accepted), quarantined=room.table(self.quarantined))


def validated(intake: Intake, settings: Settings, places: tuple[str, ...]) -> Validated:
    """All exports checked, one table each of what goes on and of what is held back.

    Args:
        intake: What was received.
        settings: Sites, the kind of their dates, tolerances.
        places: Joint and bone words of the catalogue in force.
    """
    return validated_by(partial(checked_together, settings=settings, places=places), intake)


def validated_by(check: Check, intake: Intake, room: Room = IN_MEMORY) -> Validated:
    """The same, by whatever gives what `checked_together` would of several exports.

    Args:
        room: Where rows are kept once they are checked.
    """
    done: list[Checked] = []
    for exports in several_at_a_time(intake.exports):
        done += [one.kept(room) for one in check(exports)]
        given_back()
    return combined(intake, done)


def several_at_a_time(exports: Sequence[Export]) -> Iterator[Sequence[Export]]:
    """All exports in their order, in runs that hold no more than so many rows, or one export."""
    run: list[Export] = []
    rows = 0
    for export in exports:
        if run and rows + export.rows.num_rows > ROWS_AT_A_TIME:
            yield run
            run, rows = [], 0
        run.append(export)
        rows += export.rows.num_rows
    if run:
        yield run


def combined(intake: Intake, exports: Sequence[Checked]) -> Validated:
    """The checked exports as one, in the order of `intake.exports`.

    `exports[i]` is what `checked` made of `intake.exports[i]`, computed now or kept from an earlier run.
    """
    numbers = {source: number for number, source in enumerate(intake.sources)}
    places = [numbers[export.source] for export in intake.exports]
    sources = list(intake.sources)
    for place, one in zip(places, exports, strict=True):
        sources[place] = one.source
    accepted = _by_table(exports, places, "accepted")
    held_back = _by_table(exports, places, "quarantined")
    by_surgeon = surgeons.attributed(accepted["operations"], accepted["surgeons"], sources)
    accepted["operations"] = by_surgeon.operations
    found = catalogue.joined([*(one.findings for one in exports), by_surgeon.findings])
    repairs = report.joined_repairs([*(one.repairs for one in exports), by_surgeon.repairs])
    return Validated(Accepted(tuple(sources), accepted), held_back, found, repairs)


def _by_table(exports: Sequence[Checked], places: Sequence[int], part: str) -> dict[str, pa.Table]:
    schema_of = accepted_schema if part == "accepted" else quarantined_schema
    return {name: _of_table(exports, places, part, name, schema_of(table)) for name, table in EXPORTS.items()}


def _of_table(
    exports: Sequence[Checked], places: Sequence[int], part: str, name: str, schema: pa.Schema
) -> pa.Table:
    parts = [schema.empty_table()]
    for place, one in zip(places, exports, strict=True):
        rows: pa.Table = getattr(one, part)
        if one.source.table == name and rows.num_rows:
            number = pa.array(np.full(rows.num_rows, place, dtype=np.int32))
            parts.append(rows.append_column(SOURCE_NUMBER, number).select(schema.names).cast(schema))
    return pa.concat_tables(parts)


def accepted_schema(table: Table) -> pa.Schema:
    """Columns of an accepted table: the contract's in their types, then where the row stands."""
    return _located(arrow_schema(table), with_source=True)


def quarantined_schema(table: Table) -> pa.Schema:
    """Columns of the rows held back: the contract's as text, then where the row stands."""
    return _located(pa.schema([(name, pa.string()) for name in table.names]), with_source=True)


def _located(schema: pa.Schema, with_source: bool) -> pa.Schema:
    located = schema.append(pa.field("site", pa.string()))
    if with_source:
        located = located.append(pa.field(SOURCE_NUMBER, pa.int32()))
    return located.append(pa.field("source_line", pa.int64()))


def checked(export: Export, settings: Settings, places: tuple[str, ...]) -> Checked:
    """One export after its own checks: screened, parsed, checked row by row, split.

    Args:
        export: Text columns of one table of one file.
        settings: Sites and the kind of their dates.
        places: Joint and bone words of the catalogue in force.
    """
    return checked_together([export], settings, places)[0]


def checked_together(exports: Sequence[Export], settings: Settings, places: tuple[str, ...]) -> list[Checked]:
    """Several exports, each after its own checks; the models are asked once a table."""
    rows = sum(export.rows.num_rows for export in exports)
    sight = Sight(
        text for each in exports for text in identifiers.looked_at(each, EXPORTS[each.source.table])
    )
    read = partial(_read, settings=settings, places=places, sight=sight)
    cells = dict(enumerate(in_order(read, exports, rows)))
    typed = {n: each.table for n, each in cells.items() if isinstance(each, Parsed)}

    def of_table(name: str) -> dict[int, pd.DataFrame]:
        numbers = [n for n in typed if exports[n].source.table == name]
        found = check.model_failures_of([typed[n] for n in numbers], EXPORTS[name]) if numbers else []
        return dict(zip(numbers, found, strict=True))

    of_models = in_order(of_table, list(EXPORTS), rows)
    failures = {n: found for each in of_models for n, found in each.items()}
    typed.clear()

    def parted(n: int) -> Checked:
        each = cells.pop(n)  # what is split is held no longer: its rows are copied
        return each if isinstance(each, Checked) else _split(exports[n], each, settings, failures[n])

    return in_order(parted, range(len(exports)), rows)


def _read(export: Export, settings: Settings, places: tuple[str, ...], sight: Sight) -> Parsed | Checked:
    """Typed cells, or what becomes of a file that is refused whole."""
    table = EXPORTS[export.source.table]
    suspects = identifiers.suspects(export, table, sight)
    if suspects:
        return _refused(export, table, "identifiers_in_columns", report.of_suspects(export, suspects))
    site = settings.sites.get(export.source.site)
    day_numbers = site is not None and site.dates == "day_numbers"
    cells = parsed(export.rows, table, export.reading, places, day_numbers, export.source.receipt)
    if cells.refusal:
        return _refused(export, table, cells.refusal, report.of_file(export, cells.refusal))
    return replace(cells, table=with_years(cells.table, export.reading, table))


def _refused(export: Export, table: Table, rule: str, found: pd.DataFrame) -> Checked:
    """The file set aside whole: nothing of its content goes on, its rows stay counted."""
    whole = export.source.rows_read
    source = replace(export.source, refused=whole, non_data=0, not_selected=0, removed=0, reason=rule)
    accepted = _located(arrow_schema(table), with_source=False).empty_table()
    held_back = _located(
        pa.schema([(name, pa.string()) for name in table.names]), with_source=False
    ).empty_table()
    return Checked(source, accepted, held_back, found, report.joined_repairs([]))


def _split(export: Export, cells: Parsed, settings: Settings, of_model: pd.DataFrame) -> Checked:
    table = EXPORTS[export.source.table]
    failures = check.row_failures(cells.table, table, export, settings, of_model)
    clean, masks = _without_identifiers(cells.table, table)
    site = _usable_site(export.rows["site"], export.source.site)
    found = report.of_rows(export, table, site, cells.faults, failures, masks)
    held = np.zeros(export.rows.num_rows, dtype=bool)
    held[found.loc[found["action"] == "quarantine", "row"].to_numpy("int64")] = True
    whole = clean.append_column("site", site).append_column(
        "source_line", one_line(export.rows["source_line"])
    )
    text = _as_text(export, table, cells.table, site, held)
    broken = _broken(export, table)
    return Checked(
        export.source,
        _without(whole, held),
        pa.concat_tables([text, broken]),
        catalogue.joined(
            [
                report.of_columns(export, table, cells.noted),
                unlisted_codes(export, report.whole_file(export), cells.table),
                catalogue.tidy(found.drop(columns="row")),
            ]
        ),
        report.of_repairs(export, table, site, cells.repairs, cells.blanks, masks),
    )


def _without(rows: pa.Table, held: np.ndarray) -> pa.Table:
    """The rows not held back; columns without any value are made anew, which is quicker than choosing from them."""
    if not held.any():
        return rows
    mask, left = pa.array(~held), int(np.count_nonzero(~held))
    columns = [
        pa.nulls(left, column.type) if column.null_count == len(column) else column.filter(mask)
        for column in rows.columns
    ]
    return pa.table(columns, schema=rows.schema)


def one_line(lines: pa.ChunkedArray | pa.Array) -> pa.Array:
    """Physical lines as one array of int64."""
    return pa.concat_arrays(
        [chunk.cast(pa.int64()) for chunk in pa.chunked_array(lines).chunks] or [pa.array([], pa.int64())]
    )


def _usable_site(site: pa.ChunkedArray, folder: str) -> pa.Array:
    """The site of each row; the folder's where a row names none that can be used."""
    named = one_chunk(site)
    usable = check.usable_sites(named)
    if pc.all(usable).as_py():
        return named
    return pc.if_else(usable, named, pa.scalar(folder))


def _without_identifiers(typed: pa.Table, table: Table) -> tuple[pa.Table, dict[str, np.ndarray]]:
    """The typed columns with masked free text, and by column the rows in which something was masked."""
    masks: dict[str, np.ndarray] = {}
    for at, column in enumerate(table.columns):
        if column.kind not in ("note", "text"):
            continue
        clean = masking.masked(one_chunk(typed[column.name]))
        if clean.changed.any():
            masks[column.name] = np.flatnonzero(clean.changed)
            typed = typed.set_column(at, column.name, clean.texts)
    return typed, masks


def _as_text(export: Export, table: Table, typed: pa.Table, site: pa.Array, held: np.ndarray) -> pa.Table:
    """The rows held back as they were sent, masked, with every column of the contract."""
    if not held.any():
        return _located(
            pa.schema([(name, pa.string()) for name in table.names]), with_source=False
        ).empty_table()
    keep = pa.array(held)
    rows, read = export.rows.filter(keep), typed.filter(keep)
    columns = {name: _masked_text(rows, read, table, name) for name in table.names}
    return pa.table({**columns, "site": site.filter(keep), "source_line": one_line(rows["source_line"])})


def _masked_text(rows: pa.Table, read: pa.Table | None, table: Table, name: str) -> pa.Array:
    if name not in rows.column_names:
        return pa.nulls(rows.num_rows, pa.string())
    sent, kind = one_chunk(rows[name]), table[name].kind
    shown = masking.masked_by_kind(sent, kind).texts
    if read is not None and kind in _SAFE_IF_READ:
        shown = pc.if_else(one_valid(read[name]), sent, shown)
    return report.without_ages_over_89(shown) if name == report.AGE else shown


def one_valid(column: pa.ChunkedArray) -> pa.Array:
    """Which cells of a typed column are not null, as one array."""
    return pa.array(column.is_valid().to_numpy(), pa.bool_())


def _broken(export: Export, table: Table) -> pa.Table:
    """Rows that intake could not use, as far as their cells are known; it has said why."""
    schema = _located(pa.schema([(name, pa.string()) for name in table.names]), with_source=False)
    broken = export.broken
    if broken is None or not broken.num_rows:
        return schema.empty_table()
    columns = {name: _masked_text(broken, None, table, name) for name in table.names}
    named = (
        broken["site"]
        if "site" in broken.column_names
        else pa.chunked_array([pa.nulls(broken.num_rows, pa.string())])
    )
    site = _usable_site(named, export.source.site)
    return pa.table({**columns, "site": site, "source_line": one_line(broken["source_line"])}, schema=schema)

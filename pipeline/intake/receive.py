"""The intake stage: everything received up to a day, each table in the form of the contract."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.errors import WrongUse
from pipeline.handover import ControlTotal, Export, Intake, Source
from pipeline.intake import read
from pipeline.intake.again import Before
from pipeline.intake.arrivals import Arrival, arrivals, shown
from pipeline.intake.bindings import Bindings, bindings, feeding, wanted
from pipeline.intake.claims import Claim, file_claims, sheet_claims, unclear_sheet
from pipeline.intake.contract_form import ContractForm, contract_form
from pipeline.intake.controls import is_control_file, read_controls, stated_bytes
from pipeline.intake.cut import Cut
from pipeline.intake.furniture import without_furniture
from pipeline.intake.held_back import without_unread
from pipeline.intake.letters import mojibake
from pipeline.intake.logs import made_columns, said, step_repairs, translation_repairs
from pipeline.intake.mapping import Mapping, TableMapping
from pipeline.intake.mapping_reading import load_mapping
from pipeline.intake.read import Opened
from pipeline.intake.received import Received, together
from pipeline.intake.refusal import Refusal
from pipeline.intake.row_findings import (
    absent_columns,
    columns_given_twice,
    header_name,
    held_rows,
    repeated_columns,
    reread_headers,
    unclear_sites,
    unknown_columns,
)
from pipeline.intake.sheet_reading import read_sheet
from pipeline.intake.workbook import Workbook, open_workbook
from pipeline.room import Room, in_memory
from pipeline.settings import Settings, Site
from pipeline.side_by_side import in_order
from schemas.exports import DAY_COLUMN

#: A row of an export as it lies on disk, roughly.
BYTES_A_ROW = 80


@dataclass(frozen=True)
class Terms:
    """Under which a site's files are read."""

    mapping: Mapping
    sites: frozenset[str] | None
    accepts_no_rows: bool


@dataclass(frozen=True)
class Rules:
    """By what all files of a workspace are read: settings, the terms of each site, and control totals."""

    settings: Settings
    terms: dict[str, Terms]
    totals: tuple[ControlTotal, ...]


def here(
    rules: Rules, files: Sequence[Arrival], room_for: Callable[[int], Room] = in_memory
) -> list[tuple[Received, ...]]:
    """What each file came to, read in this process.

    Args:
        room_for: Where the cells of about so many rows are kept.
    """
    rows = _rows_about(files)
    room = room_for(rows)
    return in_order(lambda arrival: tuple(each.kept(room) for each in of_file(rules, arrival)), files, rows)


def of_file(rules: Rules, arrival: Arrival) -> tuple[Received, ...]:
    """What one file came to."""
    if not _is_listed(rules.settings, arrival.site):
        return (_unlisted(arrival),)
    return receive_file(arrival, rules.terms[arrival.site], stated_bytes(rules.totals, arrival))


def receive_all(
    workspace: Path,
    settings: Settings,
    as_of: date,
    mappings: Path | None = None,
    reader: Callable[[Rules, Sequence[Arrival]], list[tuple[Received, ...]]] = here,
) -> Intake:
    """Every export received up to `as_of`, read and brought into the contract's columns, still as text.

    A file that cannot be used becomes a ledger line and a finding and never stops the others.

    Args:
        mappings: Folder of the mappings, by default the workspace's own.
        reader: Where files are read.

    Raises:
        WrongUse: A mapping asks for something that does not exist.
    """
    found = arrivals(workspace, as_of)
    received: list[Received] = []
    said_before = list(found.findings)
    terms = {
        site: site_terms(mappings or workspace / "mappings", settings, site)
        for site in sorted({each.site for each in found.files})
    }
    said_before += [_not_listed(site) for site in terms if not _is_listed(settings, site)]
    controls = [read_controls(each) for each in found.files if is_control_file(each)]
    totals = tuple(total for each in controls for total in each.totals)
    received += [Received(each.source, None, each.findings) for each in controls]

    files = [arrival for arrival in found.files if not is_control_file(arrival)]
    before = Before()
    for arrival, fed in zip(files, reader(Rules(settings, terms, totals), files), strict=True):
        received.extend(_compared(fed, arrival, before) if _is_listed(settings, arrival.site) else fed)
    return together(received, said_before, totals)


def _rows_about(files: Sequence[Arrival]) -> int:
    """About how many rows the files hold, by their size."""
    return sum(arrival.path.lstat().st_size for arrival in files) // BYTES_A_ROW


def _compared(fed: tuple[Received, ...], arrival: Arrival, before: Before) -> tuple[Received, ...]:
    """The same, with a word about files that came before."""
    sha256 = fed[0].source.sha256 if fed else ""
    step = before.same_content(arrival, sha256)
    other = before.other_content(arrival, sha256)
    if step is not None:
        fed = tuple(replace(each, repairs=(step_repairs(each.source, [step]), *each.repairs)) for each in fed)
    if other:
        told = said(replace(fed[0].source, source_file=arrival.source_file), "file_changed", other)
        fed = (replace(fed[0], findings=(told, *fed[0].findings)), *fed[1:])
    return fed


def site_terms(mappings: Path, settings: Settings, site: str) -> Terms:
    """The mapping and the settings that apply to a site's files."""
    mapping = load_mapping(mappings / f"{site}.toml")
    sites = frozenset(settings.sites) if settings.sites_listed else None
    its = settings.sites.get(site, Site(site))
    if its.dates != "exact" and any(form.reading.id_scope for form in mapping.tables):
        raise WrongUse(
            f"{mapping.named}: `id_scope` needs the real year of each record, but audit.toml says "
            f'`dates = "{its.dates}"` of {site}. Take `id_scope` out; ask for ids that are not used again.'
        )
    return Terms(mapping, sites, its.sends == "changes")


def receive_file(arrival: Arrival, terms: Terms, stated: int | None = None) -> tuple[Received, ...]:
    """Every table that one file feeds, in the order sheet, table; a line without a table if none.

    Args:
        stated: The file's size by a control total, if one gives it.
    """
    blank = Source(arrival.site, arrival.receipt, arrival.source_file, "", "", "")
    try:
        stored = read.stored_bytes(arrival)
    except Refusal as refusal:
        return (_refused(blank, refusal),)
    hashed = replace(blank, sha256=read.digest(stored))
    try:
        file = read.opened(stored, arrival.name)
        _refuse_shorter(len(stored), stated, arrival.name)
        return tuple(_ordered(_tables(file, arrival, hashed, terms)))
    except Refusal as refusal:
        return (_refused(_named(hashed, arrival, terms), refusal),)


def _refuse_shorter(size: int, stated: int | None, name: str) -> None:
    if stated is not None and size < stated:
        raise Refusal(
            "file_truncated",
            f"{name} has {size} bytes, its control total says {stated}. Ask the sender for the whole file.",
        )


def _ordered(received: Iterator[Received]) -> list[Received]:
    return sorted(received, key=lambda each: (each.source.sheet, each.source.table))


def _named(source: Source, arrival: Arrival, terms: Terms) -> Source:
    """The ledger line of a file that could not be opened, with the table where only one claims it."""
    claims = file_claims(arrival.name, arrival.receipt, terms.mapping)
    return replace(source, table=claims[0].table) if len(claims) == 1 else source


def _tables(file: Opened, arrival: Arrival, source: Source, terms: Terms) -> Iterator[Received]:
    if file.kind == "xlsx":
        yield from _sheets(file, arrival, source, terms)
        return
    claims = file_claims(arrival.name, arrival.receipt, terms.mapping)
    for entry, form in enumerate(claims):
        fed = replace(source, table=form.table, entry=entry)
        yield _table(partial(read.cut, file), form, fed, terms)
    if not claims:
        yield _unclaimed(source, read.rows_of_unclaimed(file, arrival.name), terms)


def _sheets(file: Opened, arrival: Arrival, source: Source, terms: Terms) -> Iterator[Received]:
    name = arrival.name
    workbook = open_workbook(file.content, name, read.LARGEST_UNPACKED_BYTES)
    claims = sheet_claims(name, arrival.receipt, terms.mapping, workbook.sheets)
    for entry, claim in enumerate(claims):
        yield _sheet(workbook, claim, replace(source, entry=entry), terms)
    if not claims and not workbook.sheets:
        yield _unclaimed(source, 0, terms)
    for sheet in set(workbook.sheets) - {claim.sheet for claim in claims}:
        yield _unclaimed(_on_sheet(source, sheet), workbook.rows[sheet] - 1, terms)


def _on_sheet(source: Source, sheet: str) -> Source:
    """The ledger line of a sheet; its file is named with `#sheet` added."""
    named = f"{source.source_file}#{shown(sheet)}" if sheet else source.source_file
    return replace(source, source_file=named, sheet=sheet)


def _sheet(workbook: Workbook, claim: Claim, source: Source, terms: Terms) -> Received:
    fed = _on_sheet(replace(source, table=claim.form.table), claim.sheet)
    if not claim.sheet:
        unclear = unclear_sheet(workbook.name, claim.form, workbook.sheets, terms.mapping.named)
        return _refused(fed, unclear)
    return _table(partial(read_sheet, workbook, claim.sheet), claim.form, fed, terms)


def _table(reader: partial[Cut], form: TableMapping, source: Source, terms: Terms) -> Received:
    name = source.source_file.rpartition("/")[2]
    try:
        cut = reader(wanted(form, terms.mapping, name))
    except Refusal as refusal:
        return _refused(source, refusal)
    try:
        whole = without_furniture(cut)
        bound = bindings(whole.headers, form, name)
        whole = without_unread(whole, bound, form, name)
        if not whole.cells.num_rows and not whole.ragged and not terms.accepts_no_rows:
            raise Refusal(
                "file_empty", f"{name} holds a header and no rows. Ask the sender whether the export failed."
            )
    except Refusal as refusal:
        refusal.rows_read = cut.rows_read
        return _refused(source, refusal)
    made = contract_form(whole, bound, form, source.site, terms.sites)
    return _accepted(whole, bound, made, form, source, terms)


def _accepted(
    cut: Cut, bound: Bindings, made: ContractForm, form: TableMapping, source: Source, terms: Terms
) -> Received:
    read_rows = cut.non_data + (cut.rows_read - cut.non_data) * made.multiple
    scope = form.reading.id_scope if form.table in DAY_COLUMN else ""
    counted = replace(
        source, rows_read=read_rows, non_data=cut.non_data, not_selected=made.not_selected, id_scope=scope
    )
    rows = made.rows.filter(pa.array(~made.unclear_site)) if made.unclear_site.any() else made.rows
    unclear = made.rows.filter(pa.array(made.unclear_site))
    broken = pa.concat_tables([made.ragged, unclear]) if made.ragged.num_rows + unclear.num_rows else None
    feeds = feeding(cut.headers, bound, form)
    export = Export(counted, rows, broken, form.reading, cut.headers, _unmapped(cut, bound), feeds)
    named = terms.mapping.named
    told = (
        *(said(counted, rule, message) for rule, message in cut.remarks),
        *held_rows(counted, cut),
        *mojibake(counted, cut, bound),
        *repeated_columns(counted, cut, bound),
        *unclear_sites(counted, unclear, form),
        *unknown_columns(counted, cut, bound, form, named),
        *columns_given_twice(counted, cut, bound, form, named),
        *absent_columns(counted, bound, form, named),
    )
    repairs = (
        step_repairs(counted, (*cut.steps, *reread_headers(bound))),
        made_columns(counted, form),
        *translation_repairs(counted, made),
    )
    return Received(counted, export, told, repairs)


def _unmapped(cut: Cut, bound: Bindings) -> pa.Table | None:
    """The text of columns that do not reach the rows, headers the mapping uses otherwise among them."""
    positions = sorted({*range(len(cut.headers))} - {*bound.columns.values()})
    if not positions:
        return None
    names = [header_name(cut.headers, at) for at in positions]
    times = Counter(names)
    unique = [
        name if times[name] == 1 else f"{name} ({at + 1})" for name, at in zip(names, positions, strict=True)
    ]
    return pa.table([cut.cells.column(at) for at in positions], names=unique)


def _refused(source: Source, refusal: Refusal) -> Received:
    line = replace(source, rows_read=refusal.rows_read, refused=refusal.rows_read, reason=refusal.rule)
    finding = said(source, refusal.rule, refusal.message, source_line=refusal.line, column=refusal.column)
    return Received(line, None, (finding,))


def _unclaimed(source: Source, rows: int, terms: Terms) -> Received:
    what = f"sheet `{source.sheet}`" if source.sheet else source.source_file.rpartition("/")[2]
    refusal = Refusal(
        "file_unmapped",
        f"No [[table]] in {terms.mapping.named} claims {what}, nor does its name begin with a table's. "
        f"Name it in {terms.mapping.named}.",
    )
    refusal.rows_read = max(0, rows)
    return _refused(source, refusal)


def _is_listed(settings: Settings, site: str) -> bool:
    return not settings.sites_listed or site in settings.sites


def _not_listed(site: str) -> dict[str, object]:
    message = (
        f"`{site}` is not in audit.toml. Add [sites.{site}] or remove the folder; its exports were not used."
    )
    return {"site": site, "source_file": f"received/{site}", "rule": "site_not_listed", "message": message}


def _unlisted(arrival: Arrival) -> Received:
    """The ledger line of a file that is not used because its site is not listed."""
    source = Source(arrival.site, arrival.receipt, arrival.source_file, "", "", "", reason="site_not_listed")
    try:
        stored = read.stored_bytes(arrival)
        source = replace(source, sha256=read.digest(stored))
        rows = _rows_not_used(read.opened(stored, arrival.name), arrival.name)
    except Refusal:
        return Received(source)
    return Received(replace(source, rows_read=rows, refused=rows))


def _rows_not_used(file: Opened, name: str) -> int:
    if file.kind != "xlsx":
        return read.rows_of_unclaimed(file, name)
    workbook = open_workbook(file.content, name, read.LARGEST_UNPACKED_BYTES)
    return int(np.sum([workbook.rows[sheet] - 1 for sheet in workbook.sheets], dtype=int))

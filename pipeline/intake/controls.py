"""Control totals of a receipt: counts made elsewhere, against which its exports are held."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import PurePosixPath

from pipeline.handover import ControlTotal, Source
from pipeline.intake.arrivals import Arrival
from pipeline.intake.logs import said
from pipeline.intake.read import digest, stored_bytes
from pipeline.intake.refusal import Refusal
from schemas.controls import CONTROL_TOTALS, FILE_NAME

LARGEST_BYTES = 1 << 20


@dataclass(frozen=True)
class Controls:
    """What one file of control totals holds: its ledger line, the totals, and what is wrong with it."""

    source: Source
    totals: tuple[ControlTotal, ...]
    findings: tuple[dict[str, object], ...]


def is_control_file(arrival: Arrival) -> bool:
    """Whether a received file holds control totals; the name says so, whatever the mapping claims."""
    return arrival.name.lower() == FILE_NAME


def read_controls(arrival: Arrival) -> Controls:
    """The totals of one file; lines that cannot be used become findings."""
    source = Source(arrival.site, arrival.receipt, arrival.source_file, "", CONTROL_TOTALS.name, "")
    try:
        stored = stored_bytes(arrival)[:LARGEST_BYTES]
        lines = list(csv.reader(stored.decode("utf-8-sig").splitlines()))
    except (Refusal, UnicodeDecodeError, csv.Error):
        return Controls(source, (), (_unusable(source, None, "", "it is not a CSV file in UTF-8"),))
    read = replace(source, sha256=digest(stored))
    headers = [header.strip() for header in lines[0]] if lines else []
    if not {"table", "file"} & set(headers) or not {"rows", "bytes"} & set(headers):
        return Controls(read, (), (_unusable(read, 1, "", f"its header is not {_header()}"),))
    rows = [
        (line, dict(zip(headers, cells, strict=False)))
        for line, cells in enumerate(lines[1:], 2)
        if any(cells)
    ]
    counted = replace(read, rows_read=len(rows), non_data=len(rows))
    read_lines = [
        _total(counted, line, {name: cell.strip() for name, cell in row.items()}) for line, row in rows
    ]
    return Controls(
        counted,
        tuple(total for total in read_lines if isinstance(total, ControlTotal)),
        tuple(finding for finding in read_lines if isinstance(finding, dict)),
    )


def _header() -> str:
    return ",".join(CONTROL_TOTALS.names)


def _total(source: Source, line: int, row: Mapping[str, str]) -> ControlTotal | dict[str, object]:
    """The total of one line, or the finding that says why it cannot be used."""
    trouble = next(_troubles(row), None)
    if trouble:
        return _unusable(source, line, *trouble)
    return ControlTotal(
        site=source.site,
        receipt=source.receipt,
        source_file=source.source_file,
        line=line,
        table=row.get("table", ""),
        file=row.get("file", ""),
        first_day=_day(row.get("first_day", "")),
        last_day=_day(row.get("last_day", "")),
        rows=_whole(row.get("rows", "")),
        bytes=_whole(row.get("bytes", "")),
    )


def _day(text: str) -> date | None:
    return date.fromisoformat(text) if text else None


def _whole(text: str) -> int | None:
    return int(text) if text else None


def _troubles(row: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    table, file = row.get("table", ""), row.get("file", "")
    if table and table not in CONTROL_TOTALS["table"].vocabulary:
        yield "table", f"expected one of {', '.join(CONTROL_TOTALS['table'].vocabulary)}"
    if bool(table) == bool(file):
        yield "table", "a line names either a table or a file"
    if not row.get("rows") and not (file and row.get("bytes")):
        yield "rows", "the count is missing"
    for name in ("rows", "bytes"):
        if row.get(name) and not row[name].isdecimal():
            yield name, "expected a whole number"
    for name in ("first_day", "last_day"):
        if row.get(name) and not _is_day(row[name]):
            yield name, "expected a day such as 2026-10-31"


def _is_day(text: str) -> bool:
    try:
        return len(date.fromisoformat(text).isoformat()) == len(text)
    except ValueError:
        return False


def _unusable(source: Source, line: int | None, column: str, trouble: str) -> dict[str, object]:
    where = f"{source.source_file}, line {line}" if line else source.source_file
    message = f"{where}: {trouble}. Nothing is compared with it; correct it."
    return said(source, "control_total_unusable", message, source_line=line, column=column)


def stated_bytes(totals: tuple[ControlTotal, ...], arrival: Arrival) -> int | None:
    """The size that a control total of the same receipt gives for a file, None if none does."""
    name = PurePosixPath(arrival.source_file).name
    sizes = [
        total.bytes
        for total in totals
        if (total.site, total.receipt, total.file) == (arrival.site, arrival.receipt, name)
        and total.bytes is not None
    ]
    return max(sizes, default=None)

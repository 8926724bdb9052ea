"""What people decided: decisions, links and merges, as dated CSV files beside the exports.

Each file is small and written by hand, so rows are read one by one. A row that cannot be used is a finding
with file, line and column; the others go on. What was decided after `as_of` is not known yet.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import findings
from schemas.columns import Column, Table
from schemas.people import PEOPLE

if TYPE_CHECKING:
    from _csv import Reader

    import pandas as pd

#: Table → where its files lie in the workspace.
PLACES = {"decisions": "decisions/**/*.csv", "links": "links/*.csv", "merges": "merges/*.csv"}
#: Column by which a row becomes known.
KNOWN_BY = {"decisions": "decided_on", "links": "decided_on", "merges": "decided_on"}
ENCODING = "utf-8-sig"


@dataclass(frozen=True)
class People:
    """Rows known on `as_of`, all text but the dates; each frame also has `source_file` and `source_line`."""

    decisions: pd.DataFrame
    links: pd.DataFrame
    merges: pd.DataFrame
    files: tuple[Path, ...]
    findings: pd.DataFrame


@dataclass(frozen=True)
class _Sheet:
    rows: list[dict[str, object]]
    complaints: list[dict[str, object]]


def people_known(workspace: Path, as_of: date) -> People:
    """Everything decided on or before `as_of`."""
    import pandas as pd

    frames: dict[str, pd.DataFrame] = {}
    complaints: list[dict[str, object]] = []
    files: list[Path] = []
    for name, pattern in PLACES.items():
        found = sorted(path for path in workspace.glob(pattern) if path.is_file() and not path.is_symlink())
        sheets = [_sheet(path, workspace, PEOPLE[name]) for path in found]
        rows = [row for sheet in sheets for row in sheet.rows if _is_known(row[KNOWN_BY[name]], as_of)]
        rows = [row for row in rows if not _is_known(row.get("undone_on"), as_of)]
        frames[name] = pd.DataFrame(
            rows, columns=[*PEOPLE[name].names, "source_file", "source_line"], dtype=object
        )
        complaints += [complaint for sheet in sheets for complaint in sheet.complaints]
        files += found
    return People(**frames, files=tuple(files), findings=findings.frame(complaints))


def _is_known(decided_on: object, as_of: date) -> bool:
    return isinstance(decided_on, date) and decided_on <= as_of


def newest_decision(workspace: Path) -> date | None:
    """The newest date on which anything was decided, for the default of `as_of`."""
    known = people_known(workspace, date.max)
    days = [day for frame in (known.decisions, known.links, known.merges) for day in frame["decided_on"]]
    return max(days, default=None)


def _sheet(path: Path, workspace: Path, table: Table) -> _Sheet:
    name = path.relative_to(workspace).as_posix()
    try:
        with path.open(encoding=ENCODING, newline="") as lines:
            rows = list(_with_lines(csv.reader(lines)))
        headers = [header.strip() for header in rows[0][1]] if rows else []
        records = [(line, dict(zip(headers, cells, strict=False))) for line, cells in rows[1:]]
    except UnicodeDecodeError as broken:
        return _Sheet(
            [],
            [_complaint(name, None, "", table, f"{name} is not UTF-8 ({broken.reason}). Save it as UTF-8.")],
        )
    folder = path.parent.name
    reviewer = folder if table.name == "decisions" and folder != table.name else ""
    given = [*headers, "reviewer"] if reviewer else headers
    missing = [column for column in table.required if column not in given]
    if missing:
        return _Sheet(
            [], [_complaint(name, 1, missing[0], table, _missing_column(name, missing[0], headers))]
        )
    sheet = _Sheet([], [])
    for line, record in records:
        _take_row(sheet, table, record, name, line, reviewer)
    return sheet


def _with_lines(reader: Reader) -> Iterator[tuple[int, list[str]]]:
    """Records with the first physical line of each; blank lines are none."""
    before = 0
    for cells in reader:
        if cells:
            yield before + 1, cells
        before = reader.line_num


def _take_row(
    sheet: _Sheet, table: Table, record: dict[str, str], name: str, line: int, reviewer: str
) -> None:
    texts = {column.name: (record.get(column.name) or "").strip() for column in table.columns}
    if not any(texts.values()):
        return
    if reviewer:  # decisions/<reviewer>/…csv
        texts["reviewer"] = texts["reviewer"] or reviewer
    row: dict[str, object] = {"source_file": name, "source_line": line}
    for column in table.columns:
        value, trouble = _cell(column, texts[column.name])
        if trouble:
            message = (
                f"{name} line {line}, column `{column.name}`: {trouble} The row is not used; correct it."
            )
            sheet.complaints.append(_complaint(name, line, column.name, table, message))
            return
        row[column.name] = value
    sheet.rows.append(row)


def _cell(column: Column, text: str) -> tuple[object, str]:
    """The value, and what is wrong with it if anything."""
    if not text:
        return None, "it is empty." if column.required else ""
    if column.kind == "date":
        try:
            return date.fromisoformat(text), ""
        except ValueError:
            return None, f"`{text[:20]}` is not a date such as 2026-10-31."
    if column.kind == "yes_no":
        known = {"yes": True, "no": False}
        return known.get(text.lower()), "" if text.lower() in known else "it is neither yes nor no."
    if column.vocabulary and text not in column.vocabulary:
        return None, f"expected one of {', '.join(column.vocabulary)}."
    return text, ""


def _missing_column(name: str, column: str, headers: list[str]) -> str:
    found = ", ".join(f"`{header}`" for header in headers) or "none"
    return f"{name} has no column `{column}`. Found: {found}. Add the column; nothing of the file is used."


def _complaint(name: str, line: int | None, column: str, table: Table, message: str) -> dict[str, object]:
    return {
        "source_file": name,
        "source_line": line,
        "table": table.name,
        "column": column,
        "rule": "people_row_unusable",
        "message": message,
    }

"""What people wrote: decisions, links, merges, known findings, requests and removals, as CSV files beside the exports.

Each file is small and written by hand, so rows are read one by one. A row that cannot be used is a finding
with file, line and column; the others go on. A file that cannot be used is a finding, and the run says so at its
end. What was decided after `as_of` is not known yet.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import findings
from pipeline.written_days import written_day
from schemas.columns import Column, Table
from schemas.people import DECISIONS, PEOPLE

if TYPE_CHECKING:
    from _csv import Reader

    import pandas as pd

#: Tables, each in the folder of its name. Decisions may lie deeper, in a folder for each reviewer.
FOLDERS = ("decisions", "links", "merges", "known_findings", "requests", "removals")
DEEP = ("decisions",)
#: Columns by which a row becomes known; a known finding always is, and says itself how long it holds.
DECIDED_ON, ASKED_ON, RECEIVED_ON = "decided_on", "asked_on", "received_on"
BEGUN_ON = (DECIDED_ON, ASKED_ON, RECEIVED_ON)
#: Columns by which a row ends.
ENDED_ON = ("undone_on", "answered_on")
#: Files beside the tables that are nobody's concern.
NOTES = (".txt", ".md")
ENCODING = "utf-8-sig"
#: Longest cell of a file written by hand, in characters.
LONGEST_CELL = 131_072
#: Columns a reviewer fills in; a row of a list with none of them filled is not answered yet.
ANSWERS = {
    "decisions": ("counts", "decided_on", "occurred_on", "severity_grade", "primary_reason", "reason"),
    "links": ("case_id", "decided_on", "reason"),
    "requests": ("because", "asked_on"),
}


@dataclass(frozen=True)
class People:
    """Rows known on `as_of`, all text but the dates; each frame also has `source_file` and `source_line`.

    `files` are all that were read or tried, for the edition's list of inputs.
    """

    decisions: pd.DataFrame
    links: pd.DataFrame
    merges: pd.DataFrame
    known_findings: pd.DataFrame
    requests: pd.DataFrame
    removals: pd.DataFrame
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
    for name in FOLDERS:
        found = _files_under(workspace / name)
        sheets = [_sheet(path, workspace, PEOPLE[name]) for path in found]
        rows = [row for sheet in sheets for row in sheet.rows if _is_in_force(row, as_of)]
        frames[name] = pd.DataFrame(
            rows, columns=[*PEOPLE[name].names, "source_file", "source_line"], dtype=object
        )
        complaints += [complaint for sheet in sheets for complaint in sheet.complaints]
        files += [path for path in found if path.is_file() and not path.is_symlink()]
    return People(**frames, files=tuple(files), findings=findings.frame(complaints))


def _files_under(folder: Path) -> list[Path]:
    """Everything in a folder that may be meant as a table, also where it cannot be used."""
    return sorted(
        path
        for path in folder.rglob("*")
        if (path.is_symlink() or not path.is_dir())
        and not path.name.startswith((".", "~$"))
        and path.suffix.lower() not in NOTES
    )


def _is_in_force(row: dict[str, object], as_of: date) -> bool:
    begun = all(_is_known(row[column], as_of) for column in BEGUN_ON if column in row)
    return begun and not any(_is_known(row.get(column), as_of) for column in ENDED_ON)


def _is_known(decided_on: object, as_of: date) -> bool:
    return isinstance(decided_on, date) and decided_on <= as_of


def newest_decision(workspace: Path) -> date | None:
    """The newest date on which anything was decided or asked, for the default of `as_of`."""
    known = people_known(workspace, date.max)
    days = [day for frame in (known.decisions, known.links, known.merges) for day in frame[DECIDED_ON]]
    return max([*days, *known.requests[ASKED_ON], *known.removals[RECEIVED_ON]], default=None)


def holds_answers(path: Path, name: str) -> bool:
    """Whether somebody has filled in a list, or it can no longer be told; `name` is the table it is a form of.

    Raises:
        OSError: There is no such file, or it cannot be opened.
    """
    try:
        with path.open(encoding=ENCODING, newline="") as lines:
            rows = list(csv.DictReader(lines))
    except (UnicodeDecodeError, csv.Error):
        return True
    return any((row.get(column, "not there") or "").strip() for row in rows for column in ANSWERS[name])


def _sheet(path: Path, workspace: Path, table: Table) -> _Sheet:
    """The usable rows of one file, and what is to be said about the others."""
    name = path.relative_to(workspace).as_posix()
    trouble = _misplaced(path, workspace / table.name, table)
    if trouble:
        return _unusable(name, table, trouble)
    csv.field_size_limit(LONGEST_CELL)  # a setting of the whole process, which reading exports raises
    try:
        with path.open(encoding=ENCODING, newline="") as lines:
            rows = list(_with_lines(csv.reader(lines)))
    except UnicodeDecodeError:
        return _unusable(name, table, "it is not UTF-8. Save it as CSV UTF-8.")
    except csv.Error:
        return _unusable(name, table, "it cannot be cut into cells. Save it anew as CSV UTF-8.")
    except OSError as refused:
        return _unusable(name, table, f"it cannot be opened ({refused.strerror}). Check its permissions.")
    headers = [header.strip() for header in rows[0][1]] if rows else []
    return _filled(name, table, headers, rows[1:], _reviewer(path, table))


def _reviewer(path: Path, table: Table) -> str:
    """The folder of decisions/<reviewer>/…csv, who decided where the row names nobody."""
    folder = path.parent.name
    return folder if table.name == "decisions" and folder != table.name else ""


def _filled(
    name: str, table: Table, headers: list[str], rows: list[tuple[int, list[str]]], reviewer: str
) -> _Sheet:
    missing = [
        column
        for column in table.required
        if column not in headers and not (column == "reviewer" and reviewer)
    ]
    if missing:
        return _unusable(name, table, _missing_column(missing[0], headers, table), missing[0])
    sheet = _Sheet([], [])
    for line, cells in rows:
        if any(cell.strip() for cell in cells[len(headers) :]):
            sheet.complaints.append(_complaint(name, line, "", table, _too_long(name, line)))
        else:
            _take_row(sheet, table, dict(zip(headers, cells, strict=False)), name, line, reviewer)
    return sheet


def _too_long(name: str, line: int) -> str:
    return (
        f"{name} line {line} has more cells than the header. The row is not used; put text that holds a comma between "
        "quotation marks."
    )


def _misplaced(path: Path, folder: Path, table: Table) -> str:
    """Why a file is not even opened; empty if it is."""
    if path.is_symlink() or not path.is_file():
        return "it is a link or no ordinary file. Put the file itself there."
    if path.suffix.lower() != ".csv":
        return "it is no CSV file. Save it as CSV UTF-8, or take it out of the folder."
    if path.parent != folder and table.name not in DEEP:
        return f"it lies too deep. Move it up into {table.name}/."
    return ""


def _unusable(name: str, table: Table, trouble: str, column: str = "") -> _Sheet:
    message = f"{name} is not used: {trouble}"
    return _Sheet([], [_complaint(name, None, column, table, message, "people_file_unusable")])


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
    if not any(texts.values()) or _is_unanswered(table, texts):
        return
    if reviewer:  # decisions/<reviewer>/…csv
        texts["reviewer"] = texts["reviewer"] or reviewer
    row: dict[str, object] = {"source_file": name, "source_line": line}
    for column in table.columns:
        found_nothing = table is DECISIONS and column.name == "category" and _found_nothing(texts)
        value, trouble = (None, "") if found_nothing else _cell(column, texts[column.name])
        if (
            table is DECISIONS
            and column.name == "evidence"
            and texts["asked"] == "letter"
            and not (texts["category"] or value)
        ):
            trouble = "it is empty, so nobody can tell which letter was read."
        if trouble:
            message = (
                f"{name} line {line}, column `{column.name}`: {trouble} The row is not used; correct it."
            )
            sheet.complaints.append(_complaint(name, line, column.name, table, message))
            return
        row[column.name] = value
    sheet.rows.append(row)


def _is_unanswered(table: Table, texts: dict[str, str]) -> bool:
    """A row of a reviewer's list that nobody has filled in."""
    return table.name in ANSWERS and not any(texts[name] for name in ANSWERS[table.name])


def _found_nothing(texts: dict[str, str]) -> bool:
    """A reviewer read what was asked and found no complication, so there is no category to name."""
    return bool(texts["asked"]) and not texts["category"] and texts["counts"].lower() == "no"


def _cell(column: Column, text: str) -> tuple[object, str]:
    """The value, and what is wrong with it if anything."""
    if not text:
        return None, "it is empty." if column.required else ""
    if column.kind == "date":
        return written_day(text)
    if column.kind == "yes_no":
        known = {"yes": True, "no": False}
        return known.get(text.lower()), "" if text.lower() in known else "it is neither yes nor no."
    if column.vocabulary and text not in column.vocabulary:
        return None, f"expected one of {', '.join(column.vocabulary)}."
    if column.name == "rule" and text not in findings.CATALOGUE:
        return None, _no_such_rule(text)
    return text, ""


def _no_such_rule(text: str) -> str:
    near = difflib.get_close_matches(text, findings.CATALOGUE, 1)
    hint = f" Did you mean `{near[0]}`?" if near else ""
    return f"no rule has this code.{hint} `limbaudit findings` prints them all."


def _missing_column(column: str, headers: list[str], table: Table) -> str:
    """What is wrong with the first line. It may be a row of ids, so only what is surely a header is shown."""
    if len(headers) == 1 and (";" in headers[0] or "\t" in headers[0]):
        return "its cells are not separated by commas. Save it as CSV UTF-8 with commas."
    if not set(headers) & set(table.names):
        return f"its first line names none of the columns of {table.name}. Begin it with {','.join(table.names)}."
    found = ", ".join(f"`{header}`" for header in headers if not re.search(r"[^A-Za-z_ ]", header))
    return f"it has no column `{column}`. Found: {found}. Add the column."


def _complaint(
    name: str, line: int | None, column: str, table: Table, message: str, rule: str = "people_row_unusable"
) -> dict[str, object]:
    return {
        "source_file": name,
        "source_line": line,
        "table": table.name,
        "column": column,
        "rule": rule,
        "message": message,
    }

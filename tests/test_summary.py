"""The last lines on the screen: why, where and what to do, few enough to read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipeline import findings
from pipeline.known import BECAUSE
from pipeline.summary import HEADS_ASKED, MOST_LINES, Summary, last_lines, summary_of

OVER = {("harbour", "operations")}
FILE = "received/harbour/2026-11-02/operations.csv"


def ledger_of(records: int = 100) -> pd.DataFrame:
    return pd.DataFrame({"source_file": [FILE, FILE], "rows_read": [records, 1], "non_data": [0, 1]})


LEDGER = ledger_of()


def held(line: int, rule: str = "value_missing", file: str = FILE, **more: object) -> dict[str, object]:
    return {
        "site": "harbour", "source_file": file, "source_line": line, "table": "operations", "rule": rule, "column": "side",
        "message": "Fill it.", **more,
    }  # fmt: skip


def test_rows_of_one_cause_are_one_line_and_the_most_come_first() -> None:
    found = findings.frame([held(9, column="sex"), held(7), held(4), held(5, rule="code_unknown")])
    told = summary_of(found, found, OVER, LEDGER)
    assert told.count == "4 findings: 4 new, 0 known"
    assert told.rows == (
        f"Held back: {FILE}, 2 rows from line 4: Fill it.",
        f"Held back: {FILE}, line 9: Fill it.",
    )


@pytest.mark.parametrize(
    ("rule", "rows", "records", "asked"),
    [
        ("value_unparsable", 5, 5, True),
        ("value_unknown_word", 5, 5, True),
        ("value_unparsable", 5, 6, False),
        ("value_unparsable", 2, 2, False),
        ("record_conflict", 5, 5, False),
    ],
)
def test_where_every_row_has_it_the_heads_are_asked_about(
    rule: str, rows: int, records: int, asked: bool
) -> None:
    found = findings.frame([held(line, rule) for line in range(2, rows + 2)])
    (line,) = summary_of(found, found, OVER, ledger_of(records)).rows
    assert line.endswith(HEADS_ASKED) is asked


def test_a_file_is_named_once_and_with_its_path() -> None:
    said = "operations.csv: the last row, line 41, is cut off. Ask the sender for the whole file."
    found = findings.frame([held(41, "file_truncated", message=said)])
    told = summary_of(found, found, OVER, LEDGER)
    assert told.files[FILE] == (
        f"Not used: {FILE}: the last row, line 41, is cut off. Ask the sender for the whole file."
    )
    lines = last_lines((f"{FILE} is not used: the file breaks off.", "harbour is late."), told, Path("out"))
    assert lines[:2] == ("harbour is late.", told.files[FILE])
    assert len(lines) == 3


def test_rows_within_tolerance_are_not_told_one_by_one() -> None:
    found = findings.frame([held(9), held(7, table="events")])
    assert summary_of(found, found, OVER, LEDGER).rows == (f"Held back: {FILE}, line 9: Fill it.",)
    assert summary_of(found, found, (), LEDGER).rows == ()


def test_what_is_known_or_settled_is_counted_and_not_told_again() -> None:
    found = findings.frame([held(4), held(7)]).assign(**{BECAUSE: ["told them", ""]})
    told = summary_of(found, found.iloc[:1], OVER, LEDGER)
    assert (told.count, told.rows) == ("2 findings: 1 new, 1 known", ())


def test_repairs_are_no_findings_and_nothing_found_is_nothing_said() -> None:
    found = findings.frame([held(4, "word_translated")])
    assert summary_of(found, found, OVER, LEDGER) == Summary()
    assert summary_of(findings.empty(), findings.empty(), OVER, LEDGER) == Summary()


def test_many_lines_are_cut_and_counted() -> None:
    found = findings.frame(
        held(2, file=f"received/harbour/2026-11-02/operations_{n}.csv") for n in range(1200)
    )
    lines = last_lines((), summary_of(found, found, OVER, LEDGER), Path("out"))
    assert len(lines) == MOST_LINES + 2
    assert lines[MOST_LINES] == "… and 1,192 more like these."


@pytest.mark.parametrize("command", ["check", "run"])
def test_the_screen_says_where_to_look(
    limbaudit: Callable[..., Any], sample_exports: Path, tmp_path: Path, command: str
) -> None:
    """Before the day on which the export that broke off was sent again, the demo is not within tolerance."""
    done = limbaudit(command, sample_exports, "--as-of", "2026-11-03", "--out", tmp_path / "out")
    lines = done.err.splitlines()
    assert done.exit_code == 1
    assert len(lines) <= 3 * (MOST_LINES + 1) + 1
    place = next((tmp_path / "out").rglob("quarantine.csv")).parent
    assert lines[-1].endswith(f"notes that may be mailed: {place / 'for_the_sender'}.")
    assert any(line.startswith("limbaudit: Not used: received/") for line in lines)

"""Known findings: counted like all others, no longer new, up to and including their last day."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from pipeline import findings
from pipeline.known import BECAUSE, is_new, marked

AS_OF = date(2026, 11, 9)


def found(*rows: tuple[str, str, str]) -> pd.DataFrame:
    """Findings as (site, rule, record id)."""
    return findings.frame({"site": s, "rule": r, "record_id": i, "source_line": 2} for s, r, i in rows)


def known(*rows: tuple[str, str, str | None, date], reason: str = "old system") -> pd.DataFrame:
    """Rows of known_findings/ as (site, rule, record id, until)."""
    columns = ["site", "rule", "record_id", "until", "reason", "by", "source_file", "source_line"]
    cells = [(*row, reason, "r1", "known_findings/a.csv", n) for n, row in enumerate(rows, 2)]
    return pd.DataFrame(cells, columns=columns, dtype=object)


FOUND = found(
    ("harbour", "value_missing", "o1"),
    ("harbour", "value_missing", "o2"),
    ("harbour", "date_partial", "o1"),
    ("island", "value_missing", "o1"),
    ("harbour", "row_ragged", ""),
)


@pytest.mark.parametrize(
    ("row", "marks"),
    [
        (("harbour", "value_missing", "o1", AS_OF), [0]),
        (("harbour", "value_missing", None, AS_OF), [0, 1]),
        (("harbour", "row_ragged", None, date(2027, 1, 1)), [4]),
        (("harbour", "value_missing", "o9", AS_OF), []),
        (("nowhere", "value_missing", None, AS_OF), []),
    ],
    ids=["one record", "all of a rule", "without a record", "another record", "another site"],
)
def test_what_a_row_marks(row: tuple[str, str, str | None, date], marks: list[int]) -> None:
    told = marked(FOUND, known(row), AS_OF)
    assert len(told) == len(FOUND)
    assert [n for n, new in enumerate(is_new(told)) if not new] == marks
    assert told[list(findings.COLUMNS)].equals(FOUND)


def test_it_holds_up_to_and_including_its_day_and_is_then_said_to_have_run_out() -> None:
    row = ("harbour", "value_missing", "o1", AS_OF)
    assert not is_new(marked(FOUND, known(row), AS_OF))[0]
    after = marked(FOUND, known(row), date(2026, 11, 10))
    assert is_new(after).all()
    said = after.iloc[-1]
    assert (said["rule"], said["site"], said["source_file"]) == (
        "known_finding_expired", "harbour", "known_findings/a.csv",
    )  # fmt: skip
    assert "known_findings/a.csv line 2" in said["message"]
    assert "o1" not in said["message"]


def test_what_no_longer_occurs_or_was_renewed_has_not_run_out_in_vain() -> None:
    past = date(2026, 11, 1)
    gone = known(("harbour", "file_empty", None, past), ("harbour", "value_missing", "o9", past))
    assert len(marked(FOUND, gone, AS_OF)) == len(FOUND)
    renewed = known(("harbour", "value_missing", "o1", past), ("harbour", "value_missing", "o1", AS_OF))
    told = marked(FOUND, renewed, AS_OF)
    assert (len(told), list(is_new(told)[:2])) == (len(FOUND), [False, True])


def test_the_record_says_more_than_the_rule_and_the_longest_row_wins() -> None:
    every = known(("harbour", "value_missing", None, date(2027, 6, 1)), reason="all of them")
    one = known(
        ("harbour", "value_missing", "o1", date(2026, 12, 1)), ("harbour", "value_missing", "o1", AS_OF)
    )
    told = marked(FOUND, pd.concat([every, one], ignore_index=True), AS_OF)
    assert told[BECAUSE].tolist()[:2] == [
        "old system (r1, until 2026-12-01)", "all of them (r1, until 2027-06-01)",
    ]  # fmt: skip


def test_nothing_known_and_nothing_found() -> None:
    assert is_new(marked(FOUND, known(), AS_OF)).all()
    assert len(marked(findings.empty(), known(("harbour", "value_missing", None, AS_OF)), AS_OF)) == 0
    assert is_new(FOUND).all()

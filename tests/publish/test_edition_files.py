"""What an edition writes: files, hashes, equal bytes, notes that give nobody away."""

from __future__ import annotations

import csv
import hashlib
import json
import stat
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from pipeline import editions, store
from pipeline.errors import CannotFinish
from pipeline.publish import Context, published, write_check, write_edition
from pipeline.publish.sender import notes_for
from pipeline.publish.tables import ready
from schemas.published import NOT_FILLED, PUBLISHED

Tables = dict[str, pd.DataFrame]
HEX = "abcdef012345"


@pytest.fixture
def department(tmp_path: Path, tables: Tables, context: Context) -> Path:
    return write_edition(tmp_path / "editions", HEX, tables, context, lambda: {"host": "here"}) / "department"


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_files_stand_where_the_contract_puts_them(department: Path) -> None:
    written = {path.relative_to(department).as_posix() for path in department.rglob("*") if path.is_file()}
    assert written >= {
        "manifest.json", "ledger.csv", "quarantine.csv", "repairs.csv", "unattributed.csv", "quality.csv", "review.csv",
        "tables/rates.csv", "tables/rates.parquet", "tables/comparisons.csv", "tables/flow.csv", "tables/activity.csv",
        "quarantined/operations.csv", "for_the_sender/harbour.csv", "for_the_sender/hill.csv", "as_used/audit.toml",
        "report/index.html", "workbook.xlsx", "handout.pdf",
    }  # fmt: skip
    assert not [path for path in department.parent.rglob("*") if path.is_symlink()]
    assert json.loads((department.parent / "run.json").read_text()) == {"host": "here"}


def test_two_writes_give_equal_bytes_whatever_the_order_of_rows(
    tmp_path: Path, department: Path, tables: Tables, context: Context
) -> None:
    shuffled = {
        name: frame if name == "flow" or name.startswith("quarantined/") else frame.iloc[::-1]
        for name, frame in reversed(tables.items())
    }
    again = write_edition(tmp_path / "again", HEX, shuffled, context) / "department"
    assert store.hashes_under(again) == store.hashes_under(department)


def test_the_manifest_states_every_file_and_what_the_edition_was_made_from(department: Path) -> None:
    manifest = json.loads((department / "manifest.json").read_text())
    for name, digest in manifest["files"].items():
        assert hashlib.sha256((department / name).read_bytes()).hexdigest() == digest
    assert manifest["inputs"] == [{"path": "audit.toml", "sha256": "a" * 64}]
    assert (manifest["period"], manifest["cut_on"], manifest["as_of"]) == (
        "2026-10",
        "2026-10-31",
        "2026-11-09",
    )
    assert manifest["data_until"] == {"harbour": "2026-10-31", "hill": "2026-10-02"}
    assert manifest["verdicts"]["harbour"] == "fit"
    assert manifest["settings"]["confidence"] == 0.95
    assert manifest["findings"] == {"value_unknown_word": 1, "word_translated": 1}
    assert manifest["versions"] == {"pandas": "3.1.1"}


def test_the_manifest_lists_what_is_not_built(department: Path) -> None:
    missing = json.loads((department / "manifest.json").read_text())["not_built_yet"]
    assert set(NOT_FILLED) <= set(missing)
    assert not {"rates", "comparisons", "flow", "for_the_sender", "outward/"} & set(missing)


def test_the_manifest_says_why_there_is_no_outward_edition(department: Path) -> None:
    """The invented tables lack what tells patients from cases."""
    told = json.loads((department / "manifest.json").read_text())["outward"]
    assert told["written"] is False
    assert told["files"] == {}
    assert "second_cases" in told["reason"]
    assert not (department.parent / "outward").exists()


def test_a_standing_draft_is_left_and_the_pointer_renewed(
    tmp_path: Path, department: Path, tables: Tables, context: Context
) -> None:
    before = {path: path.stat().st_mtime_ns for path in department.rglob("*")}
    other = write_edition(tmp_path / "editions", "f" * 12, tables, context)
    assert editions.current_edition(tmp_path / "editions", "2026-10") == other
    again = write_edition(tmp_path / "editions", HEX, tables, context, lambda: {"host": "elsewhere"})
    assert editions.current_edition(tmp_path / "editions", "2026-10") == again == department.parent
    assert {path: path.stat().st_mtime_ns for path in department.rglob("*")} == before


def test_a_broken_draft_is_built_anew(
    tmp_path: Path, department: Path, tables: Tables, context: Context
) -> None:
    (department / "review.csv").write_text("gone wrong")
    write_edition(tmp_path / "editions", HEX, tables, context)
    assert not editions.faults_of(department.parent)


def test_a_failure_midway_changes_nothing(
    tmp_path: Path, department: Path, tables: Tables, context: Context, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError("disk full")

    before = {path: path.read_bytes() for path in (tmp_path / "editions").rglob("*") if path.is_file()}
    monkeypatch.setattr("pipeline.publish.report.write_report", fails)
    with pytest.raises(OSError, match="disk full"):
        write_edition(tmp_path / "editions", "f" * 12, tables, context)
    assert {
        path: path.read_bytes() for path in (tmp_path / "editions").rglob("*") if path.is_file()
    } == before


def test_the_sender_learns_where_and_what_but_no_values_or_ids(department: Path) -> None:
    notes = rows_of(department / "for_the_sender" / "harbour.csv")
    assert notes == [
        {
            "source_file": "received/harbour/2026-11-03/operations.csv", "source_line": "17", "column": "side",
            "rule": "value_unknown_word",
            "what_to_do": "Correct the word, or tell the department what it means. `side`: Side operated on; "
            "`bilateral` stands for two cases, `none` for an operation without a side. "
            "Expected: one of left, right, bilateral, none.",
        }
    ]  # fmt: skip
    text = (department / "for_the_sender" / "harbour.csv").read_text()
    assert "sinister" not in text
    assert "H-" not in text
    assert rows_of(department / "for_the_sender" / "hill.csv") == []


def test_a_fault_found_twice_in_one_cell_is_told_once(context: Context) -> None:
    twice = pd.concat([context.found, context.found], ignore_index=True)
    assert len(notes_for(twice, "harbour")) == 1


def test_formulas_in_cells_are_made_harmless(department: Path) -> None:
    assert rows_of(department / "quarantine.csv")[0]["value"] == "'=sinister"
    assert rows_of(department / "quarantined" / "operations.csv")[0]["side"] == "'=sinister"
    difference = rows_of(department / "tables" / "comparisons.csv")[0]["rd_ci_low"]
    assert difference == "-0.0443"


def test_files_belong_to_the_owner(department: Path) -> None:
    assert stat.S_IMODE((department / "review.csv").stat().st_mode) == 0o600
    assert stat.S_IMODE(department.stat().st_mode) == 0o700


def test_parquet_columns_have_the_types_of_the_description(department: Path) -> None:
    rates = pq.read_table(department / "tables" / "rates.parquet")
    assert rates.column_names == list(PUBLISHED["rates"].names)
    assert [str(rates.schema.field(name).type) for name in ("procedure", "cases", "rate")] == [
        "string",
        "int64",
        "double",
    ]
    assert rates.schema.metadata is None


def test_rows_are_sorted_by_the_whole_key(department: Path) -> None:
    written = pq.read_table(department / "tables" / "rates.parquet").to_pylist()
    keys = [tuple((row[name] is None, row[name] or 0) for name in PUBLISHED["rates"].key) for row in written]
    assert keys == sorted(keys)


def test_steps_of_the_flow_keep_their_order(department: Path) -> None:
    assert [row["step"] for row in rows_of(department / "tables" / "flow.csv")] == ["received", "held back"]


def test_empty_text_and_null_are_one(tables: Tables) -> None:
    filled = tables["comparisons"].assign(stratum_value="")
    assert ready(filled, PUBLISHED["comparisons"])["stratum_value"].null_count == len(filled)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda rates: rates.assign(rate=1.5), "rate breaks value_out_of_range"),
        (lambda rates: rates.assign(cases=None), "cases breaks value_missing"),
        (lambda rates: rates.drop(columns="note"), "note"),
        (lambda rates: pd.concat([rates, rates]), "key_repeated"),
        (lambda rates: rates.assign(cases="many"), "cases"),
    ],
)
def test_a_table_that_does_not_fit_its_description_stops_the_run(
    tmp_path: Path, tables: Tables, context: Context, change: object, said: str
) -> None:
    broken = {**tables, "rates": change(tables["rates"])}  # type: ignore[operator]
    with pytest.raises(CannotFinish, match=said) as stopped:
        published(tmp_path, broken, context)
    assert "mistake in the program" in str(stopped.value)


def test_a_table_nobody_described_stops_the_run(tmp_path: Path, tables: Tables, context: Context) -> None:
    with pytest.raises(CannotFinish, match="does not describe it"):
        published(tmp_path, {**tables, "extra": tables["rates"]}, context)


def test_check_leaves_accounts_and_notes_and_no_edition(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    kept = {
        name: tables[name]
        for name in ("ledger", "quarantine", "repairs", "quality", "quarantined/operations")
    }
    write_check(tmp_path / "check", kept, context.found, ("harbour",))
    written = {path.relative_to(tmp_path / "check").as_posix() for path in (tmp_path / "check").rglob("*.*")}
    assert written == {
        "ledger.csv", "quarantine.csv", "repairs.csv", "quality.csv", "quarantined/operations.csv",
        "for_the_sender/harbour.csv",
    }  # fmt: skip


def test_an_edition_without_any_rows_is_written(tmp_path: Path, tables: Tables, context: Context) -> None:
    empty = {name: frame.head(0) for name, frame in tables.items()}
    nobody = replace(context, sites=(), found=context.found.head(0), warnings=())
    folder = write_edition(tmp_path / "editions", HEX, empty, nobody)
    assert not editions.faults_of(folder)
    assert "no rates" in (folder / "department" / "report" / "rates.html").read_text()

"""The whole path on the demo: its truth, its row accounts, no leaks, and the same bytes under any conditions."""

from __future__ import annotations

import csv
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

FATES = (
    "accepted", "quarantined", "superseded", "duplicate", "withdrawn",
    "non_data", "not_selected", "refused", "removed",
)  # fmt: skip
FATE_OF = {
    "record_superseded": "superseded",
    "record_duplicate": "duplicate",
    "record_withdrawn": "withdrawn",
}
LETTER = {"left": "L", "right": "R", "none": "N"}
MAIN_LEVELS = {"stiffness": "persistent", "instability": "primary", "revision": "any_return"}


@pytest.fixture(scope="module")
def truth(root: Path) -> Callable[[str], Any]:
    """A table of the demo's truth, with the program's case ids."""

    def table(name: str) -> Any:
        import pandas as pd

        rows = pd.read_csv(
            root / "sample_exports" / "truth" / f"{name}.csv", dtype={"operation_id": "string"}
        )
        return rows.assign(case_id=rows["site"] + "." + rows["operation_id"] + "." + rows["side"].map(LETTER))

    return table


def keyed(rows: Any) -> set[tuple[str, str, str]]:
    return {(row.case_id, row.category, row.level) for row in rows.itertuples()}


def main_level(rows: Any) -> Any:
    return rows[rows["level"] == rows["category"].map(MAIN_LEVELS).fillna("any")]


# ---------------------------------------------------------------- the demo's truth


def test_the_cases_are_those_of_the_story(demo: Any, truth: Callable[[str], Any]) -> None:
    expected, found = truth("cases"), demo.table("cases")
    assert len(expected) > 1000
    assert set(found["case_id"]) == set(expected["case_id"])
    groups = dict(zip(found["case_id"], found["group"], strict=True))
    assert groups == dict(zip(expected["case_id"], expected["procedure"], strict=True))


def test_what_counts_is_what_happened(demo: Any, truth: Callable[[str], Any]) -> None:
    """Complete for main levels: nothing missed, nothing made up."""
    expected, found = truth("complications"), demo.table("complications")
    expected = main_level(expected[expected["expected_status"] == "counted"])
    found = main_level(found[found["status"] == "counted"])
    assert len(expected) > 100
    assert keyed(found) - keyed(expected) == set(), "counted, and did not happen"
    assert keyed(expected) - keyed(found) == set(), "happened, and is not counted"


@pytest.mark.parametrize("how", ["code", "return", "measurement", "field", "decision"])
def test_each_kind_of_evidence_gives_status_and_day(demo: Any, truth: Callable[[str], Any], how: str) -> None:
    expected, found = truth("complications"), demo.table("complications")
    expected = expected[expected["how"] == how]
    assert len(expected) > 0
    got = {(row.case_id, row.category, row.level): (row.status, row.day) for row in found.itertuples()}
    wrong = {}
    for row in expected.itertuples():
        status, day = got.get((row.case_id, row.category, row.level), ("no row", None))
        if status != row.expected_status or (status == "counted" and day != row.day):
            wrong[row.case_id, row.category, row.level] = (status, day, row.expected_status, row.day)
    assert wrong == {}


def test_every_planted_fault_is_found_where_it_was_planted(demo: Any, root: Path) -> None:
    """As a finding, a repair, or the reason of a refused file; faults without a rule must do no harm."""
    import pandas as pd

    from pipeline.findings import CATALOGUE

    planted = pd.read_csv(
        root / "sample_exports" / "truth" / "faults.csv", dtype="string", keep_default_na=False
    )
    planted = planted[planted["rule"].isin(CATALOGUE) & ~planted["rule"].isin(list(FATE_OF))]
    assert len(planted) > 20
    found = {
        (row.source_file, row.source_line if line else "", row.column, row.rule)
        for name in ("quarantine", "repairs")
        for row in demo.csv(name).itertuples()
        for line in (True, False)
    }
    found |= {(row.source_file, "", "", row.reason) for row in demo.csv("ledger").itertuples()}
    missed = [
        (row.source_file, row.source_line, row.column, row.rule, row.what)
        for row in planted.itertuples()
        if (row.source_file, row.source_line.removeprefix("0"), row.column, row.rule) not in found
    ]
    assert missed == []


def test_nothing_is_said_of_a_row_in_which_nothing_was_planted(demo: Any, root: Path) -> None:
    """But of the catalogue, which does not know one code on purpose, and of a code that is seldom."""
    import pandas as pd

    planted = pd.read_csv(
        root / "sample_exports" / "truth" / "faults.csv", dtype="string", keep_default_na=False
    )
    told = demo.csv("quarantine")
    told = told[
        ~told["rule"].isin(["procedure_code_unknown", "value_new", "file_truncated", "readings_not_passive"])
    ]
    assert len(told) > 30
    known = set(
        zip(planted["source_file"], planted["source_line"].replace("0", ""), planted["rule"], strict=True)
    )
    assert set(zip(told["source_file"], told["source_line"], told["rule"], strict=True)) <= known


def test_planted_versions_of_records_stand_in_the_ledger(demo: Any, root: Path) -> None:
    """Corrected, repeated and withdrawn rows: a site's ledger counts at least those planted.

    Not file by file: the row that takes a record back stands in a later file than the row it takes back.
    """
    import pandas as pd

    planted = pd.read_csv(
        root / "sample_exports" / "truth" / "faults.csv", dtype="string", keep_default_na=False
    )
    planted = planted[planted["rule"].isin(list(FATE_OF)) & (planted["source_line"] != "0")]
    assert len(planted) > 3
    ledger = demo.csv("ledger")
    for (site, table, rule), rows in planted.groupby(["site", "table", "rule"]):
        own = ledger[(ledger["site"] == site) & (ledger["table"] == table)]
        assert own[FATE_OF[str(rule)]].astype(int).sum() >= len(rows), (site, table, rule)


def test_rates_are_sums_of_the_case_list(demo: Any) -> None:
    """Every stratum adds up to the whole, which is counted again from the case list."""
    rates, happened = demo.table("rates"), demo.table("complications")
    keys = ["procedure", "category", "level", "window_days"]
    whole = rates[rates["stratum"] == "none"].set_index(keys)
    by_site = rates[rates["stratum"] == "site"].groupby(keys)[["cases", "events", "lost"]].sum()
    assert by_site.astype(int).equals(
        whole.loc[by_site.index, ["cases", "events", "lost"]].fillna(0).astype(int)
    )
    counted = happened[happened["status"] == "counted"]
    assert whole.loc[("all", "any_complication", "any", 365), "events"] <= counted["case_id"].nunique()


def test_no_table_or_page_prints_what_is_no_number(demo: Any) -> None:
    """Neither nan nor inf, as a cell or as a word of the page of comparisons."""
    files = sorted((demo.department / "tables").glob("*.csv"))
    assert len(files) > 5
    for path in files:
        with path.open(newline="", encoding="utf-8") as stream:
            cells = {cell.lower().lstrip("-") for row in csv.reader(stream) for cell in row}
        assert not {"nan", "inf", "infinity"} & cells, path.name
    page = (demo.department / "report" / "comparison.html").read_text("utf-8")
    assert not re.findall(r"\b(nan|inf|∞)\b|∞", page)


# ---------------------------------------------------------------- no row is lost


def test_the_ledger_adds_up(demo: Any) -> None:
    ledger = demo.csv("ledger")
    fates = ledger[list(FATES)].astype(int).sum(axis=1)
    assert (ledger["rows_read"].astype(int) == fates).all()
    assert (ledger["rows_read"].astype(int) > 0).any()


def test_rows_read_are_the_records_in_the_files(demo: Any, sample_exports: Path) -> None:
    """Counted once more by the csv module; files read whole, and not unpivoted."""
    ledger = demo.csv("ledger")
    seen = 0
    for line in ledger.itertuples():
        path = sample_exports / line.source_file
        plain = (
            path.suffix == ".csv"
            and int(line.refused) == 0
            and line.table in {"operations", "events", "followups"}
        )
        if plain:
            seen += 1
            assert int(line.rows_read) == _records(path) - 1, line.source_file
    assert seen > 20


def _records(path: Path) -> int:
    content = path.read_bytes()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252")
    header = text.partition("\n")[0]
    delimiter = max(",;\t", key=header.count)
    return sum(1 for record in csv.reader(text.splitlines(keepends=True), delimiter=delimiter) if record)


def test_every_file_received_is_in_the_ledger(demo: Any, sample_exports: Path) -> None:
    received = {
        path.relative_to(sample_exports).as_posix()
        for path in (sample_exports / "received").rglob("*")
        if path.is_file() and not path.name.startswith((".", "~$"))
    }
    assert {name.partition("#")[0] for name in demo.csv("ledger")["source_file"]} == received


def test_what_is_held_back_lies_there_with_a_reason(demo: Any) -> None:
    ledger, reasons = demo.csv("ledger"), demo.csv("quarantine")
    told = set(zip(reasons["source_file"], reasons["source_line"], strict=True))
    for table, rows in ledger.groupby("table"):
        held = rows["quarantined"].astype(int).sum()
        if held:
            kept = demo.csv(f"quarantined/{table}")
            assert len(kept) == held
            assert set(zip(kept["source_file"], kept["source_line"], strict=True)) <= told


def test_flow_chains_from_rows_to_cases(demo: Any) -> None:
    flow = demo.table("flow")
    assert (flow["after"] == flow["before"] + flow["added"] - flow["removed"]).all()
    for _, steps in flow.groupby(["site", "procedure"], sort=False):
        same_unit = (steps["unit"] == steps["unit"].shift()).to_numpy()
        assert (steps["before"].to_numpy()[same_unit] == steps["after"].shift().to_numpy()[same_unit]).all()


# ---------------------------------------------------------------- nothing leaks


def test_no_planted_identifier_appears_in_any_output(demo: Any, root: Path) -> None:
    canaries = (root / "sample_exports" / "truth" / "canaries.txt").read_text("utf-8").splitlines()
    assert canaries
    written = [path for path in demo.edition.rglob("*") if path.is_file()]
    assert len(written) > 20
    leaks = [
        (path.relative_to(demo.edition).as_posix(), position)
        for path in written
        for position, canary in enumerate(canaries)
        if canary.encode() in path.read_bytes()
    ]
    assert leaks == []
    assert not any(canary in demo.finished.out + demo.finished.err for canary in canaries)


def test_the_sender_gets_neither_values_nor_ids(demo: Any) -> None:
    files = sorted((demo.department / "for_the_sender").glob("*.csv"))
    assert files
    for path in files:
        header = path.read_text("utf-8").splitlines()[0].split(",")
        assert not {"value", "before", "after", "record_id", "patient_id"} & set(header)


# ---------------------------------------------------------------- the same inputs, the same bytes

CONDITIONS = [
    {"PYTHONHASHSEED": "1", "TZ": "UTC", "LC_ALL": "C", "OMP_NUM_THREADS": "1"},
    {"PYTHONHASHSEED": "4242", "TZ": "Pacific/Auckland", "LC_ALL": "tr_TR.UTF-8", "OMP_NUM_THREADS": "2"},
]


def copied(workspace: Path, to: Path, *, backwards: bool) -> Path:
    """A copy made file by file, first to last or last to first."""
    for path in sorted(workspace.rglob("*"), reverse=backwards):
        if path.is_file():
            target = to / path.relative_to(workspace)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
    return to


def files_of(edition: Path) -> dict[str, bytes]:
    return {
        path.relative_to(edition).as_posix(): path.read_bytes()
        for path in sorted(edition.rglob("*"))
        if path.is_file() and path.name != "run.json"
    }


def test_equal_bytes_whatever_the_machine(sample_exports: Path, tmp_path: Path) -> None:
    editions = []
    for number, conditions in enumerate(CONDITIONS):
        workspace = copied(sample_exports, tmp_path / str(number) / "demo", backwards=bool(number))
        out, state = tmp_path / f"out_{number}", tmp_path / f"state_{number}"
        environment = {
            **os.environ,
            **conditions,
            "LIMBAUDIT_STATE_DIR": str(state),
            "XDG_STATE_HOME": str(state),
        }
        told = subprocess.run(
            [sys.executable, "-m", "pipeline", "run", str(workspace), "--out", str(out)],
            env=environment, cwd=tmp_path, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert told.returncode == 0, told.stderr
        editions += sorted(out.glob("*/draft-*"))
    first, second = editions
    assert first.name == second.name, "the name is a hash of the inputs"
    one, other = files_of(first), files_of(second)
    assert set(one) == set(other)
    assert [name for name in one if one[name] != other[name]] == []
    assert len(one) > 20


def test_a_run_that_finds_its_draft_leaves_it(
    sample_exports: Path, demo: Any, limbaudit: Callable[..., Any]
) -> None:
    out = demo.edition.parents[1]
    before = {path: path.stat().st_mtime_ns for path in demo.edition.rglob("*")}
    assert limbaudit("run", sample_exports, "--out", out).exit_code == 0
    assert {path: path.stat().st_mtime_ns for path in demo.edition.rglob("*")} == before
    assert len(list(out.glob("*/draft-*"))) == 1


# ---------------------------------------------------------------- what was known when


def test_before_the_whole_file_came_the_run_says_so(
    sample_exports: Path, audit: Callable[..., Any], tmp_path: Path
) -> None:
    """A truncated export, later sent whole: exit 1 with what was known before, 0 after."""
    cut_off = _truncated_receipts(sample_exports, audit, tmp_path)
    as_of = min(cut_off).isoformat()
    early = audit(sample_exports, tmp_path / "early", "--as-of", as_of, expected_exit=1)
    refused = early.csv("ledger")
    assert (refused["refused"].astype(int) > 0).any()


def _truncated_receipts(workspace: Path, audit: Callable[..., Any], tmp_path: Path) -> list[date]:
    ledger = audit(workspace, tmp_path / "late").csv("ledger")
    days = ledger.loc[ledger["refused"].astype(int) > 0, "receipt"]
    assert len(days) > 0
    return [date.fromisoformat(day) for day in days]

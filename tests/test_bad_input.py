"""What goes wrong at a keyboard or in a hospital: each with a message that names place and remedy, and no row lost.

Two sites send the same twelve courses; what is spoiled is the island's, and the harbour's figures must stand.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
ISLAND = Path("received") / "island" / "2026-11-02"


def put(workspace: Path, name: str, content: str | bytes) -> None:
    path = workspace / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def swap(workspace: Path, name: str, old: str, new: str) -> None:
    path = workspace / name
    text = path.read_text("utf-8")
    assert old in text, f"{old!r} is not in {name}"
    path.write_text(text.replace(old, new, 1), "utf-8")


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """Harbour and island, both whole."""
    place = tmp_path / "network"
    shutil.copytree(COURSES, place)
    shutil.copytree(COURSES / "received" / "harbour", place / "received" / "island")
    settings = (place / "audit.toml").read_text("utf-8")
    put(place, "audit.toml", settings + '\n[sites.island]\nname = "Island Hospital"\ndue_day = 2\n')
    return place


def test_both_sites_are_sound_to_begin_with(
    workspace: Path, audit: Callable[..., Any], tmp_path: Path
) -> None:
    edition = audit(workspace, tmp_path / "out")
    assert dict(edition.table("cases")["site"].value_counts()) == {"harbour": 13, "island": 13}


# ---------------------------------------------------------------- wrong use: exit 2, nothing written


@dataclass(frozen=True)
class WrongUse:
    name: str
    spoil: Callable[[Path], object]
    says: tuple[str, ...]
    options: tuple[str, ...] = ()


WRONG_USES = [
    WrongUse("no workspace", shutil.rmtree, ("network", "limbaudit new")),
    WrongUse("no audit.toml", lambda place: (place / "audit.toml").unlink(), ("audit.toml", "limbaudit new")),
    WrongUse("unknown key", lambda place: swap(place, "audit.toml", "contract = 1", "contract = 1\nage_band = [30]"),
             ("audit.toml", "2", "age_band", "age_bands")),
    WrongUse("unknown category", lambda place: swap(place, "audit.toml", "any_complication", "any_complications"),
             ("audit.toml", "any_complications", "any_complication")),
    WrongUse("not TOML", lambda place: put(place, "audit.toml", "contract 1\n"), ("audit.toml", "1")),
    WrongUse("unknown column in a mapping",
             lambda place: put(place, "mappings/island.toml", 'contract = 1\n[[table]]\ntable = "operations"\n'
                               'file = "x.csv"\ncolumns = { operation_i = "id" }\n'),
             ("island.toml", "operation_i", "operation_id")),
    WrongUse("a day that is none", lambda place: None, ("--as-of", "2026-02-30"), ("--as-of", "2026-02-30")),
    WrongUse("a period that is none", lambda place: None, ("2026-13",), ("--period", "2026-13")),
]  # fmt: skip


@pytest.mark.parametrize("case", WRONG_USES, ids=lambda case: case.name)
def test_wrong_use_says_what_to_do_and_writes_nothing(
    workspace: Path, limbaudit: Callable[..., Any], tmp_path: Path, case: WrongUse
) -> None:
    case.spoil(workspace)
    finished = limbaudit("run", workspace, "--out", tmp_path / "out", *case.options)
    assert finished.exit_code == 2, finished.said
    assert [fragment for fragment in case.says if fragment not in finished.err] == [], finished.err
    assert "Traceback" not in finished.err
    assert not list((tmp_path / "out").rglob("*")) if (tmp_path / "out").exists() else True


# ---------------------------------------------------------------- faults in exports: findings, the others go on


@dataclass(frozen=True)
class Fault:
    """`says` stands in the finding's message; `at` is file, line and column, as far as the fault has them."""

    name: str
    spoil: Callable[[Path], object]
    rule: str
    at: tuple[str, str, str]
    says: tuple[str, ...]
    exit_code: int = 1
    island_cases: int = 13


OPERATIONS, EVENTS = f"{ISLAND.as_posix()}/operations.csv", f"{ISLAND.as_posix()}/events.csv"

FAULTS = [
    Fault("a file nobody claims", lambda place: put(place, f"{ISLAND}/rota.csv", "day,who\n2026-10-01,A\n"),
          "file_unmapped", (f"{ISLAND.as_posix()}/rota.csv", "", ""), ("rota.csv", "mappings/island.toml")),
    Fault("a header and nothing below", lambda place: put(place, EVENTS, "event_id,patient_id,occurred_on,code\n"),
          "file_empty", (EVENTS, "", ""), ("events.csv",)),
    Fault("no bytes at all", lambda place: put(place, EVENTS, b""),
          "file_empty", (EVENTS, "", ""), ("events.csv",)),
    Fault("a required column is missing", lambda place: swap(place, OPERATIONS, ",side,", ",laterality,"),
          "header_column_missing", (OPERATIONS, "1", "side"),
          ("operations.csv", "side", "laterality", "mappings/island.toml"), island_cases=0),
    Fault("bytes that are no UTF-8", lambda place: put(place, EVENTS, (place / EVENTS).read_bytes() + b"E99,P01,\xff\xfe\n"),
          "file_undecodable", (EVENTS, "11", ""), ("events.csv", "encoding", "mappings/island.toml")),
    Fault("a day the calendar lacks", lambda place: swap(place, OPERATIONS, "H11,P11,2025-03-24", "H11,P11,2025-02-30"),
          "value_unparsable", (OPERATIONS, "17", "performed_on"), ("performed_on",), island_cases=12),
    Fault("a word nobody knows", lambda place: swap(place, OPERATIONS, "H11,P11,2025-03-24,KN-LIG,left",
                                                    "H11,P11,2025-03-24,KN-LIG,port"),
          "value_unknown_word", (OPERATIONS, "17", "side"), ("side", "left", "right"), island_cases=12),
    Fault("one id, two different records",
          lambda place: swap(place, OPERATIONS, "H11,P11,2025-03-24", "H10,P11,2025-03-24"),
          "record_conflict", (OPERATIONS, "17", "operation_id"), ("recorded_at",), island_cases=11),
    Fault("an event names an operation that was not sent", lambda place: swap(place, EVENTS, ",H07,left", ",H99,left"),
          "operation_unknown", (EVENTS, "5", "operation_id"), ("operation",), exit_code=0),
    Fault("a site folder nobody listed",
          lambda place: put(place, "received/stranger/2026-11-02/operations.csv", "operation_id\n1\n"),
          "site_not_listed", ("received/stranger", "", ""), ("stranger", "audit.toml")),
    Fault("the site's export is late", lambda place: (place / ISLAND).rename(place / "received/island/2026-10-20"),
          "site_late", ("", "", ""), ("island", "Ask the sender")),
]  # fmt: skip


def findings(edition: Any, rule: str) -> Any:
    rows = edition.csv("quarantine")
    return rows[rows["rule"] == rule]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_is_found_and_the_other_site_goes_on(
    workspace: Path, audit: Callable[..., Any], tmp_path: Path, fault: Fault
) -> None:
    fault.spoil(workspace)
    edition = audit(workspace, tmp_path / "out", expected_exit=fault.exit_code)
    found = findings(edition, fault.rule)
    assert len(found) >= 1, sorted(set(edition.csv("quarantine")["rule"]))
    file, line, column = fault.at
    told = found[
        (found["source_line"] == line)
        & (found["column"] == column)
        & found["source_file"].str.startswith(file)
    ]
    assert len(told) >= 1, found.to_dict("records")
    message = " ".join(told["message"])
    assert [fragment for fragment in fault.says if fragment not in message] == [], message
    sites = dict(edition.table("cases")["site"].value_counts())
    assert sites == {"harbour": 13} | ({"island": fault.island_cases} if fault.island_cases else {})
    ledger = edition.csv("ledger")
    fates = ["accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected",
             "refused", "removed"]  # fmt: skip
    assert (ledger["rows_read"].astype(int) == ledger[fates].astype(int).sum(axis=1)).all()


@pytest.mark.parametrize(
    "fault", [fault for fault in FAULTS if fault.exit_code == 1], ids=lambda fault: fault.name
)
def test_the_person_at_the_keyboard_is_told(
    workspace: Path, limbaudit: Callable[..., Any], tmp_path: Path, fault: Fault
) -> None:
    """Exit 1 is explained on stderr: which site, and where to read on."""
    fault.spoil(workspace)
    finished = limbaudit("run", workspace, "--out", tmp_path / "out")
    assert finished.exit_code == 1
    site = "stranger" if "stranger" in fault.at[0] else "island"
    assert site in finished.err.casefold(), finished.err  # by its id or by its name


@pytest.mark.parametrize(
    "fault", [fault for fault in FAULTS if fault.at[0].endswith(".csv")], ids=lambda fault: fault.name
)
def test_check_finds_the_same_without_an_edition(
    workspace: Path, limbaudit: Callable[..., Any], tmp_path: Path, fault: Fault
) -> None:
    import pandas as pd

    fault.spoil(workspace)
    finished = limbaudit("check", workspace, "--out", tmp_path / "checked")
    assert finished.exit_code == fault.exit_code, finished.said
    written = pd.read_csv(tmp_path / "checked" / "quarantine.csv", dtype="string", keep_default_na=False)
    assert fault.rule in set(written["rule"])
    assert not (workspace / "editions").exists()


def test_a_late_site_closes_its_windows_earlier(
    workspace: Path, audit: Callable[..., Any], tmp_path: Path
) -> None:
    """Day of receipt 2025-08-01: 365 + 90 days before it nobody had been operated on; the harbour is not touched."""
    (workspace / ISLAND).rename(workspace / "received/island/2025-08-01")
    for name, day in (("operations", "performed_on"), ("events", "occurred_on"), ("followups", "seen_on")):
        _keep_until(workspace / "received/island/2025-08-01" / f"{name}.csv", day, "2025-08-01")
    _keep_until(workspace / "received/island/2025-08-01/measurements.csv", "measured_on", "2025-08-01")
    edition = audit(workspace, tmp_path / "out", expected_exit=1)
    rows = edition.rates(stratum="site", procedure="all", category="any_complication", window_days=365)
    assert dict(zip(rows["stratum_value"], rows["cases"], strict=True)) == {"harbour": 13}


def _keep_until(path: Path, day_column: str, last: str) -> None:
    import csv

    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    kept = [row for row in rows if row[day_column] <= last]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(kept)


def test_no_usable_site_stops_the_run_and_changes_nothing(
    workspace: Path, limbaudit: Callable[..., Any], tmp_path: Path
) -> None:
    for site in ("harbour", "island"):
        for path in (workspace / "received" / site / "2026-11-02").iterdir():
            path.write_bytes(b"\xff\xfe\x00broken")
    finished = limbaudit("run", workspace, "--out", tmp_path / "out")
    assert finished.exit_code == 3, finished.said
    assert not list((tmp_path / "out").glob("*/draft-*"))

"""Exports that are not used: far fewer rows, records gone, a control total missed, an operation after death.

Limits and meanings are those of the project's design notes; all counts are made by hand from the rows written here.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

OPERATIONS = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex,status,record_status\n"
VISITS = "followup_id,patient_id,seen_on,status\n"
SETTINGS = 'contract = 1\n[sites.harbour]\n{sends}required = ["operations"]\n'
EVERYTHING, CHANGES, UNSTATED = 'sends = "everything"\n', 'sends = "changes"\n', ""


def operations(numbers: Iterable[int], **cells: str) -> str:
    """One operation a number, each of its own patient."""
    given = {"performed_on": "2025-03-03", "side": "left", "status": "", "record_status": "", **cells}
    rows = (
        f"H{n:04},P{n:04},{given['performed_on']},KN01,{given['side']},30,female,{given['status']},{given['record_status']}"
        for n in numbers
    )
    return OPERATIONS + "".join(f"{row}\n" for row in rows)


@dataclass
class Site:
    """A workspace of one site, filled receipt by receipt."""

    place: Path
    limbaudit: Callable[..., Any]

    def settings(self, sends: str) -> None:
        (self.place / "audit.toml").write_text(SETTINGS.format(sends=sends), "utf-8")

    def put(self, receipt: str, **files: str) -> None:
        folder = self.place / "received" / "harbour" / receipt
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (folder / f"{name}.csv").write_text(text, "utf-8")

    def check(self) -> Checked:
        out = self.place / "out"
        finished = self.limbaudit("check", self.place, "--out", out)
        assert finished.exit_code in (0, 1), finished.err
        with (out / "ledger.csv").open(encoding="utf-8", newline="") as lines:
            ledger = list(csv.DictReader(lines))
        with (out / "quarantine.csv").open(encoding="utf-8", newline="") as lines:
            told = list(csv.DictReader(lines))
        return Checked(finished.exit_code, finished.said, ledger, told)


@dataclass(frozen=True)
class Checked:
    exit_code: int
    said: str
    ledger: list[dict[str, str]]
    told: list[dict[str, str]]

    def reasons(self, table: str = "operations") -> list[str]:
        """Why each receipt of the table was not used, in order; empty where it was."""
        rows = sorted((row for row in self.ledger if row["table"] == table), key=lambda row: row["receipt"])
        for row in rows:
            assert int(row["refused"]) == (int(row["rows_read"]) if row["reason"] else 0)
        return [row["reason"] for row in rows]

    def rules(self) -> set[str]:
        return {row["rule"] for row in self.told}


@pytest.fixture
def site(tmp_path: Path, limbaudit: Callable[..., Any]) -> Site:
    made = Site(tmp_path / "network", limbaudit)
    made.place.mkdir()
    made.settings(EVERYTHING)
    return made


RECEIPTS = [f"2026-{month:02}-02" for month in range(1, 13)]


def test_an_export_down_by_more_than_its_limit_is_not_used(site: Site) -> None:
    """Eight exports of 100, 100, 100, 100, 90, 90, 100, 100 rows have the median 100; 69 of 100 is 31 % less."""
    for receipt, rows in zip(RECEIPTS, [100, 100, 100, 100, 100, 100, 100, 100, 69], strict=False):
        site.put(receipt, operations=operations(range(rows)))
    checked = site.check()
    assert checked.reasons() == [""] * 8 + ["volume_drop"]
    assert checked.exit_code == 1
    assert "Not used: received/harbour/2026-09-02/operations.csv: It has 69 rows" in checked.said
    finding = next(row for row in checked.told if row["rule"] == "volume_drop")
    assert "69 rows" in finding["message"]
    assert "100" in finding["message"]


def test_thirty_per_cent_less_is_still_within_the_limit(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(10)))
    site.put(RECEIPTS[1], operations=operations(range(7)))
    (site.place / "audit.toml").write_text(
        SETTINGS.format(sends=EVERYTHING) + "[tolerance]\nvanished_share = 1.0\n", "utf-8"
    )
    assert site.check().reasons() == ["", ""]


def test_only_the_eight_exports_before_are_compared(site: Site) -> None:
    """Nine exports before: the first, of 400 rows, no longer counts."""
    rows = [400, *[100] * 8, 80]
    (site.place / "audit.toml").write_text(
        SETTINGS.format(sends=EVERYTHING) + "[tolerance]\nvanished_share = 1.0\nvolume_drop = 0.8\n", "utf-8"
    )
    for receipt, number in zip(RECEIPTS, rows, strict=False):
        site.put(receipt, operations=operations(range(number)))
    assert set(site.check().reasons()) == {""}
    (site.place / "audit.toml").write_text(
        SETTINGS.format(sends=EVERYTHING) + "[tolerance]\nvanished_share = 1.0\nvolume_drop = 0.3\n", "utf-8"
    )
    # 100 is 75 % less than 400 and never used; 80 is then held against 400 alone
    assert site.check().reasons() == ["", *["volume_drop"] * 9]


def test_an_export_set_aside_is_no_yardstick_and_a_whole_one_after_it_is_used(site: Site) -> None:
    for receipt, rows in zip(RECEIPTS, [100, 60, 60, 100], strict=False):
        site.put(receipt, operations=operations(range(rows)))
    checked = site.check()
    assert checked.reasons() == ["", "volume_drop", "volume_drop", ""]
    assert checked.exit_code == 0


def test_a_site_that_sends_changes_may_send_few(site: Site) -> None:
    site.settings(CHANGES)
    site.put(RECEIPTS[0], operations=operations(range(100)))
    site.put(RECEIPTS[1], operations=operations([3]))
    checked = site.check()
    assert checked.reasons() == ["", ""]
    assert "records_vanished" not in checked.rules()


@pytest.mark.parametrize(
    ("rows", "reasons"),
    [
        ([100, 60], ["", "volume_drop"]),
        ([100, 3], ["", ""]),
        ([100, 100, 3], ["", "", "volume_drop"]),
        ([100, 3, 3, 3], ["", "", "", ""]),
    ],
)
def test_where_nothing_is_stated_few_rows_are_changes(
    site: Site, rows: list[int], reasons: list[str]
) -> None:
    site.settings(UNSTATED)
    for receipt, number in zip(RECEIPTS, rows, strict=False):
        site.put(receipt, operations=operations(range(number)))
    checked = site.check()
    assert checked.reasons() == reasons
    assert ("sends_not_stated" in checked.rules()) == ("" in reasons[1:] and rows[1] < 50)


def test_more_than_one_in_a_hundred_gone_holds_the_export(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(200)))
    site.put(RECEIPTS[1], operations=operations(range(3, 200)))
    checked = site.check()
    assert checked.reasons() == ["", "vanished_share"]
    assert "3 of the 200" in next(row["message"] for row in checked.told if row["rule"] == "vanished_share")


def test_one_in_a_hundred_gone_is_listed_and_kept(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(200)))
    site.put(RECEIPTS[1], operations=operations(range(2, 200)))
    checked = site.check()
    assert checked.reasons() == ["", ""]
    gone = [row["record_id"] for row in checked.told if row["rule"] == "records_vanished"]
    assert gone == ["H0000", "H0001"]
    assert sum(int(row["accepted"]) for row in checked.ledger) == 200


def test_a_record_withdrawn_or_held_back_is_not_gone(site: Site) -> None:
    """10 of 100 withdrawn in the second export and no longer in the third; one held back there for its side."""
    site.put(RECEIPTS[0], operations=operations(range(100)))
    taken_back = operations(range(10), record_status="withdrawn").removeprefix(OPERATIONS)
    site.put(RECEIPTS[1], operations=operations(range(10, 100)) + taken_back)
    unclear = operations([99], side="R/L").removeprefix(OPERATIONS)
    site.put(RECEIPTS[2], operations=operations(range(10, 99)) + unclear)
    checked = site.check()
    assert checked.reasons() == ["", "", ""]
    assert "records_vanished" not in checked.rules()


def test_records_reach_only_to_the_export_that_stands(site: Site, audit: Callable[..., Any]) -> None:
    for receipt, rows in [("2026-09-02", 100), ("2026-11-02", 50)]:
        site.put(receipt, operations=operations(range(rows)))
    edition = audit(site.place, site.place / "editions", "--period", "2026-10", expected_exit=1)
    assert set(edition.table("cases")["known_until"].astype(str)) <= {"2026-09-02"}
    quality = (edition.department / "report").glob("*.html")
    assert any("export set aside" in page.read_text("utf-8") for page in quality)


# ---------------------------------------------------------------- control totals


def total(**cells: object) -> str:
    names = ("table", "file", "first_day", "last_day", "rows", "bytes")
    return ",".join(names) + "\n" + ",".join(str(cells.get(name, "")) for name in names) + "\n"


@pytest.mark.parametrize(
    ("stated", "reasons"),
    [
        ({"table": "operations", "rows": 100}, [""]),
        ({"table": "operations", "rows": 102}, [""]),  # 2 of 102 missing: 1.96 %
        ({"table": "operations", "rows": 103}, ["control_total_missed"]),  # 2.9 %
        ({"table": "operations", "rows": 97}, ["control_total_missed"]),  # 3 more than 97: 3.1 %
        ({"file": "operations.csv", "rows": 110}, ["control_total_missed"]),
        ({"table": "operations", "rows": 50, "first_day": "2025-03-03", "last_day": "2025-03-31"}, [""]),
        ({"table": "operations", "rows": 60, "first_day": "2025-03-03"}, ["control_total_missed"]),
        ({"table": "events", "rows": 9000}, [""]),
        ({"file": "operations.csv", "bytes": 10}, [""]),
        ({"file": "operations.csv", "bytes": 1_000_000}, ["file_truncated"]),
    ],
)
def test_an_export_is_held_against_its_control_total(
    site: Site, stated: dict[str, object], reasons: list[str]
) -> None:
    """50 operations in February, 50 in March."""
    february = operations(range(50), performed_on="2025-02-03").removeprefix(OPERATIONS)
    site.put(RECEIPTS[0], operations=operations(range(50, 100)) + february, control_totals=total(**stated))
    checked = site.check()
    assert checked.reasons() == reasons
    line = next(row for row in checked.ledger if row["table"] == "control_totals")
    assert (line["rows_read"], line["non_data"]) == ("1", "1")


def test_the_theatre_log_counts_what_was_performed(site: Site) -> None:
    booked = operations(range(90, 100), status="booked").removeprefix(OPERATIONS)
    site.put(
        RECEIPTS[0],
        operations=operations(range(90)) + booked,
        control_totals=total(table="operations", rows=90),
    )
    assert site.check().reasons() == [""]


def test_rows_held_back_may_belong_to_the_total_or_not(site: Site) -> None:
    """10 of 100 cannot be read: the log may say 90 or 100, not 80."""
    unclear = operations(range(90, 100), side="R/L").removeprefix(OPERATIONS)
    text = operations(range(90)) + unclear
    for rows, reason in ((90, ""), (100, ""), (80, "control_total_missed")):
        site.put(RECEIPTS[0], operations=text, control_totals=total(table="operations", rows=rows))
        assert site.check().reasons() == [reason]


def test_totals_of_a_site_that_sends_changes_count_what_was_sent_before(site: Site) -> None:
    site.settings(CHANGES)
    site.put(RECEIPTS[0], operations=operations(range(100)))
    site.put(
        RECEIPTS[1], operations=operations(range(95, 110)), control_totals=total(table="operations", rows=110)
    )
    assert site.check().reasons() == ["", ""]
    site.put(RECEIPTS[1], control_totals=total(table="operations", rows=120))
    assert site.check().reasons() == ["", "control_total_missed"]


def test_totals_of_a_month_count_what_earlier_lists_of_changes_held(site: Site) -> None:
    """100 operations in February, 5 more of February in the second list beside 10 of March."""
    site.settings(CHANGES)
    site.put(RECEIPTS[0], operations=operations(range(100), performed_on="2025-02-03"))
    february = operations(range(100, 105), performed_on="2025-02-20").removeprefix(OPERATIONS)
    month = {"table": "operations", "first_day": "2025-02-01", "last_day": "2025-02-28"}
    for rows, reason in ((105, ""), (115, "control_total_missed"), (95, "control_total_missed")):
        site.put(
            RECEIPTS[1],
            operations=operations(range(110, 120)) + february,
            control_totals=total(rows=rows, **month),
        )
        assert site.check().reasons() == ["", reason]


@pytest.mark.parametrize(
    "line", ["operations,,,,ninety,", "op,,,,90,", ",,,,90,", "operations,,03/2025,,90,", "operations,,,,,"]
)
def test_a_total_that_cannot_be_read_is_a_finding_and_compares_nothing(site: Site, line: str) -> None:
    site.put(RECEIPTS[0], operations=operations(range(10)))
    site.put(RECEIPTS[0], control_totals=f"table,file,first_day,last_day,rows,bytes\n{line}\n")
    checked = site.check()
    assert checked.reasons() == [""]
    finding = next(row for row in checked.told if row["rule"] == "control_total_unusable")
    assert finding["source_line"] == "2"


# ---------------------------------------------------------------- an operation after death


def test_a_death_before_an_operation_holds_the_export_that_tells_of_it(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(20)))
    site.put(RECEIPTS[1], followups=VISITS + "V1,P0003,2025-02-01,died\nV2,P0004,2025-06-01,seen\n")
    checked = site.check()
    assert checked.reasons() == [""]
    assert checked.reasons("followups") == ["death_before_operation"]
    assert checked.exit_code == 1
    told = [row for row in checked.told if row["rule"] == "death_before_operation"]
    assert [(row["table"], row["source_line"]) for row in told] == [("followups", "2")]
    assert "By line 2 a patient is operated on after the day of death." in told[0]["message"]


def test_what_came_together_is_doubted_together_and_what_was_before_stands(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(20)))
    later = operations([30], performed_on="2025-08-01").removeprefix(OPERATIONS)
    patients = "patient_id,died_on\nP0030,2025-07-01\n"
    site.put(RECEIPTS[1], operations=operations(range(20)) + later, patients=patients)
    checked = site.check()
    assert checked.reasons() == ["", "death_before_operation"]
    assert checked.reasons("patients") == ["death_before_operation"]
    assert sum(int(row["accepted"]) for row in checked.ledger) == 20


def test_a_corrected_export_is_used_again(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(20)), patients="patient_id,died_on\nP0003,2025-02-01\n")
    site.put(RECEIPTS[1], patients="patient_id,died_on\nP0003,2025-04-01\n")
    checked = site.check()
    assert checked.reasons() == [""]
    assert checked.reasons("patients") == ["", ""]
    assert checked.exit_code == 0


def test_death_on_the_day_of_the_operation_is_possible(site: Site) -> None:
    site.put(RECEIPTS[0], operations=operations(range(20)), patients="patient_id,died_on\nP0003,2025-03-03\n")
    assert site.check().reasons("patients") == [""]


# ---------------------------------------------------------------- a column names the site


def test_only_the_rows_of_the_site_that_breaks_a_limit_are_set_aside(site: Site) -> None:
    """One file for two clinics: north sends 100 then 50, south 10 then 10."""
    (site.place / "mappings").mkdir()
    (site.place / "mappings" / "harbour.toml").write_text(
        'contract = 1\n[[table]]\ntable = "operations"\nfile = "operations.csv"\nsite_from = "clinic"\n',
        "utf-8",
    )
    (site.place / "audit.toml").write_text(
        "contract = 1\n"
        + "".join(f'[sites.{name}]\nsends = "everything"\n' for name in ("north", "south", "harbour")),
        "utf-8",
    )

    def both(north: int) -> str:
        rows = operations(range(north)).splitlines()[1:]
        south = operations(range(500, 510)).splitlines()[1:]
        header = OPERATIONS.strip() + ",clinic\n"
        return header + "".join(f"{row},north\n" for row in rows) + "".join(f"{row},south\n" for row in south)

    site.put(RECEIPTS[0], operations=both(100))
    site.put(RECEIPTS[1], operations=both(50))
    checked = site.check()
    first, second = sorted(checked.ledger, key=lambda row: row["receipt"])
    assert (first["accepted"], first["refused"]) == ("110", "0")
    assert (second["refused"], second["duplicate"], second["reason"]) == ("50", "10", "volume_drop")

"""What should have become of what a department sent, worked out apart from the program.

The rules are those of the documents, said in the plainest way: row by row, with dictionaries.
"""

from __future__ import annotations

import csv
import io
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

from department import DAYS, IDS, INDEX, RETURN, Cells, Department, Sent

REQUIRED = ("operations", "events", "followups")
TOLERANCE = 0.02
#: (days, grace) of the windows of the built-in settings that are looked at.
WINDOWS = ((30, 30), (90, 60), (365, 90))
Key = tuple[str, str]
Reason = tuple[str, ...]


@dataclass(frozen=True)
class Line:
    """A ledger line as it should be: how many rows became what."""

    sent: Sent
    rows_read: int
    fates: Counter[str]


@dataclass
class Known:
    """All that is to be known on a day: ledger lines, the version of each record that stands, why a run is not content."""

    lines: dict[str, Line]
    stands: dict[str, dict[Key, Cells]]
    reasons: set[Reason]
    data_until: dict[str, date]


@dataclass(frozen=True)
class Figures:
    """Counts of an edition: cases, returns to theatre, infections, cases of patients who died, and rates by window."""

    cases: int
    returns: int
    infections: int
    died: int
    windows: dict[int, tuple[int, int]]


def rows_in(content: bytes) -> int:
    """Records below the header, counted in the bytes."""
    return max(0, sum(1 for row in csv.reader(io.StringIO(content.decode())) if row) - 1)


def cut_of(day: date) -> date:
    """Last day of the last month that is over; on its last day a month is."""
    return (day + timedelta(1)).replace(day=1) - timedelta(1)


def known(department: Department, day: date, due_days: dict[str, int]) -> Known:
    """What a run of that day should know; its period is the last whole month."""
    files = [sent for sent in department.received if sent.receipt <= day]
    removed = _removed(department, day)
    refused = {sent.path for sent in files if _is_refused(sent, department)}
    fates: dict[str, Counter[str]] = {sent.path: Counter() for sent in files}
    versions: dict[tuple[str, str, str], list[tuple[Sent, int]]] = defaultdict(list)
    for sent in files:
        if sent.path in refused:
            fates[sent.path]["refused"] = rows_in(sent.content)
            continue
        for number, row in enumerate(sent.rows):
            if (sent.site, row["patient_id"]) in removed:
                fates[sent.path]["removed"] += 1
            elif number in sent.spoilt:
                fates[sent.path]["quarantined"] += 1
            else:
                versions[sent.table, sent.site, row[IDS[sent.table]]].append((sent, number))
    stands: dict[str, dict[Key, Cells]] = {table: {} for table in IDS}
    first = _first_receipts(files)
    for (table, site, record), rows in versions.items():
        row = _ranked(rows, first, fates)
        if row["record_status"] != "withdrawn":
            stands[table][site, record] = row
    lines = {sent.path: Line(sent, rows_in(sent.content), fates[sent.path]) for sent in files}
    good = [sent for sent in files if sent.path not in refused]
    cut = cut_of(day)
    return Known(lines, stands, _reasons(department, files, refused, lines, day, due_days), _until(good, cut))


def _is_refused(sent: Sent, department: Department) -> bool:
    unclaimed = sent.fault == "unmapped" and sent.site not in department.mapped
    return unclaimed or sent.fault in ("truncated", "names", "few") or sent.site not in department.listed


def _removed(department: Department, day: date) -> set[Key]:
    """Patients whose data are left out, under every pseudonym that is known to be theirs."""
    found = {(row["site_id"], row["patient_id"]) for row in department.known("removals", day)}
    for row in department.known("merges", day):
        pair = {(row["site_id"], row["patient_id"]), (row["site_id"], row["same_as"])}
        found |= pair if found & pair else set()
    return found


def _first_receipts(files: list[Sent]) -> dict[tuple[str, str, bytes], date]:
    first: dict[tuple[str, str, bytes], date] = {}
    for sent in files:
        same = (sent.site, sent.table, sent.content)
        first[same] = min(first.get(same, sent.receipt), sent.receipt)
    return first


def _ranked(
    rows: list[tuple[Sent, int]], first: dict[tuple[str, str, bytes], date], fates: dict[str, Counter[str]]
) -> Cells:
    """Count what each version of one record is; the one that stands."""

    def age(each: tuple[Sent, int]) -> tuple[object, ...]:
        sent, number = each
        return (
            sent.rows[number]["recorded_at"], first[sent.site, sent.table, sent.content], sent.path, number,
        )  # fmt: skip

    rows = sorted(rows, key=age)
    newest = rows[-1][0].rows[rows[-1][1]]
    before: Cells | None = None
    for sent, number in rows:
        row = sent.rows[number]
        if row == before:
            fate = "duplicate"
        elif row != newest:
            fate = "superseded"
        else:
            fate = "withdrawn" if row["record_status"] == "withdrawn" else "accepted"
        fates[sent.path][fate] += 1
        before = row
    return newest


# ---------------------------------------------------------------- why a run ends with 1


def _reasons(
    department: Department,
    files: list[Sent],
    refused: set[str],
    lines: dict[str, Line],
    day: date,
    due_days: dict[str, int],
) -> set[Reason]:
    found: set[Reason] = set()
    good = [sent for sent in files if sent.path not in refused]
    cut = cut_of(day)
    for site in {sent.site for sent in files} - department.listed:
        found.add(("unlisted", site))
    for site in department.listed:
        own = [sent for sent in good if sent.site == site]
        newest = max((sent.receipt for sent in own), default=date.min)
        due = due_days.get(site)
        if due and day > (cut + timedelta(due)) and newest <= cut:
            found.add(("late", site))
        for table in REQUIRED:
            if not any(sent.table == table for sent in own):
                found.add(("incomplete", site))
    for site, table in {(sent.site, sent.table) for sent in good}:
        if _share_held(site, table, good, lines) > TOLERANCE:
            found.add(("held", site, table))
    for sent in files:
        if sent.path in refused and sent.site in department.listed and not _followed(sent, good, department):
            found.add(("unused", sent.path))
    return found


def _share_held(site: str, table: str, good: list[Sent], lines: dict[str, Line]) -> float:
    own = [sent for sent in good if (sent.site, sent.table) == (site, table)]
    newest = max(sent.receipt for sent in own)
    counts: Counter[str] = Counter()
    for sent in own:
        if sent.receipt == newest:
            counts += lines[sent.path].fates
    total = sum(counts.values()) - counts["removed"]
    return counts["quarantined"] / total if total else 0.0


def _followed(sent: Sent, good: list[Sent], department: Department) -> bool:
    if sent.fault == "unmapped" and sent.site not in department.mapped:
        return False
    return any(
        (each.site, each.table) == (sent.site, sent.table)
        and (each.receipt, each.path) > (sent.receipt, sent.path)
        for each in good
    )


def _until(good: list[Sent], cut: date) -> dict[str, date]:
    newest: dict[Key, date] = {}
    for sent in good:
        key = sent.site, sent.table
        newest[key] = max(newest.get(key, sent.receipt), sent.receipt)
    sites = {site for site, _ in newest}
    return {
        site: min([cut, *(newest[site, table] for table in REQUIRED if (site, table) in newest)])
        for site in sites
    }


# ---------------------------------------------------------------- figures


def figures(department: Department, of: Known, day: date) -> Figures:
    """What an edition of that day should count; the facts are such that nothing waits but events without a side."""
    cut = cut_of(day)
    same = {(row["site_id"], row["patient_id"]): row["same_as"] for row in department.known("merges", day)}

    def person(site: str, patient: str) -> Key:
        return site, same.get((site, patient), patient)

    cases: dict[tuple[Key, str], tuple[date, str]] = {}
    back: dict[tuple[Key, str], list[date]] = defaultdict(list)
    for (site, record), row in of.stands["operations"].items():
        done = date.fromisoformat(row["performed_on"])
        if row["status"] != "performed" or done > cut:
            continue
        for side in ("left", "right") if row["side"] == "bilateral" else (row["side"],):
            place = person(site, row["patient_id"]), side
            if row["procedure_code"] in INDEX:
                cases[place] = done, f"{site}.{record}.{side[0].upper()}"
            elif row["procedure_code"] in RETURN and row["planned"] != "yes":
                back[place].append(done)
    returned = {
        place: min(days)
        for place, all_days in back.items()
        if place in cases and (days := [day for day in all_days if day >= cases[place][0]])
    }
    dead = {
        person(site, record)
        for (site, record), row in of.stands["patients"].items()
        if "" < row[DAYS["patients"]] <= cut.isoformat()
    }
    return Figures(
        cases=len(cases),
        returns=len(returned),
        infections=len(_infected(department, of, day, cases, person)),
        died=sum(who in dead for who, _ in cases),
        windows={days: _window(days, grace, cases, returned, of, cut) for days, grace in WINDOWS},
    )


def _window(days: int, grace: int, cases: dict, returned: dict, of: Known, cut: date) -> tuple[int, int]:
    """Cases whose window is closed, and how many of them came back to theatre within it."""
    closed = [
        place
        for place, (done, _) in cases.items()
        if done + timedelta(days + grace) <= min(cut, of.data_until[place[0][0]])
    ]
    events = sum(
        place in returned and returned[place] - cases[place][0] <= timedelta(days) for place in closed
    )
    return len(closed), events


def _infected(department: Department, of: Known, day: date, cases: dict, person) -> set[str]:
    """Cases that count as infected: an event on their side, or tied to them, unless refuted; or a reviewer's yes."""
    cut = cut_of(day)
    names = {case for _, case in cases.values()}
    linked = {(row["site_id"], row["record_id"]): row["case_id"] for row in department.known("links", day)}
    found = set()
    for (site, record), row in of.stands["events"].items():
        happened = date.fromisoformat(row["occurred_on"])
        place = person(site, row["patient_id"]), row["side"]
        if happened > cut:
            continue
        if (site, record) in linked:
            found |= {linked[site, record]} & names
        elif place in cases and happened >= cases[place][0]:
            found.add(cases[place][1])
    decided = {row["case_id"]: row["counts"] for row in department.known("decisions", day)}
    found |= {case for case, counts in decided.items() if counts == "yes" and case in names}
    return found - {case for case, counts in decided.items() if counts == "no"}

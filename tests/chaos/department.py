"""A small department of three hospitals that lives day by day and writes exports, well and badly.

It knows nothing of the program: plain Python, the columns of the contract and the module `csv`. What it sent, and what
was wrong with it, stays in `received`, so that others can say what should have become of it.
"""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path

TABLES = {
    "operations": (
        "operation_id,patient_id,performed_on,procedure_code,side,surgeon_id,age_years,sex,status,planned,planned_with,"
        "planned_as,planned_on,anaesthesia,record_status,recorded_at"
    ),
    "events": "event_id,patient_id,occurred_on,code,side,joint,source,note,record_status,recorded_at",
    "followups": "followup_id,patient_id,seen_on,status,side,joint,note,record_status,recorded_at",
    "measurements": (
        "measurement_id,patient_id,measured_on,joint,measure,mode,value,unit,side,record_status,recorded_at"
    ),
    "patients": "patient_id,sex,died_on,record_status,recorded_at",
}
COLUMNS = {table: tuple(text.split(",")) for table, text in TABLES.items()}
IDS = {table: columns[0] for table, columns in COLUMNS.items()}
DAYS = {
    "operations": "performed_on",
    "events": "occurred_on",
    "followups": "seen_on",
    "measurements": "measured_on",
    "patients": "died_on",
}
INDEX, RETURN = ("KN-LIG", "KN-TUB"), ("KN-MUA", "KN-OUT")
INFECTION = "T81.41XA"
#: What leaks on purpose; none of it may be found in anything that is written.
NAMES = ("Quagmire", "Ottoline", "zebulon.q@mail.example", "07700 900123")
#: A cell that cannot be read, by table.
SPOILT = {
    "operations": ("side", "lefft"),
    "events": ("occurred_on", "2026-13-40"),
    "followups": ("status", "sene"),
    "measurements": ("value", "ninety"),
}
Cells = dict[str, str]


@dataclass(frozen=True)
class Sent:
    """One file as it was received.

    Attributes:
        site, receipt, name: Where it lies: `received/<site>/<receipt>/<name>`.
        table: What it holds.
        rows: Its records as the sender meant them.
        spoilt: Positions of rows with a cell that cannot be read.
        fault: What is wrong with the whole: `truncated`, `names`, `unmapped`, `few`; empty: nothing.
        content: Its bytes.
    """

    site: str
    receipt: date
    name: str
    table: str
    rows: tuple[Cells, ...]
    spoilt: frozenset[int]
    fault: str
    content: bytes

    @property
    def path(self) -> str:
        return f"received/{self.site}/{self.receipt}/{self.name}"


@dataclass
class Record:
    """One record with its newest version; `known_on` is the day it was written down."""

    table: str
    cells: Cells
    known_on: date
    spoilt_until: date | None = None


@dataclass
class Site:
    """A hospital. `records` by table and id; `later` are records that will be written down on a day to come."""

    name: str
    sends: str
    chance: float
    operations_a_day: float
    silent: tuple[tuple[date, date], ...] = ()
    first_export: date = date.min
    records: dict[tuple[str, str], Record] = field(default_factory=dict)
    later: list[Record] = field(default_factory=list)
    exported: date = date.min
    made: int = 0
    resend: list[tuple[date, Sent]] = field(default_factory=list)


def _moment(day: date, rng: random.Random) -> str:
    return datetime.combine(day, time(rng.randrange(7, 19), rng.randrange(60), rng.randrange(60))).isoformat()


class Department:
    """The hospitals, and what has happened in them up to a day."""

    def __init__(
        self, seed: int, workspace: Path, sites: tuple[Site, ...], begins: date, faults: int = 1
    ) -> None:
        self.rng = random.Random(seed)
        self.workspace, self.faults = workspace, faults
        self.sites = {site.name: site for site in sites}
        self.received: list[Sent] = []
        self.told: dict[str, list[Cells]] = {"decisions": [], "links": [], "merges": [], "removals": []}
        self.mapped: set[str] = set()
        self.listed = {site.name for site in sites if site.first_export <= begins}

    # ------------------------------------------------------------ what happens

    def live(self, day: date) -> None:
        """One day in every hospital: new patients, what was written down late, corrections, withdrawals."""
        for site in self.sites.values():
            for _ in range(int(site.operations_a_day + self.rng.random())):
                self._operated(site, day)
            due = [record for record in site.later if record.known_on <= day]
            site.later = [record for record in site.later if record.known_on > day]
            for record in due:
                self._write_down(site, record)
            if self.rng.random() < 0.25:
                self._correct(site, day)

    def _write_down(self, site: Site, record: Record) -> None:
        record.cells["recorded_at"] = _moment(record.known_on, self.rng)
        if record.table in SPOILT and self.rng.random() < 0.012:
            record.spoilt_until = record.known_on + timedelta(self.rng.randrange(3, 20))
        site.records[record.table, record.cells[IDS[record.table]]] = record

    def _add(self, site: Site, table: str, happened: date, cells: Cells, delay: int | None = None) -> Cells:
        late = self.rng.random() < 0.08
        days = (self.rng.randrange(15, 70) if late else self.rng.randrange(0, 3)) if delay is None else delay
        site.made += 1
        whole = dict.fromkeys(COLUMNS[table], "") | {IDS[table]: f"{table[0].upper()}{site.made:05d}"} | cells
        if DAYS[table] not in cells:
            whole[DAYS[table]] = happened.isoformat()
        site.later.append(Record(table, whole, happened + timedelta(days)))
        return whole

    def _operated(self, site: Site, day: date) -> None:
        """A first operation, and all that will follow from it."""
        rng = self.rng
        site.made += 1
        patient, second = f"P{site.made:05d}", ""
        if rng.random() < 0.06:
            second = f"{patient}B"
        side = rng.choices(("left", "right", "bilateral"), (48, 48, 4))[0]
        died = day + timedelta(rng.randrange(20, 300)) if rng.random() < 0.02 else None
        who = {"age_years": str(rng.randrange(15, 60)), "sex": rng.choice(("female", "male"))}
        operation = self._add(
            site, "operations", day,
            {"patient_id": patient, "procedure_code": rng.choice(INDEX), "side": side, "anaesthesia": "general", **who,
             "surgeon_id": f"S{rng.randrange(1, 5)}", "status": "performed"},
        )  # fmt: skip
        one_side = side if side != "bilateral" else rng.choice(("left", "right"))
        for happened, table, cells in self._course(operation, one_side, day):
            if died is None or happened < died:
                apart = second and table in ("operations", "events")
                self._add(
                    site,
                    table,
                    happened,
                    {"patient_id": second if apart else patient, **who_of(table, who), **cells},
                )
        self._add(
            site, "patients", day, {"patient_id": patient, "sex": who["sex"], "died_on": ""}, rng.randrange(3)
        )
        if died:
            self._add(site, "patients", died, {"patient_id": patient, "sex": who["sex"]})
        if second:
            self._later(
                "merges", day + timedelta(rng.randrange(60, 240)), site, patient_id=second, same_as=patient
            )
        if rng.random() < 0.008:
            self._later(
                "removals", day + timedelta(rng.randrange(40, 200)), site, patient_id=patient, kind="erasure"
            )

    def _course(self, operation: Cells, side: str, day: date) -> Iterator[tuple[date, str, Cells]]:
        """What will happen to the patient: (day, table, cells)."""
        rng = self.rng
        where = {"side": side, "joint": "knee"}
        for after in (42, 95, 370):
            if rng.random() < 0.8:
                seen = day + timedelta(after + rng.randrange(-8, 9))
                note = f"Tell {NAMES[0]}, {NAMES[2]}, {NAMES[3]}." if rng.random() < 0.01 else ""
                yield seen, "followups", {**where, "status": "seen", "note": note}
                reading = {"measure": "flexion", "mode": "passive", "unit": "deg"}
                yield seen, "measurements", {**where, **reading, "value": str(rng.randrange(90, 145))}
        if rng.random() < 0.10:
            shown = side if rng.random() < 0.7 else ""
            infected = {"code": INFECTION, "side": shown, "joint": "knee", "source": "clinic"}
            yield day + timedelta(rng.randrange(5, 60)), "events", infected
        if rng.random() < 0.12:
            back = {
                "procedure_code": rng.choice(RETURN),
                "side": side,
                "anaesthesia": "general",
                "status": "performed",
            }
            yield day + timedelta(rng.randrange(100, 300)), "operations", {**back, "surgeon_id": "S1"}
        elif rng.random() < 0.08:
            planned = {
                "planned": "yes",
                "planned_with": operation["operation_id"],
                "planned_as": "removal",
                "planned_on": (day - timedelta(7)).isoformat(),
                "procedure_code": "KN-OUT",
                "side": side,
                "anaesthesia": "general",
                "status": "performed",
                "surgeon_id": "S2",
            }
            yield day + timedelta(rng.randrange(100, 300)), "operations", planned

    def _correct(self, site: Site, day: date) -> None:
        """A record gets a newer version: another day, the other side, another status, or it is taken back."""
        known = [
            record for record in site.records.values() if record.known_on < day and record.table != "patients"
        ]
        if not known:
            return
        record = self.rng.choice(known)
        cells = dict(record.cells)
        what = self.rng.random()
        if what < 0.2:
            cells["record_status"] = "" if cells["record_status"] else "withdrawn"
        elif what < 0.35 and cells["side"] in ("left", "right"):
            cells["side"] = "right" if cells["side"] == "left" else "left"
        elif what < 0.45 and record.table == "operations":
            cells["status"] = "cancelled" if cells["status"] == "performed" else "performed"
        elif record.table == "operations":
            cells["surgeon_id"] = f"S{self.rng.randrange(1, 5)}"
        else:
            moved = date.fromisoformat(cells[DAYS[record.table]]) - timedelta(1)
            cells[DAYS[record.table]] = moved.isoformat()
        record.cells, record.known_on, record.spoilt_until = cells, day, None
        cells["recorded_at"] = _moment(day, self.rng)

    # ------------------------------------------------------------ what people write

    def _later(self, told: str, day: date, site: Site, **cells: str) -> None:
        column = "received_on" if told == "removals" else "decided_on"
        row = {"site_id": site.name, **cells, column: day.isoformat()}
        if told == "merges":
            undone = day + timedelta(self.rng.randrange(30, 60)) if self.rng.random() < 0.15 else None
            row |= {"by": "office", "undone_on": undone.isoformat() if undone else ""}
        self.told[told].append(row)

    def review(self, site: Site, day: date) -> None:
        """Reviewers look at infections: refute some, tie those without a side to a case, add one nobody sent."""
        operations = [
            record.cells for (table, _), record in sorted(site.records.items())
            if table == "operations" and record.cells["procedure_code"] in INDEX
        ]  # fmt: skip
        if not operations:
            return
        of = {cells["patient_id"]: cells for cells in operations}
        events = [r.cells for (table, _), r in sorted(site.records.items()) if table == "events"]
        if events and self.rng.random() < 0.8:
            event = self.rng.choice(events[-12:])
            operation = of.get(event["patient_id"].removesuffix("B"))
            if operation is None:
                return
            side = event["side"] or ("left" if operation["side"] == "bilateral" else operation["side"])
            case = f"{site.name}.{operation['operation_id']}.{side[0].upper()}"
            if event["side"]:
                self._decided(case, self.rng.choice(("yes", "no", "no")), day)
            else:
                self.told["links"].append(
                    {"site_id": site.name, "table": "events", "record_id": event["event_id"], "case_id": case,
                     "reviewer": "R1", "decided_on": day.isoformat(), "reason": "seen in the notes"}
                )  # fmt: skip
        else:
            operation = self.rng.choice(operations[-60:])
            side = "left" if operation["side"] == "bilateral" else operation["side"]
            self._decided(f"{site.name}.{operation['operation_id']}.{side[0].upper()}", "yes", day)

    def _decided(self, case: str, counts: str, day: date) -> None:
        self.told["decisions"].append(
            {"case_id": case, "category": "infection", "counts": counts, "reviewer": "R1", "decided_on": day.isoformat(),
             "occurred_on": ""}
        )  # fmt: skip

    def known(self, kind: str, day: date) -> list[Cells]:
        """Rows of people's tables in force on a day."""
        column = "received_on" if kind == "removals" else "decided_on"
        return [
            row for row in self.told[kind]
            if row[column] <= day.isoformat() and not ("" < row.get("undone_on", "") <= day.isoformat())
        ]  # fmt: skip

    def write_told(self, day: date) -> None:
        """The files people keep, with what they know by a day; a row is only ever added, or closed."""
        for kind, rows in self.told.items():
            column = "received_on" if kind == "removals" else "decided_on"
            shown = sorted(
                (dict(row) for row in rows if row[column] <= day.isoformat()), key=lambda row: row[column]
            )
            for row in shown:
                if row.get("undone_on", "") > day.isoformat():
                    row["undone_on"] = ""
            if shown:
                path = self.workspace / kind / "office.csv"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(as_csv(tuple(shown[0]), shown))

    # ------------------------------------------------------------ what is sent

    def export(self, site: Site, day: date) -> list[Sent]:
        """What arrives of a site in the first hour of a day, if anything; all that was written down before it."""
        if day < site.first_export or any(begin <= day < end for begin, end in site.silent):
            return []
        begins = site.exported == date.min
        if not begins and self.rng.random() > site.chance:
            return []
        files = list(self._files(site, day, begins))
        site.exported = day
        files += self._again(site, day, {sent.table for sent in files})
        for sent in files:
            path = self.workspace / sent.path
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(sent.content)
        self.received += files
        return files

    def _files(self, site: Site, day: date, begins: bool) -> Iterator[Sent]:
        for table in COLUMNS:
            records = [
                record for (name, _), record in sorted(site.records.items())
                if name == table and record.known_on < day
                and (site.sends == "everything" or record.known_on >= site.exported or _mended(record, site.exported, day))
            ]  # fmt: skip
            if site.sends == "everything" and not records:
                continue
            rows = [record.cells for record in records]
            spoilt = [n for n, each in enumerate(records) if each.spoilt_until and each.spoilt_until > day]
            fault = "" if begins else self._fault(site, table, len(rows))
            sent = self._sent(site, day, f"{table}.csv", table, rows, frozenset(spoilt), fault)
            if fault in ("truncated", "names"):
                whole = self._sent(site, day, f"{table}.csv", table, rows, frozenset(spoilt), "")
                site.resend.append((day + timedelta(self.rng.randrange(2, 12)), whole))
            elif site.sends == "changes" and rows and self.rng.random() < 0.04:
                site.resend.append((day + timedelta(self.rng.randrange(1, 15)), sent))
            yield sent

    def _fault(self, site: Site, table: str, rows: int) -> str:
        chance = self.rng.random() / self.faults
        if rows >= 4 and chance < 0.012:
            return "truncated"
        if rows >= 12 and table in ("operations", "followups") and chance < 0.02:
            return "names"
        if site.sends == "everything" and rows >= 20 and chance < 0.05:
            return "few"
        if (
            site.sends == "changes"
            and table == "operations"
            and rows
            and chance < 0.03
            and site.name not in self.mapped
        ):
            return "unmapped"
        return ""

    def _again(self, site: Site, day: date, now: set[str]) -> Iterator[Sent]:
        """Files of before that are sent once more, whole, under a name of their own; not where everything is sent anew."""
        due = [sent for when, sent in site.resend if when <= day]
        site.resend = [(when, sent) for when, sent in site.resend if when > day]
        for number, sent in enumerate(due if site.sends == "changes" else []):
            yield Sent(
                site.name,
                day,
                f"{sent.table}_again_{number}.csv",
                sent.table,
                sent.rows,
                sent.spoilt,
                "",
                sent.content,
            )

    def _sent(
        self,
        site: Site,
        day: date,
        name: str,
        table: str,
        rows: list[Cells],
        spoilt: frozenset[int],
        fault: str,
    ) -> Sent:
        rows = [dict(row) for row in rows]
        if fault == "few":
            rows, spoilt = rows[: len(rows) // 2], frozenset(n for n in spoilt if n < len(rows) // 2)
        if fault == "unmapped":
            name = "theatre_log.csv"
        shown = [
            dict(row, **dict([SPOILT[table]])) if n in spoilt else dict(row) for n, row in enumerate(rows)
        ]
        columns = COLUMNS[table]
        if fault == "names":
            columns = (*columns, "patient_name")
            for number, row in enumerate(shown):
                row["patient_name"] = f"{NAMES[1]} {NAMES[0]}{chr(97 + number % 26)}"
        content = as_csv(columns, shown)
        if fault == "truncated":
            start = content.rstrip(b"\n").rfind(b"\n") + 1
            content = content[: content.find(b",", start) + 4]
        return Sent(site.name, day, name, table, tuple(rows), spoilt, fault, content)


def who_of(table: str, who: Cells) -> Cells:
    """Age and sex, where a table has them."""
    return who if table == "operations" else {}


def _mended(record: Record, since: date, day: date) -> bool:
    """The sender has put a spoilt cell right since the last export."""
    return record.spoilt_until is not None and since < record.spoilt_until <= day


def as_csv(columns: tuple[str, ...], rows: list[Cells]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()

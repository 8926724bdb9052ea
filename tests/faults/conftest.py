"""A small clean hospital that a test spoils in one place, and a count of its own of what was sent.

Nothing here asks the program what a file holds: records are counted with the csv module and openpyxl.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

RECEIPT = "2026-11-02"
ROWS = 60  # one row held back of 60 is within the tolerance of 2 %
FATES = (
    "accepted", "quarantined", "superseded", "duplicate", "withdrawn",
    "non_data", "not_selected", "refused", "removed",
)  # fmt: skip
IDS = {
    "operations": "operation_id",
    "events": "event_id",
    "followups": "followup_id",
    "measurements": "measurement_id",
    "patients": "patient_id",
    "surgeons": "surgeon_id",
}
SETTINGS = 'contract = 1\n\n[sites.harbour]\nname = "Harbour Hospital"\nsends = "changes"\n'
CATALOGUE = "".join(
    f'[procedures.{key}]\ncodes.local = ["{code}"]\n\n'
    for key, code in (
        ("ligament_reconstruction", "KN-LIG"),
        ("tubercle_transfer", "KN-TUB"),
        ("clavicle_plate", "CL-PLATE"),
        ("implant_removal", "KN-OUT"),
    )
)
Row = dict[str, str]


def day(number: int, after: int = 0) -> str:
    """The day of the operation of a row, or some days after it."""
    return (date(2025, 1, 6) + timedelta(days=number + after)).isoformat()


def clean_rows() -> dict[str, list[Row]]:
    """Sixty operations with an infection, a visit and a reading each; nothing is wrong with them."""
    sides = ["left", "right"]
    operations = [
        {"operation_id": f"O{n:03d}", "patient_id": f"P{n:03d}", "performed_on": day(n),
         "procedure_code": "KN-LIG", "side": sides[n % 2], "surgeon_id": "S1", "age_years": str(15 + n % 30),
         "sex": "female" if n % 3 else "male"}
        for n in range(1, ROWS + 1)
    ]  # fmt: skip
    events = [
        {"event_id": f"E{n:03d}", "patient_id": f"P{n:03d}", "occurred_on": day(n, 12), "code": "T81.41XA",
         "side": sides[n % 2], "joint": "knee", "instability_level": "", "note": ""}
        for n in range(1, ROWS + 1)
    ]  # fmt: skip
    followups = [
        {"followup_id": f"F{n:03d}", "patient_id": f"P{n:03d}", "seen_on": day(n, 380), "status": "seen",
         "side": sides[n % 2], "joint": "knee", "pain": "1", "note": ""}
        for n in range(1, ROWS + 1)
    ]  # fmt: skip
    measurements = [
        {"measurement_id": f"M{n:03d}", "patient_id": f"P{n:03d}", "measured_on": day(n, 380), "joint": "knee",
         "measure": "flexion", "mode": "passive", "value": "135", "unit": "deg", "side": sides[n % 2]}
        for n in range(1, ROWS + 1)
    ]  # fmt: skip
    return {"operations": operations, "events": events, "followups": followups, "measurements": measurements}


def csv_text(rows: list[Row], delimiter: str = ",", headers: dict[str, str] | None = None) -> str:
    """Rows as a CSV file, under their own names or other headers."""
    names = list(rows[0])
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    writer.writerow([(headers or {}).get(name, name) for name in names])
    writer.writerows([row.get(name, "") for name in names] for row in rows)
    return text.getvalue()


def workbook(sheets: dict[str, list[list[object]]]) -> bytes:
    """An XLSX file of these cells; None is an empty cell."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, grid in sheets.items():
        sheet = book.create_sheet(name)
        for line in grid:
            sheet.append(line)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def grid_of(rows: list[Row]) -> list[list[object]]:
    """Header and rows as cells of a sheet."""
    return [list(rows[0]), *([cell or None for cell in row.values()] for row in rows)]


def plain_text(content: bytes) -> str:
    """The bytes as text: by their mark, as UTF-8, else as Windows-1252."""
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if content.startswith(mark):
            return content.decode(encoding)
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("cp1252")


def counted_csv(content: bytes) -> int:
    """Records below the first one, blank ones included."""
    text = plain_text(content)
    opening = text.partition("\n")[0]
    delimiter = max(",;\t|", key=opening.count)
    return max(sum(1 for _ in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)) - 1, 0)


def counted_sheets(content: bytes) -> dict[str, int]:
    """Sheet → rows below the first one, down to the last that holds anything."""
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(content))
    found = {}
    for sheet in book.worksheets:
        filled = [
            at for at, row in enumerate(sheet.iter_rows(values_only=True)) if any(c is not None for c in row)
        ]
        found[sheet.title] = max(filled, default=0)
    return found


@dataclass(frozen=True)
class Outcome:
    """What a command left: the files of `check`, or of the department's part of an edition."""

    folder: Path
    exit_code: int
    said: str

    def lines(self, name: str) -> list[Row]:
        """Rows of a CSV file; none if it was not written."""
        path = self.folder / f"{name}.csv"
        if not path.exists():
            return []
        with path.open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def table(self, name: str) -> Any:
        """A Parquet table; empty text where text is missing."""
        import pandas as pd

        found = [self.folder / f"{name}.parquet", self.folder / "tables" / f"{name}.parquet"]
        frame = pd.read_parquet(next(path for path in found if path.exists()))
        texts = frame.select_dtypes(include=["object", "string"]).columns
        return frame.fillna(dict.fromkeys(texts, ""))

    def fates(self, table: str, site: str = "harbour") -> dict[str, int]:
        """Rows of a table by what became of them; only those that are not zero."""
        own = [line for line in self.lines("ledger") if line["table"] == table and line["site"] == site]
        sums = {fate: sum(int(line[fate]) for line in own) for fate in FATES}
        return {fate: number for fate, number in sums.items() if number}

    def reasons(self) -> dict[str, str]:
        """File → why it was set aside."""
        return {line["source_file"]: line["reason"] for line in self.lines("ledger") if line["reason"]}

    def rules(self, name: str = "quarantine", **where: str) -> list[str]:
        """Rules in quarantine.csv or repairs.csv, of the rows in which these columns hold these words."""
        return sorted(line["rule"] for line in self.lines(name) if _fits(line, where))

    def finding(self, rule: str, name: str = "quarantine", **where: str) -> Row:
        """The one line of a rule."""
        found = [line for line in self.lines(name) if line["rule"] == rule and _fits(line, where)]
        assert len(found) == 1, f"{len(found)} lines of {rule}: {found or self.lines(name)}"
        return found[0]

    def held(self, table: str) -> dict[str, list[str]]:
        """Record id → rules, of the rows of a table that lie in quarantined/; each has a line in quarantine.csv."""
        told: dict[tuple[str, str], list[str]] = {}
        for line in self.lines("quarantine"):
            told.setdefault((line["source_file"], line["source_line"]), []).append(line["rule"])
        kept = self.lines(f"quarantined/{table}")
        return {row[IDS[table]]: sorted(told[row["source_file"], row["source_line"]]) for row in kept}

    def logged(self, rule: str, column: str) -> dict[str, tuple[str, str]]:
        """Record id → before and after, of the repairs of a rule in a column."""
        lines = [line for line in self.lines("repairs") if (line["rule"], line["column"]) == (rule, column)]
        return {line["record_id"]: (line["before"], line["after"]) for line in lines}

    def told(self, rule: str) -> list[str]:
        """Record ids of the findings of a rule."""
        return [line["record_id"] for line in self.lines("quarantine") if line["rule"] == rule]

    def cases(self) -> set[str]:
        return set(self.table("cases")["case_id"])

    def written(self) -> dict[str, bytes]:
        """Every byte that was written, by file."""
        return {
            path.relative_to(self.folder).as_posix(): path.read_bytes()
            for path in sorted(self.folder.rglob("*"))
            if path.is_file()
        }

    def holding(self, text: str) -> list[str]:
        """Files in which the text stands."""
        return [name for name, content in self.written().items() if text.encode() in content]


def _fits(line: Row, where: Row) -> bool:
    return all(line[column] == word for column, word in where.items())


@dataclass
class Hospital:
    """A workspace to be spoiled: `tables` go out as CSV, `files` as they are, when a command is run.

    Attributes:
        place: Folder of the workspace.
        tables: Table → rows of the receipt of 2026-11-02.
        files: Path below received/ → bytes.
        counts: Path below received/ (with `#sheet`) → rows a file holds, where the plain count does not apply.
    """

    place: Path
    command: Callable[..., Any]
    tables: dict[str, list[Row]] = field(default_factory=clean_rows)
    files: dict[str, bytes] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    settings: str = SETTINGS
    catalogue: str = CATALOGUE
    mappings: dict[str, str] = field(default_factory=dict)
    people: dict[str, str] = field(default_factory=dict)

    def spoil(self, table: str, at: int = 7, **cells: str) -> Row:
        """Other cells in a row (columns are added to the table where it lacks them); the row."""
        for row in self.tables[table]:
            for column in cells:
                row.setdefault(column, "")
        self.tables[table][at].update(cells)
        return self.tables[table][at]

    def each(
        self, table: str, column: str, cells: Sequence[str], first: int = 5, **also: str
    ) -> dict[str, str]:
        """One cell of a column in each of several rows; record id → cell."""
        rows = [self.spoil(table, first + at, **{**also, column: cell}) for at, cell in enumerate(cells)]
        return {row[IDS[table]]: cell for row, cell in zip(rows, cells, strict=True)}

    def add(self, table: str, like: int = 7, **cells: str) -> Row:
        """One more row like another, with these cells changed."""
        self.tables[table].append(dict(self.tables[table][like]))
        return self.spoil(table, -1, **cells)

    def put(self, name: str, content: str | bytes, receipt: str = RECEIPT, site: str = "harbour") -> str:
        """A file as it is; its path from the workspace."""
        place = f"{site}/{receipt}/{name}"
        self.files[place] = content.encode("utf-8") if isinstance(content, str) else content
        return f"received/{place}"

    def instead(self, table: str, content: str | bytes, name: str = "") -> str:
        """A file in place of a table's own."""
        self.tables.pop(table)
        return self.put(name or f"{table}.csv", content)

    def text(self, table: str, **how: Any) -> str:
        """A table as its CSV file."""
        return csv_text(self.tables[table], **how)

    def mapping(self, text: str, site: str = "harbour") -> None:
        self.mappings[site] = "contract = 1\n" + text

    def write(self) -> None:
        ways = {"audit.toml": self.settings, "catalogue.toml": self.catalogue, **self.people}
        ways |= {f"mappings/{site}.toml": text for site, text in self.mappings.items()}
        sent = {
            f"harbour/{RECEIPT}/{name}.csv": csv_text(rows).encode()
            for name, rows in self.tables.items()
            if rows
        }
        made = {f"received/{name}": content for name, content in {**sent, **self.files}.items()}
        for name, content in {**{way: text.encode() for way, text in ways.items()}, **made}.items():
            path = self.place / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)

    def check(self, exit_code: int = 0, *options: str) -> Outcome:
        """`limbaudit check`, its exit code as expected and its ledger held against a count of our own.

        More than one row of sixty held back is beyond the tolerance: then exit code 1.
        """
        self.write()
        out = self.place.parent / f"checked-{len(list(self.place.parent.iterdir()))}"
        finished = self.command("check", self.place, "--out", out, *options)
        assert finished.exit_code == exit_code, finished.said
        return self._counted(Outcome(out, finished.exit_code, finished.said))

    def run(self, exit_code: int = 0, *options: str) -> Outcome:
        """`limbaudit run`, likewise; the outcome is the department's part of the edition."""
        self.write()
        out = self.place.parent / f"editions-{len(list(self.place.parent.iterdir()))}"
        finished = self.command("run", self.place, "--out", out, *options)
        assert finished.exit_code == exit_code, finished.said
        (edition,) = out.glob("*/draft-*")
        return self._counted(Outcome(edition / "department", finished.exit_code, finished.said))

    def one_by_one(self, table: str, column: str, cells: Sequence[str], rule: str, **also: str) -> Outcome:
        """Each of these cells holds its own row back, for this rule and no other; all else goes on."""
        return self.one_by_one_beside(table, column, cells, rule, (), **also)

    def one_by_one_beside(
        self, table: str, column: str, cells: Sequence[str], rule: str, spoiled: Sequence[str], **also: str
    ) -> Outcome:
        """The same, where other tables are spoiled too."""
        held = self.each(table, column, cells, **also)
        outcome = self.check(int(len(held) > 1))
        assert outcome.held(table) == {key: [rule] for key in held}
        assert outcome.fates(table) == {"accepted": ROWS - len(held), "quarantined": len(held)}
        for other in self.tables:
            if other not in (table, *spoiled):
                assert outcome.fates(other) == {"accepted": ROWS}, other
        return outcome

    def _counted(self, outcome: Outcome) -> Outcome:
        """Each line of the ledger adds up, and to as many rows as the file holds."""
        assert "Traceback" not in outcome.said
        ledger = outcome.lines("ledger")
        for line in ledger:
            assert int(line["rows_read"]) == sum(int(line[fate]) for fate in FATES), line
            expected = self.rows_in(line["source_file"].removeprefix("received/"))
            assert int(line["rows_read"]) == expected, (
                f"{line['source_file']}: {expected} rows were sent, {line}"
            )
        return outcome

    def rows_in(self, place: str) -> int:
        """How many rows were sent in a file or sheet."""
        if place in self.counts:
            return self.counts[place]
        name, _, sheet = place.partition("#")
        content = (self.place / "received" / name).read_bytes()
        if name.endswith(".xlsx"):
            sheets = counted_sheets(content)
            return sheets[sheet] if sheet else sum(sheets.values())
        return counted_csv(gzip.decompress(content) if name.endswith(".gz") else content)


@pytest.fixture
def hospital(tmp_path: Path, limbaudit: Callable[..., Any]) -> Hospital:
    """A clean hospital in a folder of its own."""
    return Hospital(tmp_path / "audit", limbaudit)

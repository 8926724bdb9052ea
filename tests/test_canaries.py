"""Identifiers planted everywhere in a workspace; no byte of any output may hold one of them.

The planted ones are invented; domains, numbers and addresses are reserved for examples (RFC 2606, RFC 5737, Ofcom's
numbers for drama) or cannot exist. What is shown as it is by design stands in docs/data-protection.md.
"""

from __future__ import annotations

import gzip
import io
import itertools
import zipfile
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace

import pyarrow.parquet as pq
import pytest
import xlsxwriter

from schemas.sample.faults import CANARIES

#: Kind of identifier: how it is written into a text, and the part that must not come out. `{n}` is unlike everywhere.
IN_TEXT = {
    "e-mail": ("write to leak{n}@example.org", "leak{n}@example.org"),
    "phone": ("ring +44 1632 96{n}", "1632 96{n}"),
    "phone at home": ("ring 01632 96{n}", "01632 96{n}"),
    "name": ("seen by Dr. Omber{w} today", "Omber{w}"),
    "record": ("MRN 739{n} filed", "739{n}"),
    "postcode": ("lives at QX{t} 4ZB", "QX{t} 4ZB"),
    "web": ("films at https://films.example.org/{n}", "films.example.org/{n}"),
    "plate": ("car QX{t} ZKD", "QX{t} ZKD"),
    "serial": ("serial no QZ-{n}K", "QZ-{n}K"),
    "birth": ("born on 07/11/19{t}", "07/11/19{t}"),
    "machine": ("from 203.0.113.{t}", "203.0.113.{t}"),
    "national": ("number 943-{t}-{n}", "943-{t}-{n}"),
}
#: What cannot be a pseudonym; a number can.
IN_IDS = {
    "e-mail": ("leak{n}@example.org", "leak{n}@example.org"),
    "phone": ("+44163296{n}", "163296{n}"),
    "name": ("Dr Omber{w}", "Omber{w}"),
    "web": ("https://films.example.org/{n}", "films.example.org/{n}"),
}
COLUMNS = {
    "operations": (
        ("approach", "lesion_class", "procedure_system", "diagnosis_system"),
        ("operation_id", "patient_id", "surgeon_id", "planned_with", "procedure_code", "diagnosis_code"),
        ("fixation", "concomitant_codes", "side", "sex", "anaesthesia", "reason", "bmi", "onset_on", "smoker", "recorded_at"),
    ),
    "events": (
        ("note", "code_system"),
        ("event_id", "patient_id", "operation_id", "code"),
        ("joint", "bone", "side", "occurred_on", "severity_grade"),
    ),
    "followups": (("note",), ("followup_id", "operation_id"), ("status", "pain", "returned_on", "joint")),
    "measurements": ((), ("measurement_id",), ("value", "unit", "measure", "joint", "mode")),
}  # fmt: skip
ROWS = 400


class Planter:
    """Gives out identifiers, each of its own, and remembers the part that must not come out."""

    def __init__(self) -> None:
        self.numbers = itertools.count(1)
        self.planted: list[str] = []

    def __call__(self, kind: str, kinds: dict[str, tuple[str, str]] = IN_TEXT) -> str:
        n = next(self.numbers)
        word = "".join("abcdefghij"[int(digit)] for digit in f"{n:04d}")
        written, secret = (text.format(n=f"{n:04d}", t=f"{n % 80 + 10}", w=word) for text in kinds[kind])
        self.planted.append(secret)
        return written


def good_rows(table: str) -> list[dict[str, str]]:
    """Rows without a fault, one a patient."""
    made = []
    for n in range(ROWS):
        day = date(2025, 3, 3) + timedelta(days=n % 300)
        ids = {"patient_id": f"P{n:04d}", "operation_id": f"H{n:04d}"}
        later = str(day + timedelta(days=100))
        side = "left" if n % 2 else "right"
        made.append(
            {
                "operations": {**ids, "performed_on": str(day), "procedure_code": "KN-LIG", "side": side,
                               "age_years": str(16 + n % 40), "sex": "female"},
                "events": {"event_id": f"E{n:04d}", "patient_id": ids["patient_id"], "occurred_on": later,
                           "code": "T81.41XA", "side": side, "joint": "knee", "note": f"stitch out, visit {n}"},
                "followups": {"followup_id": f"F{n:04d}", "patient_id": ids["patient_id"], "seen_on": later,
                              "status": "seen", "note": f"doing well, visit {n}"},
                "measurements": {"measurement_id": f"M{n:04d}", "patient_id": ids["patient_id"], "measured_on": later,
                                 "joint": "knee", "measure": "flexion", "mode": "passive", "value": "130", "unit": "deg"},
            }[table]
        )  # fmt: skip
    return made


def leaking_rows(table: str, plant: Planter) -> list[dict[str, str]]:
    """Good rows, many of them with one identifier in one cell, some of those held back for another reason."""
    rows = good_rows(table)
    free, ids, others = COLUMNS[table]
    cells = [(column, kind, IN_TEXT) for column in free for kind in IN_TEXT]
    cells += [(column, kind, IN_IDS) for column in ids for kind in IN_IDS]
    cells += [(column, kind, IN_TEXT) for column in others for kind in ("e-mail", "name", "phone", "record")]
    day = {
        "operations": "performed_on",
        "events": "occurred_on",
        "followups": "seen_on",
        "measurements": "measured_on",
    }
    for at, (column, kind, kinds) in enumerate(cells):
        rows[2 * at + 1][column] = plant(kind, kinds)
        if at % 3 == 0 and column != day[table]:
            rows[2 * at + 1][day[table]] = "2025-02-30"
    rows[0]["unmapped extra"] = plant("name")
    rows[2]["unmapped extra"] = plant("e-mail")
    return rows


def as_csv(rows: list[dict[str, str]], delimiter: str = ",", headers: dict[str, str] | None = None) -> str:
    names = list(dict.fromkeys(name for row in rows for name in row))
    lines = [delimiter.join((headers or {}).get(name, name) for name in names)]
    lines += [delimiter.join(f'"{row.get(name, "")}"' for name in names) for row in rows]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def leaking(tmp_path_factory: pytest.TempPathFactory, root: Path) -> SimpleNamespace:
    """A workspace full of identifiers: three hospitals, CSV with preamble, a mapped file, a workbook, refused files."""
    plant, place = Planter(), tmp_path_factory.mktemp("leaking") / "audit"
    harbour, lakeside, quarry = (
        place / "received" / site / "2026-11-02" for site in ("harbour", "lakeside", "quarry")
    )
    for folder in (harbour, lakeside, quarry, place / "mappings", place / "decisions", place / "links"):
        folder.mkdir(parents=True)
    (place / "audit.toml").write_text("contract = 1\n")
    (place / "catalogue.toml").write_text(
        (root / "tests/journeys/twelve_courses/catalogue.toml").read_text("utf-8")
    )
    for table in COLUMNS:
        rows = leaking_rows(table, plant)
        text = as_csv(rows)
        if table == "events":
            text = (
                f"Report run by {plant('name')}\n{plant('e-mail')}\n\n{text}End of report {plant('phone')}\n"
            )
        if table == "followups":
            ragged = ",".join(
                [f"F9{n}" for n in range(20)] + [plant("e-mail"), plant("name"), plant("phone")]
            )
            text += ragged + "\n"
        (harbour / f"{table}.csv").write_text(text, "utf-8")
    (harbour / "operations_cut.csv").write_text(as_csv(leaking_rows("operations", plant))[:-9], "utf-8")
    refused = [{**row, "Contact": plant("e-mail", IN_IDS)} for row in good_rows("operations")[:20]]
    (harbour / "operations_refused.csv").write_text(as_csv(refused), "utf-8")
    (harbour / "letters.csv").write_text(f"text\n{plant('name')}\n{plant('record')}\n", "utf-8")
    headers = good_rows("followups")[:30]
    odd = {"note": "note", plant("e-mail"): "", plant("name"): "x", plant("phone"): "y"}
    (harbour / "followups_headers.csv").write_bytes(
        as_csv([{**row, **odd} for row in headers]).encode("utf-16")
    )
    mapped(place, lakeside, plant)
    workbook(quarry / "followups.xlsx", plant)
    (place / "decisions" / "r1.csv").write_text(
        "case_id,category,counts,reviewer,decided_on,occurred_on,reason\n"
        f"harbour.H0002.R,infection,no,r1,2026-10-01,,{plant('name')}\n"
        f"harbour.H9999.R,infection,no,{plant('e-mail', IN_IDS)},2026-10-01,,{plant('phone')}\n",
        "utf-8",
    )
    (place / "links" / "r1.csv").write_text(
        "site_id,table,record_id,case_id,reviewer,decided_on,reason\n"
        f"harbour,events,E0004,harbour.H0004.R,r1,2026-10-01,{plant('name')}\n"
        f"harbour,events,{plant('e-mail', IN_IDS)},{plant('name', IN_IDS)},r1,2026-10-01,{plant('record')}\n",
        "utf-8",
    )
    return SimpleNamespace(place=place, planted=tuple(plant.planted))


def mapped(place: Path, folder: Path, plant: Planter) -> None:
    """A hospital with headers of its own whose mapping translates cells."""
    headers = {"operation_id": "Case No", "patient_id": "Pt", "performed_on": "Op Date", "side": "Lat"}
    columns = ", ".join(f'{name} = "{header}"' for name, header in headers.items())
    (place / "mappings" / "lakeside.toml").write_text(
        f'contract = 1\n[[table]]\ntable = "operations"\nfile = "theatre*.csv"\ncolumns = {{ {columns} }}\n'
        'values.side = { R = "right", L = "left" }\n',
        "utf-8",
    )
    rows = leaking_rows("operations", plant)
    for row in rows:
        row["side"] = {"right": "R", "left": "L"}.get(row["side"], row["side"])
    (folder / "theatre.csv").write_text(as_csv(rows, ";", headers), "utf-8")


def workbook(path: Path, plant: Planter) -> None:
    rows = leaking_rows("followups", plant)
    names = list(dict.fromkeys(name for row in rows for name in row))
    book = xlsxwriter.Workbook(str(path), {"strings_to_urls": False, "strings_to_formulas": False})
    sheet = book.add_worksheet("followups")
    sheet.write_row(0, 0, [plant("name")])
    sheet.write_row(2, 0, names)
    for at, row in enumerate(rows):
        sheet.write_row(3 + at, 0, [row.get(name, "") for name in names])
    book.close()


def outputs(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Every file below a folder by name, packed ones unpacked, Parquet also as text; names of files too."""
    for path in sorted(each for each in folder.rglob("*") if each.is_file()):
        name, content = path.relative_to(folder).as_posix(), path.read_bytes()
        yield name, content
        yield name, name.encode()
        if path.suffix in {".xlsx", ".zip"}:
            packed = zipfile.ZipFile(io.BytesIO(content))
            yield from ((f"{name}!{part}", packed.read(part)) for part in packed.namelist())
        if path.suffix == ".gz":
            yield name, gzip.decompress(content)
        if path.suffix == ".parquet":
            table = pq.read_table(path)
            yield name, repr(table.to_pylist()).encode()
            yield name, repr(table.schema.metadata).encode()


def found_in(named: Iterator[tuple[str, bytes]], planted: tuple[str, ...]) -> list[tuple[str, str]]:
    """(file, identifier) of each one found, as UTF-8 or UTF-16."""
    found = []
    for name, content in named:
        lowered = content.lower()
        found += [
            (name, secret)
            for secret in planted
            if secret.lower().encode() in lowered or secret.lower().encode("utf-16-le") in lowered
        ]
    return found


def own_rules(name: str) -> bool:
    """Copies of settings, catalogue and mappings, which the department writes itself."""
    return "/as_used/" in name


def test_no_output_of_check_holds_an_identifier(leaking, limbaudit, tmp_path):
    said = limbaudit("check", leaking.place, "--out", tmp_path / "checked")
    assert said.exit_code == 1
    assert len(list((tmp_path / "checked").rglob("*.csv"))) > 5
    ledger = (tmp_path / "checked" / "ledger.csv").read_text("utf-8").splitlines()
    reasons = {line.rpartition(",")[2] for line in ledger}
    assert {"identifiers_in_columns", "file_truncated", "file_unmapped"} <= reasons
    told = iter([("what was said", said.said.encode())])
    assert found_in(itertools.chain(outputs(tmp_path / "checked"), told), leaking.planted) == []


def test_no_output_of_run_or_trace_holds_an_identifier(leaking, limbaudit, audit, tmp_path):
    edition = audit(leaking.place, tmp_path / "editions", expected_exit=None)
    cases = edition.table("cases")["case_id"].tolist()
    assert len(cases) > 500
    stories = [limbaudit("trace", leaking.place, case, "--out", tmp_path / "editions") for case in cases[:12]]
    told = [("what was said", edition.finished.said.encode())]
    told += [("trace", story.said.encode()) for story in stories]
    assert all("The operation" in story.said for story in stories)
    named = (each for each in outputs(tmp_path / "editions") if not own_rules(each[0]))
    assert found_in(itertools.chain(named, told), leaking.planted) == []


def test_no_list_for_a_reviewer_holds_an_identifier(leaking, limbaudit, audit, tmp_path):
    """Every question and two hundred cases drawn, with their records as sent."""
    audit(leaking.place, tmp_path / "editions", expected_exit=None)
    places = ("--editions", tmp_path / "editions", "--out", tmp_path / "lists")
    done = limbaudit("review", leaking.place, "--reviewer", "r2", "--sample", 200, *places)
    assert done.exit_code == 0, done.said
    written = [*outputs(tmp_path / "lists"), ("what was said", done.said.encode())]
    assert sum(content.count(b"received/") for _, content in written) > 50
    assert found_in(iter(written), leaking.planted) == []


def test_every_identifier_masked_in_free_text_is_counted(leaking, limbaudit, tmp_path):
    limbaudit("check", leaking.place, "--out", tmp_path)
    with (tmp_path / "quarantine.csv").open(encoding="utf-8") as file:
        counted = sum(",identifier_masked," in line for line in file)
    assert counted >= 12 * 8


def test_no_output_of_the_demo_holds_one_of_its_identifiers(demo, sample_exports):
    received = b"".join(path.read_bytes() for path in sorted(sample_exports.glob("received/*/*/*.csv")))
    assert [secret for secret in CANARIES if secret.encode() not in received] == []
    assert found_in(outputs(demo.edition.parent), CANARIES) == []

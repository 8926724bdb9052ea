"""`limbaudit map`: the draft of a new site's mapping.

The third and second hospital of the demo are mapped anew; the lines a person finishes by hand stand here. All other
files are invented for these tests. What is expected follows from how they were made.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

#: Lines a person finishes in the draft of Millfield: the question, and the line it becomes.
FINISHED = {
    "values.operated_by": 'values.operated_by = { C = "responsible_surgeon", "T+C" = "trainee_with_surgeon", '
    'T = "trainee_alone" }',
    "values.mode": 'values.mode = { examiner = "passive", self = "active" }',
    "constants = { unit": 'constants = { unit = "deg" }',
    "constants = { mode": 'constants = { mode = "none", unit = "points" }',
}
STATUS = {
    "DONE": 'values.status = { DONE = "performed", BKD = "booked", CAN = "cancelled", ABD = "abandoned" }',
    "DNA": 'values.status = { attended = "seen", phone = "remote", DNA = "did_not_attend" }',
}
MOST_LINES_BY_HAND = 10


def finished(draft: str) -> tuple[str, int]:
    """The draft with its questions answered, and how many lines that took."""
    lines, changed = [], 0
    for line in draft.splitlines():
        answer = next((text for start, text in FINISHED.items() if line.startswith(f"# ? {start}")), "")
        if line.startswith("# ? values.status"):
            answer = next(text for word, text in STATUS.items() if f'"{word}"' in line)
        changed += bool(answer)
        lines.append(answer or line)
    return "\n".join(lines) + "\n", changed


@pytest.fixture(scope="module")
def mapped_anew(
    sample_exports: Path, tmp_path_factory: pytest.TempPathFactory, limbaudit: Callable[..., Any]
) -> tuple[Path, int]:
    """The demo with the mappings of its second and third hospital deleted and made again; lines changed by hand."""
    workspace = tmp_path_factory.mktemp("mapped") / "demo"
    shutil.copytree(sample_exports, workspace)
    changed = 0
    for site in ("millfield", "northgate"):
        path = workspace / "mappings" / f"{site}.toml"
        path.unlink()
        told = limbaudit("map", workspace, site, "--out", path)
        assert told.exit_code == 0, told.err
        text, by_hand = finished(path.read_text("utf-8"))
        path.write_text(text, encoding="utf-8")
        changed += by_hand
    return workspace, changed


def test_at_most_ten_lines_are_finished_by_hand(mapped_anew: tuple[Path, int]) -> None:
    assert 0 < mapped_anew[1] <= MOST_LINES_BY_HAND


def test_the_demo_counts_the_same_with_the_new_mappings(
    mapped_anew: tuple[Path, int], demo: Any, audit: Callable[..., Any], tmp_path: Path
) -> None:
    import pandas as pd

    anew = audit(mapped_anew[0], tmp_path, expected_exit=None)
    assert anew.finished.exit_code == demo.finished.exit_code
    ledgers = [one.csv("ledger") for one in (demo, anew)]
    pd.testing.assert_frame_equal(*ledgers)
    pd.testing.assert_frame_equal(demo.table("rates"), anew.table("rates"))
    assert (ledgers[0]["accepted"].astype(int) > 0).sum() > 10


def received(workspace: Path, name: str, content: str | bytes, site: str = "lakeside") -> None:
    """A file of a site that has no mapping."""
    place = workspace / "received" / site / "2026-11-02" / name
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(content.encode() if isinstance(content, str) else content)
    (workspace / "audit.toml").write_text("contract = 1\n", encoding="utf-8")


def loaded(draft: str, folder: Path) -> Any:
    """The mapping that the program reads from a draft."""
    from pipeline.intake import load_mapping

    path = folder / "lakeside.toml"
    path.write_text(draft, encoding="utf-8")
    return load_mapping(path)


@pytest.fixture
def draft(limbaudit: Callable[..., Any], tmp_path: Path) -> Callable[[], str]:
    """The printed draft of lakeside, after a look that it can be loaded."""

    def made() -> str:
        told = limbaudit("map", tmp_path, "lakeside")
        assert told.exit_code == 0, told.err
        loaded(told.out, tmp_path)
        return str(told.out)

    return made


def register(days: list[str], **more: str) -> str:
    """A list of operations in German, one row a day."""
    further = "".join(f";{name}" for name in more)
    rows = [
        f"F{n:03};P{n % 7:02};{day};KN{n % 3};{('links', 'rechts')[n % 2]};{20 + n};{'wm'[n % 2]};2;OA{n % 2}"
        + "".join(f";{cell}" for cell in more.values())
        for n, day in enumerate(days)
    ]
    head = (
        f"Fallnummer;Patienten-ID;OP-Datum;Eingriffsart;Seite;Alter;Geschlecht;ASA-Klasse;Operateur{further}"
    )
    return "\n".join([head, *rows]) + "\n"


EARLY = [f"{n % 12 + 1:02}.{(5 * n) % 12 + 1:02}.2025" for n in range(24)]


def test_german_headers_are_placed_and_sides_are_asked(draft: Callable[[], str], tmp_path: Path) -> None:
    received(tmp_path, "OP-Buch_2026-10.csv", register([*EARLY, "23.04.2025"]))
    text = draft()
    mapping = loaded(text, tmp_path)
    (table,) = mapping.tables
    assert (table.table, table.file) == ("operations", "OP-Buch*.csv")
    assert {name: header for name, (header,) in table.columns.items()} == {
        "operation_id": "Fallnummer",
        "patient_id": "Patienten-ID",
        "performed_on": "OP-Datum",
        "procedure_code": "Eingriffsart",
        "side": "Seite",
        "surgeon_id": "Operateur",
        "age_years": "Alter",
        "sex": "Geschlecht",
        "asa_class": "ASA-Klasse",
    }
    assert (mapping.reading.date_order, mapping.delimiter) == ("DMY", ";")
    assert 'date_order = "DMY"  # OP-Buch_2026-10.csv, line 26: a day above 12' in text
    asked = next(line for line in text.splitlines() if line.startswith("# ? values.side"))
    assert '"links" = ""' in asked
    assert '"rechts" = ""' in asked


def test_no_order_of_days_without_a_day_above_twelve(draft: Callable[[], str], tmp_path: Path) -> None:
    received(tmp_path, "OP-Buch.csv", register(EARLY))
    text = draft()
    assert loaded(text, tmp_path).reading.date_order == ""
    assert '# ? date_order = "DMY" or "MDY": no day above 12 in 24 dates' in text


def test_days_above_twelve_in_both_places_are_a_question(draft: Callable[[], str], tmp_path: Path) -> None:
    received(tmp_path, "OP-Buch.csv", register([*EARLY, "23.04.2025", "04.23.2025"]))
    text = draft()
    assert loaded(text, tmp_path).reading.date_order == ""
    assert "OP-Buch.csv line 26 and OP-Buch.csv line 27" in text


def test_two_headers_that_fit_alike_are_a_question(draft: Callable[[], str], tmp_path: Path) -> None:
    rows = "".join(
        f"{n},P{n % 5},2025-01-{n + 1:02},2025-02-{n + 1:02},KN1,left,30,female\n" for n in range(20)
    )
    received(tmp_path, "theatre.csv", "case no,pt,op date,surgery date,procedure,side,age,sex\n" + rows)
    text = draft()
    assert 'columns.performed_on = "op date" or "surgery date": fit equally well' in text
    assert "performed_on" not in loaded(text, tmp_path).tables[0].columns


def test_headers_that_changed_become_alternatives(draft: Callable[[], str], tmp_path: Path) -> None:
    rows = "".join(f"{n},P{n % 5},2025-01-{n + 1:02},KN1,left,30,female\n" for n in range(20))
    received(tmp_path, "theatre_2025.csv", "case no,pt,op date,procedure,side,age,sex\n" + rows)
    received(tmp_path, "theatre_2026.csv", "case no,pt,surgery date,procedure,side,age,sex\n" + rows)
    (table,) = loaded(draft(), tmp_path).tables
    assert table.file == "theatre*.csv"
    assert sorted(table.columns["performed_on"]) == ["op date", "surgery date"]


def test_a_wide_file_is_turned(draft: Callable[[], str], tmp_path: Path) -> None:
    rows = "".join(f"M{n},P{n % 5},2025-03-{n + 1:02},{90 + n},{n % 4},{100 + n}\n" for n in range(20))
    received(tmp_path, "rom_export.csv", "reading_no,ptId,dateMeasured,kneeFlexion,ext_deficit,FF\n" + rows)
    text = draft()
    (table,) = loaded(text, tmp_path).tables
    assert table.unpivot.of == {
        "kneeFlexion": "flexion",
        "ext_deficit": "extension_deficit",
        "FF": "forward_flexion",
    }
    assert '# ? constants = { joint = "", mode = "", unit = "deg" }' in text


def test_long_files_are_looked_at_in_part(draft: Callable[[], str], tmp_path: Path) -> None:
    rows = "".join(f"{n},P{n % 500},2025-01-{n % 28 + 1:02},KN1,left,30,female\n" for n in range(20_500))
    received(tmp_path, "theatre.csv", "case no,pt,op date,procedure,side,age,sex\n" + rows)
    text = draft()
    assert "# theatre*.csv: 1 received, 20500 rows (20000 of them looked at), 7 columns" in text
    assert "20000 of 20000 filled cells are days" in text


def test_files_in_the_form_of_the_contract_need_nothing(draft: Callable[[], str], tmp_path: Path) -> None:
    rows = "".join(f"o{n},P{n % 5},2025-01-{n + 1:02},KN1,left,30,female\n" for n in range(20))
    head = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex\n"
    received(tmp_path, "operations_november.csv", head + rows)
    text = draft()
    assert loaded(text, tmp_path).tables == ()
    assert "no [[table]] is needed" in text


PEOPLE = ("Murphy", "Okafor", "Kelly", "Wolf", "Lee")


def test_nobody_is_shown(draft: Callable[[], str], tmp_path: Path) -> None:
    """Names, numbers of patients and sentences stay where they are, in whatever column they stand."""
    head = "case no,pt,op date,procedure,side,age,sex,consultant,operator,status,team,remarks,patient name,Phone\n"
    rows = "".join(
        f"CS-{4000 + n},PX-{7000 + n},2025-01-{n + 1:02},KN1,left,30,female,{who},{who},"
        f"{'DONE' if n else 'Kelly'},{who},{who} rang about the left knee today,{who} Ann,087 555 12{n:02}\n"
        for n, who in enumerate(PEOPLE * 4)
    )
    received(tmp_path, "theatre.csv", head + rows)
    received(tmp_path, "names.csv", "".join(f"{who},Ann,left,{n}\n" for n, who in enumerate(PEOPLE)))
    received(tmp_path, "more.csv", "".join(f"{who},Ann,Dublin,W{n}\n" for n, who in enumerate(PEOPLE)))
    text = draft()
    assert {
        word for word in (*PEOPLE, "Ann", "Dublin", "CS-4", "PX-7", "rang about", "087") if word in text
    } == set()
    assert '"DONE"' in text
    assert 'Take out at the source: "patient name"' in text
    assert 'Take out at the source: "Phone"' in text
    assert "surgeon_id: most cells are words without a digit" in text


@pytest.mark.parametrize(
    "content",
    [b"", b"\n\n", b"a,b\n", b"x\n1\n", b"PAR1", b"PK\x03\x04", b'a,b\n"1,2\n', b"a,b\n1\n1,2,3\n", b"a,a,b\n1,2,3\n",
     b"\xff\xfea\x00,\x00", b"a\x00b,c\n1,2\n", bytes(range(256)) * 4, b"a,b\n" + b"9" * 70_000 + b",1\n"],
    ids=range(13),
)  # fmt: skip
@pytest.mark.parametrize("name", ["ops.csv", "ops.xlsx", "ops.parquet", "ops.csv.gz", 'o[p]s \u00e9".txt'])
def test_damaged_files_never_stop_it(
    draft: Callable[[], str], tmp_path: Path, content: bytes, name: str
) -> None:
    received(tmp_path, name, content)
    assert draft().splitlines()[2] == "contract = 1"


@pytest.mark.parametrize(
    "header", ['a"b', "a\\b", "a'b", "tab\\t", "ünï", "x" * 59, "# no", "[table]", "a = 1"]
)
def test_odd_headers_are_quoted(draft: Callable[[], str], tmp_path: Path, header: str) -> None:
    rows = "".join(f"{n};P{n % 5};2025-01-{n + 1:02};KN1;left;30;female;{n}\n" for n in range(20))
    quoted = '"' + header.replace('"', '""') + '"'
    received(tmp_path, "theatre.csv", f"case no;pt;op date;procedure;side;age;sex;{quoted}\n" + rows)
    text = draft()
    assert tomllib.loads(text)["table"][0]["table"] == "operations"
    assert len(loaded(text, tmp_path).tables[0].columns) >= 7


def test_it_writes_only_what_is_not_there(limbaudit: Callable[..., Any], tmp_path: Path) -> None:
    received(tmp_path, "OP-Buch.csv", register(EARLY))
    out = tmp_path / "mappings" / "lakeside.toml"
    out.parent.mkdir()
    first = limbaudit("map", tmp_path, "lakeside", "--out", out)
    assert (first.exit_code, out.exists()) == (0, True)
    assert "`limbaudit check" in first.err
    written = out.read_bytes()
    again = limbaudit("map", tmp_path, "lakeside", "--out", out)
    assert (again.exit_code, out.read_bytes()) == (2, written)
    assert "never overwritten" in again.said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["audit.toml", "mappings", "received"]


@pytest.mark.parametrize(
    ("site", "told"),
    [("lakesid", "Did you mean `lakeside`?"), ("..", "does not exist"), ("empty", "holds no file")],
)
def test_wrong_use_is_told(limbaudit: Callable[..., Any], tmp_path: Path, site: str, told: str) -> None:
    received(tmp_path, "OP-Buch.csv", register(EARLY))
    (tmp_path / "received" / "empty").mkdir()
    ended = limbaudit("map", tmp_path, site)
    assert ended.exit_code == 2
    assert told in ended.said

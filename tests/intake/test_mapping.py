"""The mapping's grammar: what is understood, and what each mistake is told."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import WrongUse
from pipeline.handover import Reading
from pipeline.intake import load_mapping
from pipeline.intake.mapping import ShiftedDate, Unpivot


def written(folder: Path, text: str) -> Path:
    path = folder / "mappings" / "harbour.toml"
    path.parent.mkdir()
    path.write_text(text, encoding="utf-8")
    return path


def test_everything_a_mapping_may_say(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        """
contract = 1
date_order = "DMY"
decimal = ","
timezone = "Europe/Dublin"
encoding = "Windows-1252"
[[table]]
table = "operations"
file = "theatre_log*.xlsx"
received_from = 2026-11-01
sheet = "Log"
header_row = 4
excel_base = 1904
year_pivot = 30
id_scope = "year"
delimiter = "tab"
columns = { operation_id = ["Case No", "CaseNumber"], patient_id = "Pt" }
values.side = { R = "right" }
missing.asa_class = ["9", "UNK"]
constants = { sex = "unknown", performed_on = 2026-10-01, planned = true, age_years = 20 }
where = { Status = ["DONE"], Ward = "A" }
[[table]]
table = "events"
file = "recurrences.csv"
date_order = "MDY"
id_from = ["id", "enum"]
dates.occurred_on = { from = "random", plus_days = "tstop" }
site_from = "center"
[[table]]
table = "measurements"
file = "motion*.csv"
unpivot = { column = "measure", value = "value", of = { "FF" = "forward_flexion" } }
""",
    )
    operations, events, measurements = load_mapping(path).tables
    assert operations.columns == {"operation_id": ("Case No", "CaseNumber"), "patient_id": ("Pt",)}
    assert operations.constants == {
        "sex": "unknown",
        "performed_on": "2026-10-01",
        "planned": "yes",
        "age_years": "20",
    }
    assert operations.where == {"Status": ("DONE",), "Ward": ("A",)}
    assert (operations.sheet, operations.header_row, operations.delimiter) == ("Log", 4, "\t")
    assert operations.encoding == "cp1252"
    assert operations.reading == Reading(
        "DMY", ",", "Europe/Dublin", 1904, 30, "year", {"asa_class": ("9", "UNK")}
    )
    assert (events.id_from, events.site_from) == (("id", "enum"), "center")
    assert events.dates == {"occurred_on": ShiftedDate("random", "tstop")}
    assert events.reading == Reading("MDY", ",", "Europe/Dublin")
    assert measurements.unpivot == Unpivot("measure", "value", {"FF": "forward_flexion"})


def test_no_mapping_is_an_empty_one(tmp_path: Path) -> None:
    mapping = load_mapping(tmp_path / "mappings" / "harbour.toml")
    assert (mapping.named, mapping.tables) == ("mappings/harbour.toml", ())


TABLE = '[[table]]\ntable = "operations"\nfile = "x.csv"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "has no `contract`"),
        ("contract = 2\n", "line 1: `contract` is 2"),
        ("contract = 1\ndate_ordr = 'DMY'\n", "line 2: unknown key `date_ordr`. Did you mean `date_order`?"),
        ("contract = 1\ndate_order = 'dmy'\n", "`date_order` is \"dmy\"; expected one of DMY"),
        ("contract = 1\n[[table]]\nfile = 'x'\n", "has no `table`"),
        ("contract = 1\n[[table]]\ntable = 'operation'\nfile = 'x'\n", "Did you mean `operations`?"),
        (f"contract = 1\n{TABLE}columns = {{ sid = 'S' }}\n", "`sid` is no column of operations. Did you mean `side`?"),
        (f"contract = 1\n{TABLE}values.sid = {{ R = 'right' }}\n", "line 5: `sid` is no column"),
        (f"contract = 1\n{TABLE}missing.sid = ['9']\n", "`sid` is no column"),
        (f"contract = 1\n{TABLE}constants = {{ sid = 'S' }}\n", "`sid` is no column"),
        (f"contract = 1\n{TABLE}dates.sid = {{ from = 'a', plus_days = 'b' }}\n", "`sid` is no column"),
        (f"contract = 1\n{TABLE}dates.onset_on = {{ from = 'a' }}\n", "has no `plus_days`"),
        (f"contract = 1\n{TABLE}wher = {{ a = 'b' }}\n", "unknown key `table.wher`. Did you mean `where`?"),
        (f"contract = 1\n{TABLE}excel_base = 1899\n", "expected 1900 or 1904"),
        (f"contract = 1\n{TABLE}encoding = 'utf-9'\n", "expected an encoding"),
        (f"contract = 1\n{TABLE}delimiter = '::'\n", "expected one character"),
        ("contract = 1\ntimezone = 'Mars/Olympus'\n", "expected a time zone"),
        (
            f"contract = 1\n{TABLE}columns = {{ sex = 'S' }}\nconstants = {{ sex = 'male' }}\n",
            "`sex` is given under both `columns` and `constants`",
        ),
    ],
)  # fmt: skip
def test_mistakes_are_told(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(WrongUse) as caught:
        load_mapping(written(tmp_path, text))
    assert told in str(caught.value)
    assert "harbour.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "day", "claimed"),
    [
        ("theatre_1.csv", date(2026, 11, 1), True),
        ("Theatre_1.CSV", date(2026, 11, 30), True),
        ("theatre_1.csv.gz", date(2026, 11, 1), True),
        ("theatre_1.csv", date(2026, 10, 31), False),
        ("theatre_1.csv", date(2026, 12, 1), False),
        ("my_theatre_1.csv", date(2026, 11, 1), False),
    ],
)
def test_claims(tmp_path: Path, name: str, day: date, claimed: bool) -> None:
    text = 'contract = 1\n[[table]]\ntable = "events"\nfile = "theatre*.csv"\n'
    text += "received_from = 2026-11-01\nreceived_until = 2026-11-30\n"
    assert bool(load_mapping(written(tmp_path, text)).claiming(name, day)) is claimed

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
columns = { operation_id = ["Case No", "CaseNumber"], patient_id = "Pt" }
values.side = { R = "right" }
missing.asa_class = ["9", "UNK"]
constants = { sex = "unknown", performed_on = 2026-10-01, planned = true, age_years = 20 }
where = { Status = ["DONE"], Ward = "A" }
[[table]]
table = "events"
file = "recurrences.csv"
delimiter = "tab"
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
    assert (operations.sheet, operations.header_row, events.delimiter) == ("Log", 4, "\t")
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


EVENTS = '[[table]]\ntable = "events"\nfile = "x.csv"\n'
MOTION = '[[table]]\ntable = "measurements"\nfile = "x.csv"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (TABLE + "values.side = { X = 'lft' }", "line 5: `table.values.side.X` is \"lft\"; expected one of left, right, "
         "bilateral, none. Did you mean `left`?"),
        (TABLE + "values.planned = { X = 'true' }", "expected yes or no"),
        (TABLE + "values.age_years = { X = '111' }", "expected a whole number from 0 to 90"),
        (TABLE + "values.bmi = { X = 'high' }", "expected a number from 10 to 80"),
        (TABLE + "values.planned_on = { X = '03/04/2025' }", "expected a day such as 2026-10-31"),
        (TABLE + "values.sex = { X = 'male', ' X ' = 'female' }", "expected every word once"),
        (TABLE + "site_from = 'c'\nvalues.site_id = { X = 'North Ward' }", "expected a site id"),
        (TABLE + "values.site_id = { X = 'north' }", "`site_from`"),
        (TABLE + "constants = { sex = 'femal' }", "Did you mean `female`?"),
        (TABLE + "constants = { sex = '' }", "expected a word for every row"),
        (TABLE + "constants = { patient_id = 'p1' }", "an id cannot be the same in every row"),
        (TABLE + "constants = { performed_on = 'yesterday' }", "expected a day such as"),
        (TABLE + "constants = { sex = 'male' }\nvalues.sex = { M = 'male' }", "no word to translate"),
        (TABLE + "values.sex = { U = 'unknown' }\nmissing.sex = ['U']", "under both `values.sex` and `missing.sex`"),
        (TABLE + "received_from = 2026-02-01\nreceived_until = 2026-01-01", "line 5: `table.received_from` is 2026-02-01"),
        (TABLE + "columns = { sex = [] }", "expected at least one text"),
        (TABLE + "columns = { sex = ' ' }", "expected at least one text"),
        (TABLE + "columns = { sex = ['Sex', 'Sex '] }", "expected every text once"),
        (TABLE + "missing.sex = []", "expected at least one text"),
        (TABLE + "where = { State = [] }", "expected at least one text"),
        (TABLE + "where = { State = 'a', STATE = 'b' }", "expected every header once"),
        (EVENTS + "id_from = []", "expected at least one text"),
        (EVENTS + "id_from = ['a', 'a']", "expected every text once"),
        (EVENTS + "dates.code = { from = 'a', plus_days = 'b' }", "`code` holds no day"),
        (EVENTS + "dates.occurred_on = { from = '', plus_days = 'b' }", "expected a header of the file"),
        (EVENTS + "dates.occurred_on = { from = 'a', plus_days = 'A' }", "from one header"),
        (TABLE.replace("x.csv", "in/x.csv"), "expected a name without folders"),
        (TABLE.replace("x.csv", "in\\\\x.csv"), "expected a name without folders"),
        (TABLE.replace("x.csv", ".."), "expected a name without folders"),
        (TABLE.replace("x.csv", ""), "expected the name of a file"),
        (TABLE.replace("x.csv", ".x.csv"), "expected a name that is read"),
        (TABLE.replace("x.csv", "x.xls"), "expected an ending this program reads"),
        (TABLE + "sheet = 'A'", "only a workbook has one"),
        (TABLE.replace("x.csv", "x.xlsx") + "encoding = 'cp1252'", "only a text file has one"),
        (TABLE + "encoding = 'undefined'", "expected an encoding"),
        (TABLE + "encoding = 'rot13'", "expected an encoding"),
        (TABLE + "header_row = 0", "expected a whole number of at least 1"),
        (TABLE + "year_pivot = 100", "expected a whole number between 0 and 99"),
        (TABLE + "decimal = ';'", "expected one of"),
        (TABLE + "id_scope = 'month'", "expected one of year"),
        ("[[table]]\ntable = 'patients'\nfile = 'p.csv'\nid_scope = 'year'\n", "have no day"),
        (MOTION + "unpivot = { column = 'measure', value = 'value', of = {} }", "headers and the word of each"),
        (MOTION + "unpivot = { column = 'measure', value = 'value', of = { FF = '' } }", "expected a word"),
        (MOTION + "unpivot = { column = 'measure', value = 'value', of = { A = 'flexion', B = 'flexion' } }",
         "a word of its own"),
        (MOTION + "unpivot = { column = 'mode', value = 'value', of = { A = 'pasive' } }", "Did you mean `passive`?"),
        (MOTION + "unpivot = { column = 'measure', value = 'measure', of = { A = 'flexion' } }", "twice under `unpivot`"),
        (MOTION + "columns = { joint = 'ff' }\nunpivot = { column = 'measure', value = 'value', of = { FF = 'flexion' } }",
         "under both `columns` and `unpivot.of`"),
        (TABLE + TABLE, "says the same as the one at mappings/harbour.toml, line 2"),
    ],
)  # fmt: skip
def test_nonsense_is_told(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(WrongUse) as caught:
        load_mapping(written(tmp_path, f"contract = 1\n{text}\n"))
    assert told in str(caught.value)
    assert "mappings/harbour.toml, line" in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        TABLE + "where = { State = ['DONE', ''] }",
        TABLE + "columns = { sex = 'S', side = 'S' }",
        TABLE + "columns = { operation_id = 'No' }\nwhere = { No = '1' }",
        TABLE + "values.sex = { U = '' }\nconstants = { age_years = '90+' }",
        TABLE + TABLE + "where = { State = 'DONE' }",
        TABLE.replace("x.csv", "x*"),
        TABLE.replace("x.csv", "x.2026*"),
        TABLE.replace("x.csv", "x.csv.gz"),
        EVENTS + "id_from = 'No'\ncolumns = { patient_id = 'No' }",
    ],
)
def test_what_only_looks_odd_is_taken(tmp_path: Path, text: str) -> None:
    assert load_mapping(written(tmp_path, f"contract = 1\n{text}\n")).tables


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

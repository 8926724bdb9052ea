"""Faults of single cells: numbers, dates, words, codes for missing. Spellings of one fault share a workspace."""

from __future__ import annotations

import io
from datetime import date, timedelta
from typing import Any

import pytest

WHOLE = {"accepted": 60}
ONE_HELD = {"accepted": 59, "quarantined": 1}
OPERATIONS = "received/harbour/2026-11-02/operations.csv"
DAY_OF = {
    "operations": "performed_on",
    "events": "occurred_on",
    "followups": "seen_on",
    "measurements": "measured_on",
}


def as_workbook(hospital: Any, table: str, numbers: tuple[str, ...] = ()) -> None:
    """The table as a sheet; the named columns hold numbers where they can."""
    import openpyxl

    rows = hospital.tables.pop(table)
    book = openpyxl.Workbook()
    book.active.append(list(rows[0]))
    for row in rows:
        plain = {name: cell.replace(".", "", 1).isdigit() and name in numbers for name, cell in row.items()}
        book.active.append([float(cell) if plain[name] else cell or None for name, cell in row.items()])
    content = io.BytesIO()
    book.save(content)
    hospital.put(f"{table}.xlsx", content.getvalue())


# ---------------------------------------------------------------- numbers and units


def test_fault_17_decimal_comma_undeclared(hospital: Any) -> None:
    """12,500 may be twelve and a half or twelve thousand five hundred."""
    hospital.one_by_one("measurements", "value", ["112,5", "12,500", "-3,5", "1.012,5"], "value_unparsable")


def test_fault_17_decimal_comma_declared(hospital: Any) -> None:
    hospital.mapping('decimal = ","\n')
    cells = ["112,5", "3,5", "112,0"]
    ids = list(hospital.each("measurements", "value", cells))
    bad = list(hospital.each("measurements", "value", ["1.012", "1.012,5", "12,5,0"], first=20))
    outcome = hospital.check(1)
    logged = outcome.logged("number_reread", "value")
    assert [logged[one][0] for one in ids] == cells
    assert [float(logged[one][1]) for one in ids] == [112.5, 3.5, 112]
    assert outcome.held("measurements") == {key: ["value_unparsable"] for key in bad}, (
        "a point may set off thousands"
    )


def test_fault_18_degrees_in_the_value(hospital: Any) -> None:
    cells = ["110 deg", "110°", "110 °", "110deg", "110 degrees", "110 Deg.", "110º"]
    ids = hospital.each("measurements", "value", cells)
    outcome = hospital.check()
    assert outcome.fates("measurements") == WHOLE
    logged = outcome.logged("unit_removed", "value")
    assert {one: before for one, (before, _) in logged.items()} == ids
    assert {float(after) for _, after in logged.values()} == {110}


def test_fault_18_more_than_one_reading(hospital: Any) -> None:
    cells = [
        "110/180",
        "110-120",
        "0-10-110",
        "110 (120)",
        "~110",
        ">110",
        "110 approx",
        "110 / 135",
        "110°/135°",
    ]
    hospital.one_by_one("measurements", "value", cells, "value_unparsable")


def test_fault_19_other_unit_in_its_column(hospital: Any) -> None:
    units = ["rad", "radians", "in", "inch", "cm", "%", "percent", "mm"]
    hospital.one_by_one("measurements", "unit", units, "value_unknown_word", value="1.92")


def test_fault_19_other_unit_in_the_value(hospital: Any) -> None:
    cells = ["1.92 rad", "80%", "80 %", "4 in", '4"', "80 % of normal", "3 cm", "1.9rad"]
    hospital.one_by_one("measurements", "value", cells, "value_unparsable")


# ---------------------------------------------------------------- dates


def turned(hospital: Any, table: str, form: str) -> None:
    """Days of a table in another form: `{d}`, `{m}`, `{y}`."""
    for row in hospital.tables[table]:
        year, month, number = row[DAY_OF[table]].split("-")
        row[DAY_OF[table]] = form.format(d=number, m=month, y=year)


def test_fault_20_one_order_left(hospital: Any) -> None:
    """Days above 12 stand in one place of many cells and in the other of none: one reading is left, file by file."""
    expected = {table: [row[DAY_OF[table]] for row in rows] for table, rows in hospital.tables.items()}
    forms = {
        "operations": "{d}/{m}/{y}",
        "events": "{m}/{d}/{y}",
        "followups": "{d}.{m}.{y}",
        "measurements": "{d}-{m}-{y}",
    }
    for table, form in forms.items():
        turned(hospital, table, form)
    outcome = hospital.check()
    for table, column in DAY_OF.items():
        assert outcome.fates(table) == WHOLE
        logged = outcome.logged("date_reread", column).values()
        assert [after for _, after in logged] == expected[table]
        assert [before for before, _ in logged] == [row[column] for row in hospital.tables[table]]


@pytest.mark.parametrize("declared", ["DMY", "MDY"])
def test_fault_20_order_declared(hospital: Any, declared: str) -> None:
    """3 April stays 3 April, or 4 March, as the site has said."""
    hospital.mapping(f'date_order = "{declared}"\n')
    hospital.spoil("operations", 3, performed_on="03/04/2025")
    hospital.spoil("operations", 4, performed_on="3.4.2025")
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    after = "2025-04-03" if declared == "DMY" else "2025-03-04"
    assert {after for _, after in outcome.logged("date_reread", "performed_on").values()} == {after}


def test_fault_20_all_ambiguous_and_undeclared(hospital: Any) -> None:
    """Nothing above 12 anywhere: both readings are possible, so none is taken."""
    for n, row in enumerate(hospital.tables["operations"]):
        row["performed_on"] = f"{1 + n % 12:02d}/{1 + n % 9:02d}/2025"
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "date_order_unclear"}
    assert outcome.fates("operations") == {"refused": 60}
    assert "date_order" in outcome.finding("date_order_unclear")["message"]
    assert outcome.fates("events") == WHOLE


def test_fault_20_both_orders_in_one_file(hospital: Any) -> None:
    """14/01 and 01/25: one of the two was turned, and then others that look right may have been too."""
    hospital.spoil("operations", 3, performed_on="14/01/2025")
    hospital.spoil("operations", 4, performed_on="01/25/2025")
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "date_order_unclear"}
    assert outcome.fates("operations") == {"refused": 60}


def test_fault_20_one_cell_against_the_declared_order(hospital: Any) -> None:
    """Where the order is declared and kept elsewhere, a month of 25 is one bad cell."""
    hospital.mapping('date_order = "DMY"\n')
    turned(hospital, "operations", "{d}/{m}/{y}")
    hospital.one_by_one("operations", "performed_on", ["01/25/2025"], "value_unparsable")


def test_fault_20_file_against_the_declared_order(hospital: Any) -> None:
    """Where every clear date of the file contradicts what is declared, no date of it is read."""
    hospital.mapping('date_order = "DMY"\n')
    turned(hospital, "operations", "{m}/{d}/{y}")
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "date_order_unclear"}
    assert outcome.fates("operations") == {"refused": 60}


def test_fault_20_iso_is_always_understood(hospital: Any) -> None:
    hospital.mapping('date_order = "MDY"\n')
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules("repairs") == []


SERIALS = {1900: 45657, 1904: 44195}  # 2024-12-31 as a spreadsheet counts it from either base


def in_serials(hospital: Any, table: str, base: int) -> None:
    for row in hospital.tables[table]:
        days = date.fromisoformat(row[DAY_OF[table]]) - date(2024, 12, 31)
        row[DAY_OF[table]] = str(days.days + SERIALS[base])


@pytest.mark.parametrize("base", [1900, 1904])
@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_fault_21_serial_days_declared(hospital: Any, base: int, form: str) -> None:
    """45657 is 2024-12-31 where day 1 is 1900-01-01; 44195 where day 0 is 1904-01-01 (as spreadsheets show them)."""
    hospital.mapping(f"excel_base = {base}\n")
    expected = {
        table: [row[DAY_OF[table]] for row in hospital.tables[table]] for table in ("operations", "events")
    }
    for table in expected:
        in_serials(hospital, table, base)
        if form == "xlsx":
            as_workbook(hospital, table, (DAY_OF[table],))
    outcome = hospital.check()
    for table, days in expected.items():
        assert outcome.fates(table) == WHOLE
        assert [after for _, after in outcome.logged("date_reread", DAY_OF[table]).values()] == days


def test_fault_21_serial_days_undeclared(hospital: Any) -> None:
    """Two bases lie four years apart, so an undeclared one is not taken."""
    in_serials(hospital, "events", 1900)
    outcome = hospital.check(1)
    assert outcome.fates("events") == {"quarantined": 60}
    assert set(outcome.rules(table="events")) == {"value_unparsable"}
    assert outcome.fates("operations") == WHOLE


def test_fault_21_serial_among_dates(hospital: Any) -> None:
    """The base is declared, but the column is not one of serial days."""
    hospital.mapping("excel_base = 1900\n")
    hospital.one_by_one("operations", "performed_on", ["45123", "45123.5"], "value_unparsable")


def test_fault_21_serial_day_out_of_its_time(hospital: Any) -> None:
    """1933 is no day of an operation, 2173 is not yet one: then the numbers of the column may be something else."""
    hospital.mapping("excel_base = 1900\n")
    in_serials(hospital, "operations", 1900)
    hospital.each("operations", "performed_on", ["12345", "99999"])
    outcome = hospital.check(1)
    assert outcome.fates("operations") == {"quarantined": 60}
    assert set(outcome.rules(table="operations")) == {"value_unparsable"}


def test_fault_22_two_digit_year(hospital: Any) -> None:
    hospital.mapping('date_order = "DMY"\n')
    hospital.one_by_one(
        "operations", "performed_on", ["14/01/25", "14.01.25", "14-Jan-25"], "value_unparsable"
    )


def test_fault_22_two_digit_year_with_a_pivot(hospital: Any) -> None:
    """With a pivot of 50, 25 is 2025 and 87 is 1987."""
    hospital.mapping('date_order = "DMY"\nyear_pivot = 50\n')
    ids = list(hospital.each("operations", "performed_on", ["14/01/25", "14-Jan-25", "14.01.87"]))
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    logged = outcome.logged("date_reread", "performed_on")
    assert [logged[one][1] for one in ids] == ["2025-01-14", "2025-01-14", "1987-01-14"]


@pytest.mark.parametrize("header", ["date_of_birth", "DOB"])
def test_fault_22_birth_dates_are_not_taken_at_all(hospital: Any, header: str) -> None:
    """The design asks for ages; a column of birth dates, in whatever form, sets the file aside."""
    for n, row in enumerate(hospital.tables["operations"]):
        row[header] = f"{1 + n % 28:02d}/03/89"
    outcome = hospital.check(1)
    assert outcome.reasons() == {OPERATIONS: "identifiers_in_columns"}
    assert outcome.holding("/03/89") == []


def test_fault_23_moment_with_a_zone(hospital: Any) -> None:
    """Half past eleven in the evening of Greenwich is the next day in Dublin in summer, the same in winter. A day that
    moves is logged under a rule of its own, and the column is warned about."""
    hospital.mapping('timezone = "Europe/Dublin"\n')
    moved = {"2025-06-14T23:30:00Z": "2025-06-15", "2025-06-15T00:30:00+02:00": "2025-06-14"}
    stays = {
        "2025-01-14T23:30:00Z": "2025-01-14",
        "2025-06-14T22:30:00+00:00": "2025-06-14",
        "2025-06-14T23:30:00+0100": "2025-06-14",
    }
    ids = hospital.each("events", "occurred_on", [*moved, *stays])
    outcome = hospital.check()
    assert outcome.fates("events") == WHOLE
    logged = {line["record_id"]: line for line in outcome.lines("repairs") if line["column"] == "occurred_on"}
    assert {ids[one]: line["after"] for one, line in logged.items()} == {**moved, **stays}
    assert {ids[one] for one, line in logged.items() if line["rule"] == "date_moved_by_zone"} == set(moved)
    assert outcome.finding("days_moved_by_zone")["column"] == "occurred_on"


def test_fault_23_zone_undeclared(hospital: Any) -> None:
    """A moment of Greenwich is no day of the clinic before its zone is known."""
    cells = ["2025-06-14T23:30:00Z", "2025-06-14T12:00:00+02:00"]
    hospital.one_by_one("operations", "performed_on", cells, "date_zone_unstated")


def test_fault_23_whole_column_at_midnight_of_greenwich(hospital: Any) -> None:
    """The usual export of UTC: what looks like the day before is moved back, and each cell is logged."""
    hospital.mapping('timezone = "Europe/Dublin"\n')
    expected = [row["seen_on"] for row in hospital.tables["followups"]]
    for row in hospital.tables["followups"]:
        day = date.fromisoformat(row["seen_on"])
        summer = date(2026, 3, 29) <= day < date(2026, 10, 25)
        row["seen_on"] = f"{day - timedelta(days=int(summer))}T{'23' if summer else '00'}:00:00Z"
    outcome = hospital.check()
    assert outcome.fates("followups") == WHOLE
    logged = [line["after"] for line in outcome.lines("repairs") if line["column"] == "seen_on"]
    assert logged == expected


def test_fault_25_day_after_receipt(hospital: Any) -> None:
    cells = ["2026-11-03", "2027-01-15", "2099-12-31"]
    for table, column in DAY_OF.items():
        hospital.each(table, column, cells)
    outcome = hospital.check(1)
    for table in DAY_OF:
        assert outcome.fates(table) == {"accepted": 57, "quarantined": 3}
        assert all("date_after_receipt" in rules for rules in outcome.held(table).values())


def test_fault_25_day_between_cut_and_receipt(hospital: Any) -> None:
    """No fault: the rows are accepted and wait for the next edition."""
    hospital.spoil("operations", 7, performed_on="2026-11-01")
    for table, column in DAY_OF.items():
        if table != "operations":
            hospital.spoil(table, 7, **{column: "2026-11-02"})
    outcome = hospital.run()
    for table in DAY_OF:
        assert outcome.fates(table) == WHOLE
    assert len(outcome.cases()) == 59
    assert "harbour.O008.L" not in outcome.cases()


def test_fault_30_partial_date(hospital: Any) -> None:
    """A day is never invented. What happened on an unknown day outside theatre is a question for a reviewer."""
    cells = ["03/2024", "2024-03", "2024", "March 2024", "Mar-2024", "03.2024"]
    held = {table: hospital.each(table, column, cells) for table, column in DAY_OF.items()}
    outcome = hospital.run(1)
    for table, ids in held.items():
        assert outcome.held(table) == {key: ["date_partial"] for key in ids}
    asked = {line["evidence"] for line in outcome.lines("review") if "date" in line["why"]}
    files = [f"received/harbour/2026-11-02/{table}.csv" for table in DAY_OF if table != "operations"]
    assert asked == {f"{file}:{line}" for file in files for line in range(7, 13)}


# ---------------------------------------------------------------- codes for missing, impossible numbers

CODES_FOR_MISSING = {
    ("operations", "asa_class"): ["99", "-1", "999"],
    ("operations", "bmi"): ["999", "99", "-1"],
    ("operations", "nonoperative_weeks"): ["999", "9999"],
    ("operations", "earlier_episodes"): ["-1", "99"],
    ("events", "instability_level"): ["99", "-1"],
    ("followups", "pain"): ["99", "-1"],
}


def test_fault_31_code_for_missing(hospital: Any) -> None:
    """The number becomes missing with a warning; the row stays."""
    expected = set()
    for table, column in CODES_FOR_MISSING:
        ids = hospital.each(table, column, CODES_FOR_MISSING[table, column], first=5 + 3 * len(expected) % 40)
        expected |= {(column, one) for one in ids}
    outcome = hospital.check()
    for table in hospital.tables:
        assert outcome.fates(table) == WHOLE
    found = [line for line in outcome.lines("quarantine") if line["rule"] == "value_code_for_missing"]
    assert {(line["column"], line["record_id"]) for line in found} == expected


def test_fault_31_code_for_missing_where_a_value_is_needed(hospital: Any) -> None:
    """A reading or an operation without its number says too little: held back, and never read as 999 degrees."""
    readings = hospital.each("measurements", "value", ["999", "9999", "-1", "-999"])
    ages = hospital.each("operations", "age_years", ["999", "9999", "-1"])
    outcome = hospital.check(1)
    for table, ids in (("measurements", readings), ("operations", ages)):
        held = outcome.held(table)
        assert held.keys() == ids.keys()
        assert all("value_missing" in rules for rules in held.values())


def test_fault_31_code_for_missing_that_the_site_declares(hospital: Any) -> None:
    hospital.mapping(
        '[[table]]\ntable = "operations"\nfile = "operations*"\nmissing.asa_class = ["9", "UNK"]\n'
    )
    ids = hospital.each("operations", "asa_class", ["9", "UNK"])
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.logged("value_missing_token", "asa_class").keys() == ids.keys()


def test_fault_31_no_code_where_the_number_is_real(hospital: Any) -> None:
    """A flexion of 99 degrees, and a knee one degree beyond straight."""
    hospital.spoil("measurements", 3, value="99")
    hospital.spoil("measurements", 4, measure="extension_deficit", value="-1")
    outcome = hospital.check()
    assert outcome.fates("measurements") == WHOLE
    assert outcome.rules() == []


def test_fault_32_impossible_motion(hospital: Any) -> None:
    for at, measure in enumerate(["extension_deficit", "abduction", "forward_flexion"]):
        hospital.spoil("measurements", 5 + at, measure=measure, joint="shoulder" if at else "knee")
    cells = ["-31", "201", "1700", "900", "1800", "-120", "360"]
    hospital.one_by_one("measurements", "value", cells, "value_out_of_range")


def test_fault_33_zero_that_means_not_measured(hospital: Any) -> None:
    """Nobody bends a knee by nothing: the reading stays in the accounts, is not assessed, and is asked about."""
    measures = {"flexion": "knee", "forward_flexion": "shoulder", "abduction": "shoulder"}
    for at, (measure, joint) in enumerate(measures.items()):
        hospital.spoil("measurements", 7 + at, measure=measure, joint=joint, value="0")
    outcome = hospital.run()
    assert outcome.fates("measurements") == WHOLE
    assert outcome.told("reading_zero") == ["M008", "M009", "M010"]
    happened = outcome.table("complications")
    assert not (happened["category"] == "stiffness").any(), "zero is no severe stiffness"


def test_fault_33_zero_that_is_a_reading(hospital: Any) -> None:
    """A straight knee lacks no degree, a shoulder may not turn outwards at all."""
    hospital.spoil("measurements", 3, measure="extension_deficit", value="0")
    hospital.spoil("measurements", 4, measure="external_rotation", joint="shoulder", value="0")
    outcome = hospital.check()
    assert outcome.fates("measurements") == WHOLE
    assert outcome.rules() == []


def test_fault_35_height_reached_in_a_column_of_degrees(hospital: Any) -> None:
    cells = ["T8", "L5", "buttock", "thumb to T12", "hip pocket"]
    also = {"measure": "internal_rotation", "joint": "shoulder"}
    hospital.one_by_one("measurements", "value", cells, "value_unparsable", **also)


def test_fault_36_impossible_age(hospital: Any) -> None:
    hospital.one_by_one("operations", "age_years", ["-3", "111", "212", "1984"], "value_out_of_range")


def test_fault_36_possible_age(hospital: Any) -> None:
    hospital.each("operations", "age_years", ["0", "1", "89"])
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules() == []


def test_fault_36_age_that_is_no_number_of_years(hospital: Any) -> None:
    hospital.one_by_one(
        "operations", "age_years", ["17 y", "17.5", "18 months", "seventeen"], "value_unparsable"
    )


def test_fault_37_age_at_export(hospital: Any) -> None:
    """A birth date never comes, so no age is worked out again. What shows is a patient who is no older at an operation
    three years later: both operations stay and the sender is asked."""
    hospital.spoil("operations", 3, age_years="20", performed_on="2022-01-05")
    hospital.add("operations", 3, operation_id="O100", performed_on="2025-01-05", side="left", age_years="20")
    outcome = hospital.check()
    assert outcome.fates("operations") == {"accepted": 61}
    assert sorted(outcome.told("ages_disagree")) == ["O004", "O100"]


def test_fault_37_ages_that_agree(hospital: Any) -> None:
    """Completed years: 20 on one day may be 20 or 21 within the year, 23 or 24 after 3.9 years, also born on 29 February."""
    later = [
        ("2023-01-04", "20"),
        ("2023-01-04", "21"),
        ("2025-11-30", "23"),
        ("2025-11-30", "24"),
        ("2026-02-28", "24"),
    ]
    for n, (on, age) in enumerate(later):
        first = {"patient_id": f"P10{n}", "age_years": "20", "performed_on": "2022-01-05"}
        hospital.add("operations", 3, operation_id=f"O20{n}", **first)
        hospital.add(
            "operations", 3, operation_id=f"O10{n}", **{**first, "performed_on": on, "age_years": age}
        )
    outcome = hospital.check()
    assert outcome.fates("operations") == {"accepted": 70}
    assert "ages_disagree" not in outcome.rules()


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_fault_38_age_over_89(hospital: Any, form: str) -> None:
    """Logged without the age itself: ages over 89 identify people."""
    ids = hospital.each("operations", "age_years", ["90", "93", "110", "90+", ">89", "97"])
    hospital.spoil("operations", 10, side="sideways")
    if form == "xlsx":
        as_workbook(hospital, "operations", ("age_years",))
    outcome = hospital.check()
    assert outcome.fates("operations") == ONE_HELD
    logged = outcome.logged("age_over_89", "age_years")
    assert {after for _, after in logged.values()} == {"90+"}
    assert {"O006", "O007", "O008"} <= logged.keys() <= ids.keys()
    assert not {before for before, _ in logged.values()} & {"93", "97", "110"}
    assert [row["age_years"] for row in outcome.lines("quarantined/operations")] == ["90+"]


def test_fault_38_age_over_89_counts_in_the_oldest_band(hospital: Any) -> None:
    hospital.each("operations", "age_years", ["93", "90+"])
    cases = hospital.run().table("cases").set_index("operation_id")
    assert set(cases.loc[["O006", "O007"], "age_band"]) == {"65+"}


TOKENS = [
    "N/A",
    "NULL",
    "None",
    "-",
    "?",
    "nil",
    "unk",
    "#N/A",
    "TBC",
    "n/a",
    "NA",
    "--",
    "not known",
    "Unknown",
    ".",
]


def test_fault_39_word_for_missing(hospital: Any) -> None:
    """Missing, with the word kept in the log. (A spreadsheet would take `-` for a formula: it stands there as `'-`.)"""
    places = [("operations", "bmi"), ("operations", "surgeon_id"), ("events", "joint"), ("followups", "pain")]
    expected = {(table, column): hospital.each(table, column, TOKENS) for table, column in places}
    outcome = hospital.check()
    for (table, column), ids in expected.items():
        assert outcome.fates(table) == WHOLE
        logged = {
            line["record_id"]: (line["before"].removeprefix("'"), line["after"])
            for line in outcome.lines("repairs")
            if (line["table"], line["column"], line["rule"]) == (table, column, "value_missing_token")
        }
        assert logged == {one: (token, "") for one, token in ids.items()}


def test_fault_39_blank(hospital: Any) -> None:
    """An empty cell is no fault of a row."""
    hospital.each("operations", "bmi", ["", " ", "   ", "\u00a0"])
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    assert outcome.rules() == []


def test_fault_39_missing_where_it_is_needed(hospital: Any) -> None:
    needed = [
        ("operations", "patient_id"),
        ("events", "occurred_on"),
        ("measurements", "value"),
        ("followups", "status"),
    ]
    held = {table: hospital.each(table, column, ["N/A", "", "?"]) for table, column in needed}
    outcome = hospital.check(1)
    for table, ids in held.items():
        assert outcome.held(table) == {key: ["value_missing"] for key in ids}


def test_fault_39_nil_in_a_column_of_complications(hospital: Any) -> None:
    """ "None seen" is a statement, not a gap: a note keeps it, and it makes no complication."""
    hospital.each("events", "note", ["nil", "none", "Nil complications"], code="")
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    happened = outcome.table("complications")
    cases = ["harbour.O006.L", "harbour.O007.R", "harbour.O008.L"]
    mine = happened[happened["case_id"].isin(cases) & (happened["status"] == "counted")]
    assert mine.empty


def test_fault_40_no_and_blank_are_two_things(hospital: Any) -> None:
    """A broken kneecap after tunnels: through the hole counts, not through it does not, not said waits for a person."""
    cells = {
        "yes": {"counted"},
        "Y": {"counted"},
        "no": set(),
        "n": set(),
        "": {"awaiting"},
        "unsure": {"awaiting"},
        "N/A": {"awaiting"},
    }
    ids = hospital.each("events", "through_fixation_site", list(cells), joint="", bone="patella")
    for at, _ in enumerate(ids):
        side = hospital.tables["events"][5 + at]["side"]
        hospital.spoil("events", 5 + at, code="S82.002A" if side == "left" else "S82.001A")
    outcome = hospital.run()
    assert outcome.fates("events") == WHOLE
    happened = outcome.table("complications")
    happened = happened[(happened["category"] == "fixation_site_fracture") & (happened["level"] == "any")]
    for one, cell in ids.items():
        case = happened[happened["case_id"].str.contains(one.replace("E", "O"))]
        assert set(case["status"]) == cells[cell], cell


def test_fault_40_a_number_in_a_column_of_words(hospital: Any) -> None:
    """`0` is not among the words yes, no, unsure, and no reading of it is agreed: held back."""
    hospital.one_by_one("events", "through_fixation_site", ["0", "1", "maybe", "x"], "value_unknown_word")


def test_fault_40_zero_and_one_in_a_column_of_yes_and_no(hospital: Any) -> None:
    expected = {"0": "no", "1": "yes", "N": "no", "true": "yes", "F": "no"}
    ids = hospital.each("operations", "smoker", list(expected))
    outcome = hospital.check()
    assert outcome.fates("operations") == WHOLE
    logged = outcome.logged("word_translated", "smoker")
    assert {ids[one]: after for one, (_, after) in logged.items()} == expected

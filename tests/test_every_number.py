"""Every number of the demo's pages leads to the list it was counted from, and the list is as long as the number."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

#: Which words of a cell in the file are which kind of number, by the beginning of the fragment.
WORDS: dict[str, Any] = {
    "cases": lambda said: said[0] != "not counted",
    "followed": lambda said: said[0] in ("with it", "followed"),
    "lost": lambda said: said[0] == "lost",
    "events": lambda said: said[0] == "with it",
    "awaiting": lambda said: "awaiting" in said,
    "assessed": lambda said: "measured" in said,
}
#: Page → headings of the columns whose every number must lead to a list.
COUNTS = {
    "index.html": ("Cases", "With it", "Followed long enough", "Lost", "Awaiting review", "Operations", "New cases",
                   "Complications that happened", "Complications that became known", "Decisions made",
                   "Windows that closed"),
    "surgeons.html": ("Cases", "With it"),
    "rates.html": ("Cases", "With it", "Followed long enough", "Lost", "Awaiting review"),
}  # fmt: skip


@dataclass
class Cell:
    heading: str
    text: str = ""
    links: list[str] = field(default_factory=list)


class Tables(HTMLParser):
    """Cells of a page's tables under their headings, links with their words, and rows of tables by section."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.cells: list[Cell] = []
        self.links: list[tuple[str, str]] = []
        self.rows: Counter[str] = Counter()
        self.files: dict[str, str] = {}
        self._heads: list[str] = []
        self._place = 0
        self._inside: Cell | None = None
        self._in_head = self._in_link = False
        self._section = ""
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "thead":
            self._heads, self._in_head = [], True
        elif tag == "h2":
            self._section = named.get("id") or ""
        elif tag == "tr":
            self._place = 0
        elif tag in ("td", "th"):
            self._cell(tag, named)
        elif tag == "a":
            self._in_link = True
            self.links.append((named["href"] or "", ""))
            if self._inside:
                self._inside.links.append(named["href"] or "")
            if (named["href"] or "").endswith(".csv"):
                self.files[self._section] = named["href"] or ""

    def _cell(self, tag: str, named: dict[str, str | None]) -> None:
        if self._in_head:
            self._heads.append("")
            self._inside = None
            return
        if tag == "th" and named.get("scope") == "row" and self._place == 0:
            self.rows[self._section] += 1
        heading = self._heads[self._place] if self._place < len(self._heads) else ""
        self._inside = Cell(heading)
        self.cells.append(self._inside)
        self._place += 1

    def handle_endtag(self, tag: str) -> None:
        if tag == "thead":
            self._in_head = False
        elif tag == "a":
            self._in_link = False
        elif tag in ("td", "th"):
            self._inside = None

    def handle_data(self, words: str) -> None:
        if self._in_head and self._heads:
            self._heads[-1] = (self._heads[-1] + words).strip()
        if self._inside:
            self._inside.text += words
        if self._in_link:
            href, said = self.links[-1]
            self.links[-1] = (href, said + words)


def number_in(words: str) -> int:
    """The number a link begins with; `none`-like words have no link."""
    found = re.match(r"\d+(?:\u2009\d{3})*", words)
    assert found, words
    return int(found[0].replace("\u2009", ""))


@pytest.fixture(scope="module")
def report(demo: Any) -> Path:
    return Path(demo.department / "report")


@pytest.fixture(scope="module")
def lists(report: Path) -> dict[str, Tables]:
    return {path.name: Tables(path) for path in (report / "lists").glob("*.html")}


def numbers(report: Path) -> Iterator[tuple[str, str, str, int]]:
    """Page, page of lists, fragment and number of every link to a list."""
    for path in sorted(report.glob("*.html")):
        for href, words in Tables(path).links:
            if href.startswith("lists/"):
                file, _, fragment = href.removeprefix("lists/").partition("#")
                yield path.name, file, fragment, number_in(words)


def rows_in_file(path: Path, section: str, column: str) -> int:
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    if not column:
        return len(rows)
    kind = next(kind for kind in WORDS if section.startswith(kind))
    return sum(WORDS[kind](row[column].split("; ")) for row in rows)


def test_every_list_is_as_long_as_the_number_that_leads_to_it(report: Path, lists: dict[str, Tables]) -> None:
    wrong, looked, long = [], 0, 0
    for page, file, fragment, number in dict.fromkeys(numbers(report)):
        rows = lists[file].rows[fragment]
        if number > 500:
            long += 1
            assert rows in (50, 500)
            name = lists[file].files[fragment]
            markup = (report / "lists" / file).read_text("utf-8")
            said = re.search(
                rf'id="{re.escape(fragment)}">.*?\.csv</a>(?:, column <code>(\S+)</code>:)?',
                markup,
                re.DOTALL,
            )
            assert said
            rows = rows_in_file(report / "lists" / name, fragment, said[1] or "")
        looked += 1
        if rows != number:
            wrong.append((page, file, fragment, number, rows))
    assert wrong == []
    assert looked > 1000
    assert long > 20


@pytest.mark.parametrize("page", COUNTS)
def test_every_count_in_a_table_leads_to_its_list(report: Path, page: str) -> None:
    cells = [cell for cell in Tables(report / page).cells if cell.heading in COUNTS[page]]
    bare = [cell for cell in cells if re.search("[1-9]", cell.text) and not cell.links]
    assert bare == []
    assert len([cell for cell in cells if cell.links]) > 50


def test_every_arm_of_a_comparison_leads_to_its_cases_and_events(report: Path) -> None:
    cells = [
        cell
        for cell in Tables(report / "comparison.html").cells
        if re.match(r"(\d+|none) of \d+ cases?", cell.text)
    ]
    wanted = [(cell, 1 if cell.text.startswith("none") else 2) for cell in cells]
    assert [cell for cell, links in wanted if len(cell.links) != links] == []
    assert len(cells) > 100


def test_no_list_is_written_that_no_number_leads_to(report: Path, lists: dict[str, Tables]) -> None:
    asked = {(file, fragment) for _, file, fragment, _ in numbers(report)}
    there = {(name, section) for name, tables in lists.items() for section in tables.rows if section}
    assert there == asked


def test_a_row_of_a_list_leads_on_to_the_lines_of_the_exports(report: Path) -> None:
    markup = (report / "lists" / "all-any-complication.html").read_text("utf-8")
    rows = re.findall(
        r"<tr><th scope=\"row\">.*?</tr>", markup.partition('id="events-any-365"')[2].partition("</table>")[0]
    )
    assert len(rows) > 100
    assert all(re.search(r"received/[^<]+:\d+</span></td></tr>$", row) for row in rows)

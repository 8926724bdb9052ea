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
#: Columns that begin with a whole number and lead nowhere: (page, heading) → why. Any other column of whole numbers must lead
#: to lists, also one that is not there yet.
EXEMPT = {
    ("comparison.html", "Value"): "a value of a characteristic, such as a grade",
    ("discuss.html", "Day after it"): "a day",
    ("how_counted.html", "Before"): "what the step above left, which leads to its rows there",
    ("quality.html", "Why"): "words about a site",
    ("quality.html", "Median of up to eight before"): "a median of receipts",
    ("quality.html", "Half within days"): "a quantile of days",
    ("quality.html", "Nine in ten within days"): "a quantile of days",
    ("quality.html", "All within days"): "the longest time in days",
    ("surgeons.html", "In words"): "says cases and events of its own row again",
    ("to_review.html", "Minutes"): "questions times minutes a question",
    ("to_review.html", "Oldest waits, days"): "days",
    ("to_review.html", "Would move"): "words about figures that lead to their lists on their own pages",
}
#: Tables of which one column is no list: (page, beginning of the caption, heading) → why.
EXEMPT_OF_TABLE = {
    (
        "quality.html",
        "Shares outside the limits",
        "Rows",
    ): "cells of one receipt that are empty or odd; nothing is noted of each",
    (
        "quality.html",
        "Days from what happened",
        "Rows",
    ): "days worked out from rows of the receipt, which lead on further up",
    ("quality.html", "Days from what happened", "Later than 150 days"): "as the column of rows",
}
MONTHS = "January|February|March|April|May|June|July|August|September|October|November|December"
#: A cell that begins with a number of things: not a share, a range, a ratio, a date or a time.
WHOLE = re.compile(
    rf"[1-9]\d{{0,2}}(?:\u2009\d{{3}})*(?=$|;|[ \xa0](?!days?\b|years?\b|to\b|{MONTHS})[A-Za-z(→])"
)


#: Numbers of cases, records and the like outside tables.
COUNTED = re.compile(
    r"(?<![\d.,[–])\b[1-9][\d\u2009]*\s(?:of |cases?\b|records?\b|rows?\b|findings?\b|questions?\b|complications?\b|"
    r"operations?\b|decisions?\b|still\b|died\b)"
)
#: What may hold such a number without leading anywhere → why.
EXEMPT_SENTENCES = {
    r"^[^.]*: \d+ cases?$": "the caption of a list",
    r"\d+ of \d+ running charts": "charts, all of them on the page",
    r"By chance alone it asks": "a run length, and cases of young periods beside linked numbers",
    r"fewer than 10 cases": "a rule",
    r"in 998 of": "limits of chance",
    r"with reservations": "why a site is judged as it is",
    r"^\d+ surgeons with": "the fewest and most of a table that follows",
}


@dataclass
class Cell:
    heading: str
    table: str = ""
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
        self.sums: dict[str, tuple[str, str]] = {}
        self.sentences: list[str] = []
        self._said = ""
        self._hidden = 0
        self._caption: str | None = None
        self._table = ""
        self._heads: list[str] = []
        self._place = 0
        self._inside: Cell | None = None
        self._in_head = self._in_link = False
        self._section = ""
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        self._hidden += tag in ("svg", "style", "head", "script")
        if tag == "caption":
            self._caption = ""
        elif tag == "thead":
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
        heading = self._heads[self._place] if self._place < len(self._heads) else ""
        if "id" in named:
            self.sums[named["id"] or ""] = (self._section, heading)
        elif tag == "th" and named.get("scope") == "row" and self._place == 0:
            self.rows[self._section] += 1
        self._inside = Cell(heading, self._table)
        self.cells.append(self._inside)
        self._place += 1

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("svg", "style", "head", "script")
        if tag in ("p", "li", "figcaption", "caption", "dd", "h2", "h3", "summary"):
            self.sentences.append(self._said.strip())
            self._said = ""
        if tag == "caption":
            self._table, self._caption = self._caption or "", None
        elif tag == "thead":
            self._in_head = False
        elif tag == "a":
            self._in_link = False
        elif tag in ("td", "th"):
            self._inside = None

    def handle_data(self, words: str) -> None:
        if self._caption is not None:
            self._caption += words
        if not self._hidden and not self._inside and not self._in_head:
            self._said += "·" if self._in_link else words
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


def sum_of(path: Path, section: str, heading: str) -> int:
    """Of a column of a list, added up from its cells in the file where the page does not show all of it."""
    markup = path.read_text("utf-8").partition(f'<h2 id="{section}">')[2]
    whole = re.search(r'all of them: <a href="([^"]+)"', markup.partition("<table")[0])
    if whole:
        with (path.parent / whole[1]).open(encoding="utf-8", newline="") as stream:
            return sum(int(row[heading]) for row in csv.DictReader(stream))
    table = markup.partition("</table>")[0]
    heads = re.findall(r"<th scope=\"col\"[^>]*>(.*?)</th>", table)
    rows = re.findall(r"<tr>(<th scope=\"row\">.*?)</tr>", table.partition("</tbody>")[0], re.DOTALL)
    place = heads.index(heading) - 1
    return sum(int(re.findall(r"<td[^>]*>(.*?)</td>", row)[place]) for row in rows)


def length_of(path: Path, tables: Tables, fragment: str) -> int:
    """How many rows the list of a number has, or what the column adds up to that the number leads to."""
    if fragment in tables.sums:
        return sum_of(path, *tables.sums[fragment])
    if fragment not in tables.files:
        return tables.rows[fragment]
    assert tables.rows[fragment] in (50, 500)
    markup = path.read_text("utf-8")
    said = re.search(
        rf'id="{re.escape(fragment)}">.*?\.csv</a>(?:, column <code>(\S+)</code>:)?', markup, re.DOTALL
    )
    assert said
    return rows_in_file(path.parent / tables.files[fragment], fragment, said[1] or "")


def test_every_list_is_as_long_as_the_number_that_leads_to_it(report: Path, lists: dict[str, Tables]) -> None:
    wrong, long = [], 0
    asked = list(dict.fromkeys(numbers(report)))
    for page, file, fragment, number in asked:
        long += fragment in lists[file].files
        found = length_of(report / "lists" / file, lists[file], fragment)
        if found != number:
            wrong.append((page, file, fragment, number, found))
    assert wrong == []
    assert len(asked) > 1500
    assert long > 20
    assert any(fragment in lists[file].sums for _, file, fragment, _ in asked)


def is_exempt(page: str, cell: Cell) -> bool:
    return (page, cell.heading) in EXEMPT or any(
        (page, heading) == (of, cell.heading) and cell.table.startswith(caption)
        for of, caption, heading in EXEMPT_OF_TABLE
    )


def test_every_whole_number_in_a_table_leads_to_its_list(report: Path) -> None:
    bare, linked = [], Counter[str]()
    for path in sorted(report.glob("*.html")):
        for cell in Tables(path).cells:
            if WHOLE.match(cell.text.strip()) and not is_exempt(path.name, cell):
                linked[path.name] += bool(cell.links)
                bare += [] if cell.links else [(path.name, cell.table[:40], cell.heading, cell.text[:40])]
    assert bare == []
    assert {name for name, many in linked.items() if many > 5} >= {
        "comparison.html", "how_counted.html", "index.html", "quality.html", "rates.html", "surgeons.html", "to_review.html",
    }  # fmt: skip


def test_every_count_in_a_sentence_leads_to_its_list(report: Path) -> None:
    said = [text for path in sorted(report.glob("*.html")) for text in Tables(path).sentences]
    bare = [text for text in said if COUNTED.search(text)]
    assert [text for text in bare if not any(re.search(each, text) for each in EXEMPT_SENTENCES)] == []
    assert [each for each in EXEMPT_SENTENCES if not any(re.search(each, text) for text in bare)] == []
    assert sum(text.count("·") for text in said) > 500


def test_no_mark_up_is_shown_as_text(report: Path) -> None:
    shown = [cell.text for path in report.glob("*.html") for cell in Tables(path).cells if "<a " in cell.text]
    assert shown == []


def test_no_column_is_exempt_that_need_not_be(report: Path) -> None:
    """An exemption that nothing needs would let a new column through."""
    bare = [
        (path.name, cell)
        for path in report.glob("*.html")
        for cell in Tables(path).cells
        if WHOLE.match(cell.text.strip()) and not cell.links
    ]
    assert set(EXEMPT) - {(name, cell.heading) for name, cell in bare} == set()
    needed = {
        key
        for key in EXEMPT_OF_TABLE
        for name, cell in bare
        if (name, cell.heading) == (key[0], key[2]) and cell.table.startswith(key[1])
    }
    assert set(EXEMPT_OF_TABLE) == needed


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
    asked = {
        (file, lists[file].sums.get(fragment, (fragment, ""))[0]) for _, file, fragment, _ in numbers(report)
    }
    there = {(name, section) for name, tables in lists.items() for section in tables.rows if section}
    assert there == asked


def test_a_row_of_a_list_leads_on_to_the_lines_of_the_exports(report: Path) -> None:
    markup = (report / "lists" / "all-any-complication.html").read_text("utf-8")
    rows = re.findall(
        r"<tr><th scope=\"row\">.*?</tr>", markup.partition('id="events-any-365"')[2].partition("</table>")[0]
    )
    assert len(rows) > 100
    assert all(re.search(r"received/[^<]+:\d+</span></td></tr>$", row) for row in rows)

"""docs/data-dictionary.md is what the tables say, and says it readably."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from schemas.columns import ARROW_TYPES
from schemas.dictionary import HEADER, KINDS, markdown
from schemas.exports import EXPORTS
from schemas.people import PEOPLE
from schemas.published import PUBLISHED

PAGE = Path(__file__).parents[2] / "docs" / "data-dictionary.md"
TABLES = EXPORTS | PEOPLE | PUBLISHED


def _section(name: str) -> list[str]:
    text = markdown().split(f"\n### {name}\n", 1)[1]
    return text.split("\n## ", 1)[0].split("\n### ", 1)[0].splitlines()


def test_page_equals_the_tables() -> None:
    assert PAGE.read_text(encoding="utf-8") == markdown(), (
        "docs/data-dictionary.md has drifted: python -m schemas.dictionary > docs/data-dictionary.md"
    )


@pytest.mark.parametrize("name", TABLES)
def test_every_column_has_its_line(name: str) -> None:
    lines = [line for line in _section(name) if line.startswith("| `")]
    assert [line.split("`")[1] for line in lines] == list(TABLES[name].names)


def test_no_cell_breaks_its_line() -> None:
    """A bar inside a cell is escaped, so every line of a section has as many cells as its header."""
    lines = [line for name in TABLES for line in _section(name) if line.startswith("|")]
    assert {line.replace("\\|", "").count("|") for line in lines} == {len(HEADER) + 1}


def test_ranges_words_and_defaults_are_shown() -> None:
    lines = {line.split("`")[1]: line for line in _section("operations") if line.startswith("| `")}
    assert "| 0 to 90 | years |" in lines["age_years"]
    assert "(empty: `performed`)" in lines["status"]
    assert "`left`, `right`, `bilateral`, `none`" in lines["side"]


def test_a_table_not_written_yet_is_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    marked = "not written by this version"
    assert not any(marked in line for name in TABLES for line in _section(name))
    monkeypatch.setitem(PUBLISHED, "changes", replace(PUBLISHED["changes"], filled=False))
    assert any(marked in line for line in _section("changes"))
    assert not any(marked in line for line in _section("rates"))


def test_every_kind_is_explained() -> None:
    assert set(KINDS) == set(ARROW_TYPES)

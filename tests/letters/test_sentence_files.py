"""The files of invented sentences: well formed, of known words, and no sentence in two places."""

from __future__ import annotations

import csv
import re
import tomllib
from collections import Counter
from pathlib import Path

import pytest

HERE = Path(__file__).parent
FILES = ("dev", "dev_more", "held_out", "unseen", "final")
COLUMNS = ["text", "category", "assertion", "side", "where", "note"]
ASSERTIONS = {"present", "absent", "hypothetical", "historical", "planned", "uncertain", "other_person"}


def sentences(name: str) -> list[dict[str, str]]:
    """The records of one file, each a dict of COLUMNS."""
    with (HERE / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file, strict=True)
        assert reader.fieldnames == COLUMNS
        return list(reader)


def labels(sentence: dict[str, str]) -> list[tuple[str, str]]:
    """Category and assertion of each label of a sentence."""
    return list(zip(sentence["category"].split(";"), sentence["assertion"].split(";"), strict=True))


@pytest.fixture(scope="module")
def categories() -> set[str]:
    catalogue = HERE.parents[1] / "schemas" / "catalogue.toml"
    return set(tomllib.loads(catalogue.read_text(encoding="utf-8"))["complications"])


@pytest.mark.parametrize("name", FILES)
def test_cells_hold_known_words(name: str, categories: set[str]) -> None:
    for sentence in sentences(name):
        assert set(sentence) == set(COLUMNS), sentence
        assert None not in sentence.values(), sentence
        assert all(cell == cell.strip() for cell in sentence.values()), sentence
        assert "" not in (sentence["text"], sentence["note"]), sentence
        assert sentence["side"] in {"L", "R", "B", "U"}, sentence
        pairs = labels(sentence)
        known = all(category in categories and said in ASSERTIONS for category, said in pairs)
        assert known or pairs == [("none", "none")], sentence


@pytest.mark.parametrize("name", FILES)
def test_a_sentence_has_one_label_a_category(name: str) -> None:
    for sentence in sentences(name):
        named = [category for category, _ in labels(sentence)]
        assert len(set(named)) == len(named), sentence


def test_no_sentence_stands_twice() -> None:
    texts = [
        re.sub(r"\W+", " ", sentence["text"].casefold()).strip()
        for name in FILES
        for sentence in sentences(name)
        if sentence["category"] != "none"  # an empty form is the same everywhere
    ]
    assert [text for text, times in Counter(texts).items() if times > 1] == []


@pytest.mark.parametrize("name", FILES)
def test_each_file_has_every_category_and_assertion(name: str, categories: set[str]) -> None:
    pairs = [pair for sentence in sentences(name) for pair in labels(sentence)]
    assert {category for category, said in pairs if said == "present"} == categories
    assert {said for _, said in pairs} == ASSERTIONS | {"none"}

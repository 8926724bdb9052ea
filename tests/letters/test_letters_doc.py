"""docs/letters.md: its worked example works, and it names every key and word that cues know."""

from __future__ import annotations

import re
from pathlib import Path

import pyarrow as pa

from pipeline.catalogue_letters import OF, REACHES, SAYS
from pipeline.catalogue_reading import catalogue_from_text
from pipeline.handover import ASSERTIONS
from pipeline.letters import read
from pipeline.phrase_grammar import SLOTS

PAGE = (Path(__file__).parents[2] / "docs" / "letters.md").read_text("utf-8")


def test_the_worked_example_reads_as_it_says() -> None:
    example = PAGE.partition("## A worked example")[2].partition("\n## ")[0]
    block = re.search(r"```toml\n(.*?)```", example, re.DOTALL)
    rows = re.findall(r"^\| (.+?) \| (\w+) \|$", example, re.MULTILINE)[1:]
    assert block is not None
    assert len(rows) == 3
    catalogue = catalogue_from_text(block[1])
    reading = read(pa.array([note for note, _ in rows]), catalogue, catalogue.places)
    said = reading.statements["assertion"].map(lambda position: ASSERTIONS[position])
    assert list(zip(reading.statements["text"], said, strict=True)) == [
        (at, word) for at, (_, word) in enumerate(rows)
    ]


def test_every_word_of_a_cue_is_explained() -> None:
    missing = [
        word for word in (*SAYS, *REACHES, *OF, *SLOTS) if f"`{word}" not in PAGE and f"{word}`" not in PAGE
    ]
    assert missing == []

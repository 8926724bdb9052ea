"""The page about mappings: every example can be loaded, and every key of the grammar has one."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = re.findall(r"```toml\n(.*?)```", (ROOT / "docs" / "mapping.md").read_text("utf-8"), re.DOTALL)


def keys_of_the_grammar() -> set[str]:
    """What the reader of mappings asks a TOML table for."""
    source = (ROOT / "pipeline" / "intake" / "mapping_reading.py").read_text("utf-8")
    asked = r'(?:toml|entry|unpivot|shifted)\.(?:text|texts|whole|date|table|tables|has|raw)\(\s*"(\w+)"'
    helpers = r'_(?:lists|filled|header)\((?:entry|shifted), "(\w+)"'
    return {*re.findall(asked, source), *re.findall(helpers, source)}


def keys(content: object) -> Iterator[str]:
    if isinstance(content, dict):
        for name, below in content.items():
            yield name
            yield from keys(below)
    for item in content if isinstance(content, list) else ():
        yield from keys(item)


@pytest.mark.parametrize("example", EXAMPLES, ids=range(len(EXAMPLES)))
def test_every_example_can_be_loaded(example: str, tmp_path: Path) -> None:
    from pipeline.intake import load_mapping

    path = tmp_path / "lakeside.toml"
    path.write_text(example if "contract" in example else f"contract = 1\n{example}", encoding="utf-8")
    assert load_mapping(path).tables


def test_every_key_has_an_example() -> None:
    grammar = keys_of_the_grammar()
    assert len(grammar) > 20
    shown = {key for example in EXAMPLES for key in keys(tomllib.loads(example))}
    assert grammar - shown == set()

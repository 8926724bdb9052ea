"""Clinical words are data: no key of the built-in catalogue stands in the program as a string."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="module")
def keys(root: Path) -> set[str]:
    catalogue = tomllib.loads((root / "schemas" / "catalogue.toml").read_text("utf-8"))
    found = {key for kind in ("procedures", "complications", "joints") for key in catalogue[kind]}
    assert len(found) > 30
    return found


def strings(tree: ast.Module) -> Iterator[ast.Constant]:
    """String constants that are not docstrings (a string standing alone is one)."""
    alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in alone:
            yield node


def spoken_keys(text: str, keys: set[str]) -> set[str]:
    """Keys a string speaks of: itself one, one of a `;`- or `+`-list, or a key of several words inside a sentence."""
    alone = set(re.split(r"[;+,\s]+", text)) if len(text.split()) == 1 else {text}
    inside = set(re.findall(r"[a-z]+(?:_[a-z]+)+", text))
    return (alone | inside) & keys


def test_no_catalogue_key_is_a_string_in_the_pipeline(pipeline_modules: list[Any], keys: set[str]) -> None:
    found = [
        f"{module.path.name}:{constant.lineno} says {sorted(spoken)}"
        for module in pipeline_modules
        for constant in strings(module.tree)
        if (spoken := spoken_keys(str(constant.value), keys))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("text", "spoken"),
    [
        ("shoulder", {"shoulder"}),
        ("shoulder;knee", {"shoulder", "knee"}),
        ("a release after pain_syndrome", {"pain_syndrome"}),
        ("the other side of the shoulder", set()),
    ],
)
def test_the_search_finds_keys(text: str, spoken: set[str]) -> None:
    assert spoken_keys(text, {"shoulder", "knee", "pain_syndrome", "other"}) == spoken

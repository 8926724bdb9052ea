"""The list of findings and the program agree: what is said is listed, and what is listed can be said."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest

from schemas.findings import CONTEXTS, FINDINGS, KINDS, NOTHING_TO_DO, Rule

RULES = list(FINDINGS.values())
#: Where a rule's code stands in a call or a dictionary: `{"rule": "…"}`, `rule="…"`, `Refusal("…")`, `said(source, "…")`.
TYPES = {"", "object", "string"}
CALLED = {"Refusal": 0, "said": 1, "of_file": 1}


def texts(tree: ast.AST) -> set[str]:
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def named_rules(tree: ast.AST) -> set[str]:
    """Texts that stand where only the code of a rule can stand."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Dict):
            pairs = zip(node.keys, node.values, strict=True)
            found |= {value for key, value in pairs if isinstance(key, ast.Constant) and key.value == "rule"}
        elif isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            found |= {word.value for word in node.keywords if word.arg in ("rule", "fault")}
            if name in CALLED and len(node.args) > CALLED[name]:
                found.add(node.args[CALLED[name]])
    codes = {text.value for text in found if isinstance(text, ast.Constant) and isinstance(text.value, str)}
    return codes - TYPES


def test_every_rule_that_is_said_is_listed(pipeline_modules: list[Any]) -> None:
    said = {module.name: named_rules(module.tree) for module in pipeline_modules}
    assert sum(map(len, said.values())) > 20
    assert {
        name: sorted(codes - set(FINDINGS)) for name, codes in said.items() if codes - set(FINDINGS)
    } == {}


def test_every_rule_that_is_listed_is_said(pipeline_modules: list[Any], schemas_modules: list[Any]) -> None:
    others = [module for module in schemas_modules if module.name != "schemas.findings"]
    said = set().union(*(texts(module.tree) for module in [*pipeline_modules, *others]))
    assert sorted(set(FINDINGS) - said - WAITING) == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.code)
def test_every_rule_is_complete(rule: Rule) -> None:
    assert re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", rule.code)
    assert rule.dimension in KINDS
    assert rule.kind in KINDS[rule.dimension], f"{rule.code}: write the kind, as in `value conformance`"
    assert rule.context in CONTEXTS
    assert not rule.title.endswith(".")
    for sentence in (rule.cause, rule.remedy, rule.asks):
        assert not sentence or sentence[-1] in ".", f"{rule.code}: {sentence}"
        assert not re.search(r"TODO|TBD|\bXX|…(?!`|\")", sentence), f"{rule.code}: {sentence}"


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.code)
def test_who_acts_fits_what_is_said(rule: Rule) -> None:
    """A repair asks nothing of anybody. What the sender is asked speaks of nothing the sender does not have."""
    assert (rule.acts == "nobody") == (rule.action == "repair")
    assert (rule.acts == "nobody") == (rule.remedy == NOTHING_TO_DO)
    assert bool(rule.asks) == (rule.acts == "either"), f"{rule.code}: say in `asks` what the sender is asked"
    if rule.acts in ("sender", "either"):
        assert not re.search(r"mappings/|\.toml|<|`values|`columns", rule.asks or rule.remedy), rule.code


def test_titles_are_not_used_twice() -> None:
    assert len({rule.title for rule in RULES}) == len(RULES)


def test_every_rule_can_be_linked_to(root: Path) -> None:
    page = (root / "docs" / "findings.md").read_text("utf-8")
    assert {code for code in FINDINGS if f"\n### {code}\n" not in page} == set()


def test_every_rule_is_met_in_a_test(root: Path) -> None:
    written = "\n".join(
        path.read_text("utf-8") for path in sorted((root / "tests").rglob("*.py")) if path != Path(__file__)
    )
    unmet = {code for code in FINDINGS if code not in written}
    assert sorted(unmet - WAITING - UNTESTED) == [], "no test speaks of them"


#: Listed, and said once the part that says it is there.
WAITING = {"death_before_operation", "export_set_aside"}
UNTESTED = {
    "encoding_by_mark",
    "side_against_diagnosis",
    "side_missing_for_sided",
    "fixation_unknown",
    "period_empty",
    "return_without_anaesthesia",
}

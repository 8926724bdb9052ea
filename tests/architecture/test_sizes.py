"""Small functions, modules one can read, names that say something."""

from __future__ import annotations

import ast
import statistics
from collections.abc import Iterator
from typing import Any

VAGUE = {"process", "handle", "utils", "helpers", "manager", "df", "data", "info"}
#: Limits of the project's style: bodies of 5 to 10 lines at the median, about 30 at the 90th percentile.
MEDIAN, NINETIETH, LONGEST_MODULE = 10, 30, 350


def functions(tree: ast.Module) -> Iterator[ast.FunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def body_lines(function: ast.FunctionDef) -> int:
    """Lines from the first statement after the docstring to the end; 0 if there is only a docstring."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return (function.end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_functions_are_short(pipeline_modules: list[Any], schemas_modules: list[Any]) -> None:
    sizes = sorted(
        body_lines(function)
        for module in [*pipeline_modules, *schemas_modules]
        for function in functions(module.tree)
    )
    assert len(sizes) > 100
    assert statistics.median(sizes) <= MEDIAN
    assert sizes[int(0.9 * len(sizes))] <= NINETIETH


def test_modules_are_readable(pipeline_modules: list[Any], schemas_modules: list[Any]) -> None:
    """Modules of prose and tables (findings, shapes of tables, what stages hand over) are data and may be longer."""
    lines = {module.name: len(module.text.splitlines()) for module in [*pipeline_modules, *schemas_modules]}
    lists = {"schemas.findings", "schemas.exports", "schemas.published", "pipeline.handover"}
    assert {
        name: count for name, count in lines.items() if count > LONGEST_MODULE and name not in lists
    } == {}


def test_names_say_something(pipeline_modules: list[Any], schemas_modules: list[Any]) -> None:
    vague = [
        f"{module.name}:{function.lineno} {name}"
        for module in [*pipeline_modules, *schemas_modules]
        for function in functions(module.tree)
        for name in [function.name, *(argument.arg for argument in function.args.args)]
        if name in VAGUE
    ]
    vague += [module.name for module in pipeline_modules if module.name.rpartition(".")[2] in VAGUE]
    assert vague == []


def test_public_functions_say_what_they_yield(pipeline_modules: list[Any]) -> None:
    """Every public module, and every public function that stages or commands call by name, has a docstring."""
    silent = [
        module.name
        for module in pipeline_modules
        if module.text.strip() and not ast.get_docstring(module.tree)
    ]
    assert silent == []

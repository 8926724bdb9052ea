"""Editions with and without what is made for print: pages, handout, workbook and outward edition."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any

MADE = ("report.write_report", "workbook.write_workbook", "handout.write_handout", "outward.write_outward")
_usual: dict[str, Callable[..., Any]] = {}


def without_print() -> None:
    """From now on editions of this process hold their tables and nothing that is made of them."""
    from pipeline.publish.outward import Outcome

    for name in MADE:
        module, function = _place(name)
        _usual[name] = getattr(module, function)
        outward = function == "write_outward"
        setattr(
            module, function, lambda *_a, _o=outward, **_n: Outcome(reason="not made here") if _o else None
        )


def with_print() -> None:
    """From now on they are whole again."""
    for name, made in _usual.items():
        setattr(*_place(name), made)


def _place(name: str) -> tuple[Any, str]:
    module, function = name.split(".")
    return importlib.import_module(f"pipeline.publish.{module}"), function

"""The mechanisms of an entry of catalogue.toml: levels, thresholds, codes."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pipeline.catalogue import ANY_LEVEL, CodeRule, Level, Measured
from pipeline.errors import WrongUse
from pipeline.toml_reading import TomlTable

MODES = ("passive", "active", "none")
ENERGIES = ("none", "low", "high")
_STRENGTH_KEYS = ("specific", "unspecific")
KEY = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_LIMIT = re.compile(r"(?:(?P<threshold>\w+)_)?(?P<end>below|above|worse_than_other)")


def measured(table: TomlTable, joints: tuple[str, ...]) -> Measured:
    table.require("joint", "measure")
    limits: dict[str, tuple[float | None, float | None]] = {}
    than_other: dict[str, float] = {}
    for key in table.keys:
        if found := _LIMIT.fullmatch(key):
            name, value = found["threshold"] or "", table.number(key)
            below, above = limits.get(name, (None, None))
            if found["end"] == "worse_than_other":
                than_other[name] = value
            else:
                limits[name] = (value, above) if found["end"] == "below" else (below, value)
    reading = Measured(
        joint=table.text("joint", among=joints),
        measure=table.text("measure"),
        mode=table.text("mode", "passive", among=MODES),
        limits=limits,
        than_other=than_other,
    )
    table.finish({"below", "above", "worse_than_other"})
    if "" not in limits:
        raise WrongUse(
            f"{table.place()}: `measured` has neither `below` nor `above`. Add the plain threshold."
        )
    if alone := sorted(set(than_other) - set(limits)):
        raise WrongUse(
            f"{table.place()}: `worse_than_other` of the threshold `{alone[0]}` has neither `below` nor `above` beside it. "
            "Add the limit in degrees."
        )
    return reading


def levels(key: str, table: TomlTable, readings: tuple[Measured, ...]) -> tuple[tuple[Level, ...], str]:
    tables = table.named_tables("levels")
    thresholds = {name for item in readings for name in item.limits if name}
    found = {name: _level(name, item, thresholds) for name, item in tables.items()} or {
        ANY_LEVEL: Level(ANY_LEVEL)
    }
    main = table.text("main_level", next(iter(found)) if len(found) == 1 else "", among=found)
    if not main:
        words = ", ".join(found)
        raise WrongUse(f"{table.place()}: [complications.{key}] has no `main_level`. Name one of {words}.")
    others = (level for name, level in found.items() if name != main)
    return (found[main], *others), main


def _level(key: str, table: TomlTable, thresholds: set[str]) -> Level:
    if key in _STRENGTH_KEYS or not KEY.fullmatch(key):
        raise WrongUse(f"{table.place()}: a level cannot be called `{key}`. Give it another key.")
    level = Level(
        key=key,
        from_day=table.whole("from_day", low=0),
        to_day=table.whole("to_day", low=0),
        or_visits=table.whole("or_visits", low=1),
        apart_days=table.whole("apart_days", low=0),
        threshold=table.text("threshold", among=thresholds),
        instability_levels=table.wholes("instability_levels", low=1, high=5),
        times=table.whole("times", low=1),
        energy=table.texts("energy", among=ENERGIES),
        redo=table.flag("redo", False),
        after_operations=table.flag("after_operations", False),
        described=table.flag("described", False),
    )
    table.finish()
    return level


def plain_codes(table: TomlTable) -> dict[str, tuple[str, ...]]:
    codes = table.table("codes")
    return {system: tuple(_checked_patterns(codes, system)) for system in codes.keys}


def _checked_patterns(table: TomlTable, key: str) -> Iterator[str]:
    for pattern in table.texts(key):
        if not pattern.strip() or "*" in pattern[:-1]:
            raise table.wrong(key, "codes, with a * only at the end.", pattern)
        yield pattern.strip()


def graded_codes(table: TomlTable, levels: tuple[str, ...], main: str) -> dict[str, tuple[CodeRule, ...]]:
    codes = table.table("codes")
    return {system: tuple(_system_rules(codes, system, levels, main)) for system in codes.keys}


def _system_rules(codes: TomlTable, system: str, levels: tuple[str, ...], main: str) -> Iterator[CodeRule]:
    if not isinstance(codes.raw(system), dict):
        yield from _rules(codes, system, True, "")
        return
    graded = codes.table(system)
    yield from _strength_rules(graded, "")
    for level in levels:
        if graded.has(level):
            yield from _level_rules(graded, level, "" if level == main else level)
    graded.finish()


def _level_rules(graded: TomlTable, key: str, level: str) -> Iterator[CodeRule]:
    if not isinstance(graded.raw(key), dict):
        yield from _rules(graded, key, True, level)
        return
    table = graded.table(key)
    yield from _strength_rules(table, level)
    table.finish()


def _strength_rules(table: TomlTable, level: str) -> Iterator[CodeRule]:
    for strength in _STRENGTH_KEYS:
        if table.has(strength):
            yield from _rules(table, strength, strength == "specific", level)


def _rules(table: TomlTable, key: str, specific: bool, level: str) -> Iterator[CodeRule]:
    return (CodeRule(pattern, specific, level) for pattern in _checked_patterns(table, key))

"""catalogue.toml → `Catalogue`: every key checked, every name it mentions looked up."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

from pipeline.catalogue import (
    ANY_COMPLICATION,
    ANY_LEVEL,
    PATIENT_DIED,
    UNPLANNED_RETURN,
    Catalogue,
    CodeRule,
    Complication,
    Joint,
    Level,
    Measured,
    Procedure,
)
from pipeline.catalogue_merging import KINDS, Content, Layer, entry_names, merged
from pipeline.errors import WrongUse
from pipeline.toml_reading import TomlTable, TomlText, parse_toml, read_toml

SEEN_IN = ("records", "visit")
MODES = ("passive", "active", "none")
GRADES = ("I", "II", "III", "IV", "V")
ENERGIES = ("none", "low", "high")
_STRENGTH_KEYS = ("specific", "unspecific")
_ALL_PROCEDURES = "all"  # stands for every procedure in the tables
_KEY = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_LIMIT = re.compile(r"(?:(?P<threshold>\w+)_)?(?P<end>below|above)")


@dataclass(frozen=True)
class _Names:
    """What entries may mention."""

    procedures: tuple[str, ...]
    complications: tuple[str, ...]
    joints: tuple[str, ...]
    places: tuple[str, ...]


def read_catalogue(workspace_file: Path | None) -> Catalogue:
    """The catalogue in force. A file that does not exist changes nothing. Raises WrongUse."""
    above = None
    if workspace_file is not None and workspace_file.exists():
        table = read_toml(workspace_file)
        above = Layer(dict(table.content), table.origin)
    return _catalogue(built_in_layer(), above)


def catalogue_from_text(text: str, name: str = "catalogue.toml") -> Catalogue:
    """As `read_catalogue`, from text: for tests and for the copies that editions keep."""
    return _catalogue(built_in_layer(), Layer(parse_toml(text, name), TomlText(name, text)))


def built_in_layer() -> Layer:
    """The catalogue that comes with the program."""
    text = files("schemas").joinpath("catalogue.toml").read_text(encoding="utf-8")
    name = "built-in catalogue"
    return Layer(parse_toml(text, name), TomlText(name, text))


def _catalogue(below: Layer, above: Layer | None) -> Catalogue:
    if above is not None:
        above.text.below = below.text
    laid = merged(below, above)
    top = TomlTable(laid.content, laid.text)
    tables = {kind: _entry_tables(top, kind) for kind in KINDS}
    top.finish({"builtin"})
    names = _names(laid.content, tables["joints"])
    joints = {key: _joint(key, table, names) for key, table in tables["joints"].items()}
    _reject_circles(joints, tables["joints"])
    catalogue = Catalogue(
        procedures={key: _procedure(key, table, names) for key, table in tables["procedures"].items()},
        complications={
            key: _complication(key, table, names) for key, table in tables["complications"].items()
        },
        joints=joints,
        differs=laid.differs,
        notes=laid.notes,
    )
    return replace(catalogue, procedures=_completed(catalogue))


def _entry_tables(top: TomlTable, kind: str) -> dict[str, TomlTable]:
    tables = top.named_tables(kind)
    reserved = {"procedures": _ALL_PROCEDURES, "complications": ANY_COMPLICATION}.get(kind)
    for key, table in tables.items():
        if key == reserved:
            raise WrongUse(f"{table.place()}: `{key}` is the program's own word. Give the entry another key.")
        if not _KEY.fullmatch(key):
            raise WrongUse(
                f"{table.place()}: `{key}` is not a key. Use letters, digits and _, a letter first."
            )
    return tables


def _names(content: Content, joints: dict[str, TomlTable]) -> _Names:
    bones = [bone for table in joints.values() for bone in table.texts("bones")]
    return _Names(
        procedures=entry_names(content, "procedures"),
        complications=entry_names(content, "complications"),
        joints=tuple(joints),
        places=tuple(dict.fromkeys([*joints, *bones])),
    )


def _plain_name(key: str) -> str:
    return key.replace("_", " ").capitalize()


def _joint(key: str, table: TomlTable, names: _Names) -> Joint:
    joint = Joint(
        key=key,
        name=table.text("name", _plain_name(key)),
        part_of=table.text("part_of", among=names.joints),
        bones=table.texts("bones"),
        codes=_plain_codes(table),
    )
    table.finish()
    return joint


def _reject_circles(joints: dict[str, Joint], tables: dict[str, TomlTable]) -> None:
    for key in joints:
        seen, at = {key}, joints[key].part_of
        while at:
            if at in seen:
                raise tables[key].wrong(
                    "part_of", "a joint that is not part of this one. Take one of the two away."
                )
            seen.add(at)
            at = joints[at].part_of


def _procedure(key: str, table: TomlTable, names: _Names) -> Procedure:
    procedure = Procedure(
        key=key,
        name=table.text("name", _plain_name(key)),
        joint=table.text("joint", among=names.joints),
        watch=table.texts("watch", among=names.places),
        sided=table.flag("sided", True),
        index=table.flag("index", False),
        precedence=table.whole("precedence", -1, low=0),
        fixations=table.texts("fixations"),
        holes_in=table.texts("holes_in", among=names.places),
        concerns=table.text("concerns"),
        implies=table.texts("implies", among=names.complications),
        reasons=table.text("reasons", among=names.complications),
        redo=table.flag("redo", False),
        concomitant=table.texts("concomitant"),
        codes=_plain_codes(table),
    )
    table.finish()
    if procedure.index and not procedure.joint:
        raise WrongUse(
            f"{table.place()}: [procedures.{key}] has `index = true` but no `joint`. Add its joint."
        )
    return procedure


def _completed(catalogue: Catalogue) -> dict[str, Procedure]:
    """With the default watch, and the precedence of file order."""
    return {
        key: replace(
            entry,
            watch=entry.watch or _default_watch(catalogue, entry),
            precedence=position if entry.precedence < 0 else entry.precedence,
        )
        for position, (key, entry) in enumerate(catalogue.procedures.items())
    }


def _default_watch(catalogue: Catalogue, entry: Procedure) -> tuple[str, ...]:
    if not entry.joint:
        return ()
    around = (*catalogue.wholes_of(entry.joint), *catalogue.parts_of(entry.joint))
    return tuple(dict.fromkeys([entry.joint, *around, *entry.holes_in]))


def _complication(key: str, table: TomlTable, names: _Names) -> Complication:
    measured = tuple(_measured(item, names) for item in table.tables("measured"))
    levels, main = _levels(key, table, measured)
    complication = Complication(
        key=key,
        name=table.text("name", _plain_name(key)),
        seen_in=table.text("seen_in", "records", among=SEEN_IN),
        in_any=table.flag("in_any", True),
        first_day=table.whole("first_day", 0, low=0),
        windows=table.wholes("windows", low=1),
        main_level=main,
        levels=levels,
        needs_hole=table.flag("needs_hole", False),
        otherwise=table.text("otherwise", among=names.complications),
        joints=table.texts("joints", among=names.joints),
        codes=_graded_codes(table, tuple(level.key for level in levels), main),
        after_operations=table.texts("after_operations", among=names.procedures),
        implied_by=table.texts(
            "implied_by", among=(UNPLANNED_RETURN, PATIENT_DIED, *names.procedures), lone=True
        ),
        measured=measured,
        repeated_days=table.whole("repeated_days", 90, low=0),
        parent=table.text("parent", among=names.complications),
        default_grade=table.text("default_grade", among=GRADES),
        phrases=table.texts("phrases"),
        published=tuple(_published(item) for item in table.tables("published")),
    )
    table.finish()
    return complication


def _published(table: TomlTable) -> dict[str, object]:
    table.require("events", "cases", "source")
    figure = {
        "events": table.whole("events", low=0),
        "cases": table.whole("cases", low=1),
        "window": table.whole("window", low=1),
        "criterion": table.text("criterion"),
        "source": table.text("source"),
    }
    table.finish()
    return figure


def _measured(table: TomlTable, names: _Names) -> Measured:
    table.require("joint", "measure")
    limits: dict[str, tuple[float | None, float | None]] = {}
    for key in table.keys:
        if found := _LIMIT.fullmatch(key):
            below, above = limits.get(found["threshold"] or "", (None, None))
            value = table.number(key)
            limits[found["threshold"] or ""] = (value, above) if found["end"] == "below" else (below, value)
    measured = Measured(
        joint=table.text("joint", among=names.joints),
        measure=table.text("measure"),
        mode=table.text("mode", "passive", among=MODES),
        limits=limits,
    )
    table.finish({"below", "above"})
    if "" not in limits:
        raise WrongUse(
            f"{table.place()}: `measured` has neither `below` nor `above`. Add the plain threshold."
        )
    return measured


def _levels(key: str, table: TomlTable, measured: tuple[Measured, ...]) -> tuple[tuple[Level, ...], str]:
    tables = table.named_tables("levels")
    thresholds = {name for item in measured for name in item.limits if name}
    levels = {name: _level(name, item, thresholds) for name, item in tables.items()} or {
        ANY_LEVEL: Level(ANY_LEVEL)
    }
    main = table.text("main_level", next(iter(levels)) if len(levels) == 1 else "", among=levels)
    if not main:
        words = ", ".join(levels)
        raise WrongUse(f"{table.place()}: [complications.{key}] has no `main_level`. Name one of {words}.")
    others = (level for name, level in levels.items() if name != main)
    return (levels[main], *others), main


def _level(key: str, table: TomlTable, thresholds: set[str]) -> Level:
    if key in _STRENGTH_KEYS or not _KEY.fullmatch(key):
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


def _plain_codes(table: TomlTable) -> dict[str, tuple[str, ...]]:
    codes = table.table("codes")
    return {system: tuple(_checked_patterns(codes, system)) for system in codes.keys}


def _checked_patterns(table: TomlTable, key: str) -> Iterator[str]:
    for pattern in table.texts(key):
        if not pattern.strip() or "*" in pattern[:-1]:
            raise table.wrong(key, "codes, with a * only at the end.", pattern)
        yield pattern.strip()


def _graded_codes(table: TomlTable, levels: tuple[str, ...], main: str) -> dict[str, tuple[CodeRule, ...]]:
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


def defaults(entry: Any) -> dict[str, Any]:
    """Field → default value of an entry's class, to tell what an entry says itself."""
    return dict(vars(type(entry)(key=entry.key, name="")))

"""catalogue.toml → `Catalogue`: every key checked, every name it mentions looked up."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from pipeline.catalogue import (
    ANY_COMPLICATION,
    PATIENT_DIED,
    UNPLANNED_RETURN,
    Catalogue,
    Complication,
    Joint,
    Procedure,
)
from pipeline.catalogue_letters import body_words, cue, measure_words, phrases, word_list
from pipeline.catalogue_mechanisms import KEY, graded_codes, levels, measured, plain_codes
from pipeline.catalogue_merging import KINDS, Content, Layer, entry_names, merged
from pipeline.catalogue_published import published_figures
from pipeline.errors import WrongUse
from pipeline.toml_reading import TomlTable, TomlText, parse_toml, read_toml

SEEN_IN = ("records", "visit")
GRADES = ("I", "II", "III", "IV", "V")
_ALL_PROCEDURES = "all"  # stands for every procedure in the tables


@dataclass(frozen=True)
class Names:
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
    """The catalogue that comes with the program, for whoever asks alone."""
    parsed = _built_in()
    return Layer(deepcopy(parsed.content), parsed.text)


@lru_cache(maxsize=1)
def _built_in() -> Layer:
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
    lists = {key: word_list(key, table) for key, table in tables["word_lists"].items()}
    catalogue = Catalogue(
        procedures={key: _procedure(key, table, names) for key, table in tables["procedures"].items()},
        complications={
            key: _complication(key, table, names, lists) for key, table in tables["complications"].items()
        },
        joints=joints,
        differs=laid.differs,
        notes=laid.notes,
        word_lists=lists,
        cues={key: cue(key, table, lists) for key, table in tables["cues"].items()},
        body={key: body_words(key, table, lists) for key, table in tables["body"].items()},
        measures={key: measure_words(key, table, lists) for key, table in tables["measures"].items()},
    )
    return replace(catalogue, procedures=_completed(catalogue))


def _entry_tables(top: TomlTable, kind: str) -> dict[str, TomlTable]:
    tables = top.named_tables(kind)
    reserved = {"procedures": _ALL_PROCEDURES, "complications": ANY_COMPLICATION}.get(kind)
    for key, table in tables.items():
        if key == reserved:
            raise WrongUse(f"{table.place()}: `{key}` is the program's own word. Give the entry another key.")
        if not KEY.fullmatch(key):
            raise WrongUse(
                f"{table.place()}: `{key}` is not a key. Use letters, digits and _, a letter first."
            )
    return tables


def _names(content: Content, joints: dict[str, TomlTable]) -> Names:
    bones = [bone for table in joints.values() for bone in table.texts("bones")]
    return Names(
        procedures=entry_names(content, "procedures"),
        complications=entry_names(content, "complications"),
        joints=tuple(joints),
        places=tuple(dict.fromkeys([*joints, *bones])),
    )


def _plain_name(key: str) -> str:
    return key.replace("_", " ").capitalize()


def _joint(key: str, table: TomlTable, names: Names) -> Joint:
    joint = Joint(
        key=key,
        name=table.text("name", _plain_name(key)),
        part_of=table.text("part_of", among=names.joints),
        bones=table.texts("bones"),
        codes=plain_codes(table),
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


def _procedure(key: str, table: TomlTable, names: Names) -> Procedure:
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
        limits=table.texts("limits"),
        codes=plain_codes(table),
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


def _complication(
    key: str, table: TomlTable, names: Names, lists: Mapping[str, tuple[str, ...]]
) -> Complication:
    readings = tuple(measured(item, names.joints) for item in table.tables("measured"))
    graded, main = levels(key, table, readings)
    complication = Complication(
        key=key,
        name=table.text("name", _plain_name(key)),
        seen_in=table.text("seen_in", "records", among=SEEN_IN),
        in_any=table.flag("in_any", True),
        first_day=table.whole("first_day", 0, low=0),
        windows=table.wholes("windows", low=1),
        main_level=main,
        levels=graded,
        needs_hole=table.flag("needs_hole", False),
        otherwise=table.text("otherwise", among=names.complications),
        joints=table.texts("joints", among=names.joints),
        codes=graded_codes(table, tuple(level.key for level in graded), main),
        after_operations=table.texts("after_operations", among=names.procedures),
        implied_by=table.texts(
            "implied_by", among=(UNPLANNED_RETURN, PATIENT_DIED, *names.procedures), lone=True
        ),
        reasons_order=table.texts("reasons_order", among=names.complications),
        reason_days=table.whole("reason_days", 90, low=0),
        recurrence_of=table.texts("recurrence_of"),
        measured=readings,
        repeated_days=table.whole("repeated_days", 90, low=0),
        parent=table.text("parent", among=names.complications),
        default_grade=table.text("default_grade", among=GRADES),
        sided=table.flag("sided", True),
        phrases=phrases(table, "phrases", lists),
        absent_phrases=phrases(table, "absent_phrases", lists),
        not_phrases=phrases(table, "not_phrases", lists),
        elsewhere=table.flag("elsewhere", False),
        published=published_figures(table),
    )
    table.finish()
    return complication

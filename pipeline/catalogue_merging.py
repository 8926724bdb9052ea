"""The workspace's catalogue laid over the built-in one, and what that changes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.code_matching import covers, normalised_code
from pipeline.errors import WrongUse
from pipeline.toml_lines import KeyPath, TomlText

Content = dict[str, Any]
Claim = tuple[str, str, str, KeyPath]  # entry, system, pattern, where it stands
KINDS = ("procedures", "complications", "joints", "word_lists", "cues", "body", "measures")
LANGUAGE = (
    "word_lists",
    "cues",
    "body",
    "measures",
)  # how letters are written: stays where built-in entries are left out


@dataclass(frozen=True)
class Layer:
    """One catalogue file as parsed, with the place of its keys."""

    content: Content
    text: TomlText


@dataclass(frozen=True)
class Merged:
    """The catalogue in force before it is checked."""

    content: Content
    text: TomlText
    differs: tuple[str, ...] = ()
    notes: tuple[dict[str, object], ...] = ()


def merged(below: Layer, above: Layer | None) -> Merged:
    """`above` laid over `below`: key by key, a list replaces a list.

    Raises:
        WrongUse: `fresh` or `builtin` is no yes or no, or a file lists one code twice.
    """
    reject_repeated_codes(below)
    if above is None:
        return Merged(below.content, below.text)
    reject_repeated_codes(above)
    whole = _switch(above, ("builtin",), True)
    kept = {kind: entries for kind, entries in below.content.items() if whole or kind in LANGUAGE}
    laid = {
        kind: _entries_laid_over(kind, kept.get(kind, {}), above) for kind in KINDS if _has(kind, kept, above)
    }
    extra = {key: value for key, value in above.content.items() if key not in (*KINDS, "builtin")}
    content, notes = _codes_taken_over(laid, above)
    differs = _differences(below.content, content, whole)
    return Merged({**extra, **content}, above.text, differs, notes)


def _has(kind: str, kept: Content, above: Layer) -> bool:
    return kind in kept or kind in above.content


def _switch(layer: Layer, path: KeyPath, default: bool) -> bool:
    value: Any = layer.content
    for part in path:
        value = value.get(part, {}) if isinstance(value, dict) else {}
    if value == {}:
        return default
    if not isinstance(value, bool):
        raise WrongUse(
            f"{layer.text.place(path)}: `{path[-1]}` is {value!r}; expected true or false, without quotes."
        )
    return value


def _entries_laid_over(kind: str, below: Content, above: Layer) -> Any:
    entries = above.content.get(kind, {})
    if not isinstance(entries, dict):
        return entries
    return dict(below) | {name: _entry(kind, name, below.get(name, {}), above) for name in entries}


def _entry(kind: str, name: str, below: Content, above: Layer) -> Any:
    fresh = _switch(above, (kind, name, "fresh"), False)
    entry = above.content[kind][name]
    if not isinstance(entry, dict):
        return entry
    own = {key: value for key, value in entry.items() if key != "fresh"}
    return own if fresh else _laid_over(below, own)


def _laid_over(below: Content, above: Content) -> Content:
    both = {
        key: _laid_over(below[key], value)
        if isinstance(value, dict) and isinstance(below.get(key), dict)
        else value
        for key, value in above.items()
    }
    return below | both


def _patterns(entry: Any) -> Iterator[tuple[str, str, KeyPath]]:
    """System, pattern and path of each code, whatever the shape of the lists around it."""
    codes = entry.get("codes", {}) if isinstance(entry, dict) else {}
    for system, shape in codes.items() if isinstance(codes, dict) else ():
        for pattern, path in _texts(shape, ("codes", system)):
            yield system, pattern, path


def _texts(shape: Any, path: KeyPath) -> Iterator[tuple[str, KeyPath]]:
    if isinstance(shape, str):
        yield shape, path
    inner = shape.items() if isinstance(shape, dict) else enumerate(shape) if isinstance(shape, list) else ()
    for key, value in inner:
        yield from _texts(value, (*path, key))


def _all_patterns(content: Content, kind: str) -> Iterator[Claim]:
    entries = content.get(kind, {})
    for name, entry in entries.items() if isinstance(entries, dict) else ():
        for system, pattern, path in _patterns(entry):
            yield name, system, pattern, (kind, name, *path)


def reject_repeated_codes(layer: Layer) -> None:
    """Raise WrongUse for a code that one file lists twice among entries of a kind, naming both."""
    for kind in KINDS:
        seen: dict[tuple[str, str], KeyPath] = {}
        for _, system, pattern, path in _all_patterns(layer.content, kind):
            key = (system, normalised_code(system, pattern))
            if key in seen:
                first = seen[key]
                raise WrongUse(
                    f"{layer.text.place(path)}: the code `{pattern}` of {system} stands in {_dotted(first)} "
                    f"({layer.text.place(first)}) and in {_dotted(path)}. Keep it in one of them."
                )
            seen[key] = path


def _dotted(path: KeyPath) -> str:
    return ".".join(str(part) for part in path if not isinstance(part, int))


def _codes_taken_over(laid: Content, above: Layer) -> tuple[Content, tuple[dict[str, object], ...]]:
    """Without the built-in patterns that lie within a pattern the workspace lists, here or in another entry."""
    notes: list[dict[str, object]] = []
    content: Content = {}
    for kind, entries in laid.items():
        claims = list(_all_patterns(above.content, kind))
        lost = {path: claim for path, claim in _lost(entries, kind, claims, above.text) if claims}
        notes += [_taken(above.text, path, *claim) for path, claim in lost.items() if claim[0] != path[1]]
        content[kind] = _without(entries, set(lost), (kind,)) if lost else entries
    return content, tuple(notes)


def _lost(entries: Any, kind: str, claims: list[Claim], text: TomlText) -> Iterator[tuple[KeyPath, Claim]]:
    """Paths of built-in patterns, each with the workspace's pattern that takes it."""
    for _, system, pattern, path in _all_patterns({kind: entries}, kind):
        if text.line(path) is None:
            takers = (claim for claim in claims if claim[1] == system and _within(system, claim[2], pattern))
            if taker := next(takers, None):
                yield path, taker


def _within(system: str, wide: str, narrow: str) -> bool:
    return covers(normalised_code(system, wide), normalised_code(system, narrow))


def _without(shape: Any, paths: set[KeyPath], at: KeyPath) -> Any:
    if isinstance(shape, dict):
        return {key: _without(value, paths, (*at, key)) for key, value in shape.items()}
    if isinstance(shape, list):
        return [item for position, item in enumerate(shape) if (*at, position) not in paths]
    return shape


def _taken(
    text: TomlText, lost: KeyPath, owner: str, system: str, pattern: str, path: KeyPath
) -> dict[str, object]:
    message = (
        f"`{pattern}` ({system}) counts for `{owner}`, as the workspace says, "
        f"and no longer for the built-in `{lost[1]}`."
    )
    return {
        "source_file": text.name,
        "source_line": text.line(path),
        "column": _dotted(path[2:4]),
        "rule": "code_in_two_entries",
        "value": pattern,
        "message": message,
    }


def _differences(below: Content, content: Content, kept: bool) -> tuple[str, ...]:
    if not kept:
        return ("All built-in entries are left out; every entry is the workspace's own.",)
    return tuple(
        line
        for kind in KINDS
        if isinstance(content.get(kind), dict)
        for name, entry in content[kind].items()
        for line in _changes(f"{kind}.{name}", below.get(kind, {}).get(name), entry)
    )


def _changes(where: str, before: Any, after: Any) -> Iterator[str]:
    if before == after:
        return
    if before is None:
        yield f"{where}: added" if isinstance(after, dict) else f"{where}: {_shown(after)} (was not set)"
    elif after is None:
        yield f"{where}: no longer set (was {_shown(before)})"
    elif isinstance(before, dict) and isinstance(after, dict):
        for key in [*before, *(key for key in after if key not in before)]:
            yield from _changes(f"{where}.{key}", before.get(key), after.get(key))
    elif _is_list_of_texts(before) and _is_list_of_texts(after):
        yield f"{where}: {_moved(before, after)}"
    else:
        yield f"{where}: {_shown(before)} → {_shown(after)}"


def _is_list_of_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _moved(before: list[str], after: list[str]) -> str:
    added = [f"with `{item}`" for item in after if item not in before]
    gone = [f"without `{item}`" for item in before if item not in after]
    return ", ".join([*added, *gone]) or "another order"


_SHOWN: dict[type, Callable[[Any], str]] = {
    bool: lambda value: "true" if value else "false",
    str: lambda value: f'"{value}"',
    list: lambda value: "[" + ", ".join(_shown(item) for item in value) + "]",
    dict: lambda value: "{ " + ", ".join(f"{key} = {_shown(item)}" for key, item in value.items()) + " }",
}


def _shown(value: Any) -> str:
    return _SHOWN.get(type(value), str)(value)


def entry_names(content: Mapping[str, Any], kind: str) -> tuple[str, ...]:
    """The keys of a kind of entry, in file order."""
    entries = content.get(kind, {})
    return tuple(entries) if isinstance(entries, dict) else ()

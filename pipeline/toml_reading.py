"""TOML as people write it: checked key by key, with the line of every key.

A reader asks for the keys it knows and ends with `finish`, which complains about the rest:

    table = read_toml(path)                       # WrongUse if it is missing or not TOML
    order = table.text("date_order", among=("DMY", "MDY", "YMD"))
    for entry in table.tables("table"):           # [[table]], or an array of inline tables
        entry.require("table", "columns")
        columns = entry.table("columns")
        headers = {column: columns.texts(column, lone=True) for column in columns.keys}
        entry.finish()                            # unknown keys: WrongUse with a suggestion
    table.finish()

Every complaint names file, line and key, says what was got, what is expected and what to do.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipeline.errors import WrongUse, did_you_mean
from pipeline.toml_lines import KeyPath, TomlText

__all__ = ["TomlTable", "TomlText", "parse_toml", "read_toml"]


def _shown(value: object) -> str:
    """A value as one would write it in TOML, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


class TomlTable:
    """A table being read. It remembers which keys were asked for; `finish` rejects the others."""

    def __init__(self, content: Mapping[str, Any], text: TomlText, path: KeyPath = ()) -> None:
        self.content = content
        self.origin = text
        self.path = path
        self._asked: set[str] = set()

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys present, in file order."""
        return tuple(self.content)

    def has(self, key: str) -> bool:
        """Whether the key is present. Also marks it as known."""
        self._asked.add(key)
        return key in self.content

    def place(self, key: str = "") -> str:
        """`file, line n` of a key, or of the table itself."""
        return self.origin.place((*self.path, key) if key else self.path)

    def wrong(self, key: str, expected: str, got: object = None) -> WrongUse:
        """The error to raise: what the key holds, what was expected, what to do."""
        held = self.content.get(key) if got is None else got
        return WrongUse(f"{self.place(key)}: `{self.dotted(key)}` is {_shown(held)}; expected {expected}")

    def dotted(self, key: str) -> str:
        """The key with the tables around it, as a reader would name it."""
        return ".".join(str(part) for part in (*self.path, key) if not isinstance(part, int))

    def raw(self, key: str, default: Any = None) -> Any:
        """The value as parsed, unchecked."""
        return self.content[key] if self.has(key) else default

    def text(self, key: str, default: str = "", among: Collection[str] | None = None) -> str:
        """A text; with `among`, one of these words."""
        value = self.raw(key, default)
        if not isinstance(value, str):
            raise self.wrong(key, 'a text. Write it in quotes: "…".')
        if among is not None and key in self.content and value not in among:
            raise self.wrong(key, f"{_choice(among)}.{did_you_mean(value, among)}")
        return value

    def whole(self, key: str, default: Any = None, low: int | None = None, high: int | None = None) -> Any:
        """A whole number within the limits (both allowed), or the default."""
        value = self.raw(key, default)
        if key in self.content and (not _is_whole(value) or not _within(value, low, high)):
            raise self.wrong(key, f"a whole number{_limits(low, high)}. Write it without quotes.")
        return value

    def number(
        self, key: str, default: Any = None, low: float | None = None, high: float | None = None
    ) -> Any:
        """A number within the limits (both allowed) as a float, or the default."""
        if not self.has(key):
            return default
        value = self.content[key]
        if not (_is_whole(value) or isinstance(value, float)) or not _within(value, low, high):
            raise self.wrong(key, f"a number{_limits(low, high)}. Write it without quotes, with a point.")
        return float(value)

    def flag(self, key: str, default: Any = None) -> Any:
        """`true` or `false`, or the default."""
        value = self.raw(key, default)
        if key in self.content and not isinstance(value, bool):
            raise self.wrong(key, "true or false, without quotes.")
        return value

    def date(self, key: str, default: date | None = None) -> date | None:
        """A day, written 2026-10-31 with or without quotes. An empty text is the default."""
        value = self.raw(key, default)
        if value is None or value == "" or (isinstance(value, date) and not isinstance(value, datetime)):
            return value or default
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            raise self.wrong(key, "a day, written like 2026-10-31.") from None

    def texts(
        self, key: str, default: Sequence[str] = (), among: Collection[str] | None = None, lone: bool = False
    ) -> tuple[str, ...]:
        """A list of texts; with `among`, of these words; with `lone`, one text stands for a list of one."""
        value = self.raw(key, list(default))
        if lone and isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.wrong(key, 'a list of texts. Write ["…", "…"].')
        unknown = [item for item in value if among is not None and key in self.content and item not in among]
        if among is not None and unknown:
            raise self.wrong(key, f"{_choice(among)}.{did_you_mean(unknown[0], among)}", unknown[0])
        return tuple(value)

    def wholes(
        self, key: str, default: Sequence[int] = (), low: int | None = None, high: int | None = None
    ) -> tuple[int, ...]:
        """A list of whole numbers within the limits."""
        value = self.raw(key, list(default))
        items = value if isinstance(value, list) else [None]
        if not all(_is_whole(item) and _within(item, low, high) for item in items):
            raise self.wrong(key, f"a list of whole numbers{_limits(low, high)}. Write [1, 2].")
        return tuple(value)

    def table(self, key: str) -> TomlTable:
        """The table under the key; an empty one if absent."""
        value = self.raw(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, f"a table. Write [{self.dotted(key)}] and its keys below it.")
        return TomlTable(value, self.origin, (*self.path, key))

    def tables(self, key: str) -> tuple[TomlTable, ...]:
        """The tables of `[[key]]` or of an array of inline tables; none if absent."""
        value = self.raw(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.wrong(key, f"a list of tables. Write [[{self.dotted(key)}]] above each.")
        return tuple(TomlTable(item, self.origin, (*self.path, key, at)) for at, item in enumerate(value))

    def named_tables(self, key: str = "") -> dict[str, TomlTable]:
        """Name → table, for `[key.name]`; without a key, the tables of this table itself."""
        around = self.table(key) if key else self
        return {name: around.table(name) for name in around.keys}

    def require(self, *keys: str) -> None:
        """Raise WrongUse for the first of these keys that is absent."""
        for key in keys:
            if not self.has(key):
                inside = f"[{self.dotted('').rstrip('.')}] " if self.path else ""
                written = did_you_mean(key, [each for each in self.content if each not in keys])
                hint = written.replace("Did you mean", "Or is it meant by")
                raise WrongUse(f"{self.place()}: {inside}has no `{key}`. Add a line `{key} = …`.{hint}")

    def finish(self, also_known: Iterable[str] = ()) -> None:
        """Raise WrongUse for the first key nobody asked for, with a suggestion."""
        known = self._asked | set(also_known)
        for key in self.content:
            if key not in known:
                hint = did_you_mean(key, known) or f" Known here: {', '.join(sorted(known))}."
                raise WrongUse(f"{self.place(key)}: unknown key `{self.dotted(key)}`.{hint}")


def _within(value: Any, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


def _choice(among: Collection[str], shown: int = 15) -> str:
    words = sorted(among)
    if not words:
        return "nothing here, since there is none to name"
    return f"one of {', '.join(words[:shown])}" + (", …" if len(words) > shown else "")


def _limits(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f" of at least {low}" if high is None else f" of at most {high}"
    return f" between {low} and {high}"


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """The content, unchecked. Raises WrongUse naming the line where it stops being TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, _, at = str(error).removesuffix(")").partition(" (at ")
        remedy = "Correct this line; texts stand in quotes."
        raise WrongUse(f"{name}, {at or 'somewhere'}: not valid TOML: {what}. {remedy}") from None
    except RecursionError:
        raise WrongUse(f"{name}: lists inside lists without end. Write it anew.") from None


def read_toml(path: Path, named: str = "") -> TomlTable:
    """A TOML file, named so or by its file name in messages. Raises WrongUse if missing, not UTF-8 or not TOML."""
    name = named or path.name
    if path.exists() and not path.is_file():
        raise WrongUse(f"{name}: is a folder, a pipe or a device. Put a file there.")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise WrongUse(f"{path} does not exist. Create it or correct the path.") from None
    except UnicodeDecodeError as error:
        raise WrongUse(f"{name}: not UTF-8 (byte {error.start}). Save the file as UTF-8.") from None
    return TomlTable(parse_toml(text, name), TomlText(name, text))

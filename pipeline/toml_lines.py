"""On which line of a TOML file a key stands; the standard parser does not say."""

from __future__ import annotations

import re
from bisect import bisect_right

KeyPath = tuple[str | int, ...]

_TOKEN = re.compile(
    r"#[^\n]*|\s+"
    r'|(?P<string>"""(?:\\.|[^\\])*?"""+|\'\'\'.*?\'\'\'+|"(?:\\.|[^"\\])*"|\'[^\']*\')'
    r"|(?P<mark>[\[\]{},=.])"
    r"|(?P<bare>[^\s\[\]{},=.\"'#]+)",
    re.DOTALL,
)


class _KeyLines:
    """Walks the tokens of valid TOML once and notes the line of each key path."""

    def __init__(self, text: str) -> None:
        starts = [found.end() for found in re.finditer("\n", text)]
        tokens = [found for found in _TOKEN.finditer(text) if found.lastgroup]
        self._tokens = [
            (each.group(), each.lastgroup, 1 + bisect_right(starts, each.start())) for each in tokens
        ]
        self._next = 0
        self._counts: dict[KeyPath, int] = {}
        self.lines: dict[KeyPath, int] = {}
        self._statements()

    def _peek(self) -> str:
        return self._tokens[self._next][0] if self._next < len(self._tokens) else ""

    def _take(self) -> tuple[str, str | None, int]:
        self._next += 1
        return self._tokens[self._next - 1]

    def _note(self, path: KeyPath, line: int) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _key(self) -> tuple[list[str], int]:
        parts: list[str] = []
        line = self._tokens[self._next][2]
        while self._peek() not in ("=", "]"):
            word, kind, _ = self._take()
            if kind != "mark":
                parts.append(word[1:-1] if kind == "string" else word)
        self._take()
        return parts, line

    def _statements(self) -> None:
        prefix: KeyPath = ()
        while self._next < len(self._tokens):
            if self._peek() == "[":
                prefix = self._header()
            else:
                self._pair(prefix)

    def _header(self) -> KeyPath:
        self._take()
        repeated = self._peek() == "["
        if repeated:
            self._take()
        parts, line = self._key()
        if repeated:
            self._take()
        path = self._resolved(parts, repeated)
        self._note(path, line)
        return path

    def _resolved(self, parts: list[str], repeated: bool) -> KeyPath:
        path: KeyPath = ()
        for part in parts[:-1]:
            path = (*path, part)
            path = (*path, self._counts[path]) if path in self._counts else path
        path = (*path, parts[-1])
        if not repeated:
            return path
        self._counts[path] = self._counts.get(path, -1) + 1
        return (*path, self._counts[path])

    def _pair(self, prefix: KeyPath) -> None:
        parts, line = self._key()
        path = (*prefix, *parts)
        self._note(path, line)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        word, kind, line = self._take()
        if kind == "mark" and word == "[":
            self._items(path)
        elif kind == "mark" and word == "{":
            self._inline(path)
        else:
            self._rest_of_scalar(line)

    def _items(self, path: KeyPath) -> None:
        position = 0
        while self._peek() != "]":
            if self._peek() == ",":
                self._take()
                continue
            self._note((*path, position), self._tokens[self._next][2])
            self._value((*path, position))
            position += 1
        self._take()

    def _inline(self, path: KeyPath) -> None:
        while self._peek() != "}":
            if self._peek() == ",":
                self._take()
            else:
                self._pair(path)
        self._take()

    def _rest_of_scalar(self, line: int) -> None:
        """The rest of a number or moment that the tokens cut at dots or blanks."""
        while self._next < len(self._tokens):
            word, kind, at = self._tokens[self._next]
            if at != line or not (kind == "bare" or word == "."):
                return
            self._next += 1


class TomlText:
    """Where keys stand: one file, or a file laid over another (`below`) that it changes."""

    def __init__(self, name: str, text: str, below: TomlText | None = None) -> None:
        self.name = name
        self.below = below
        self.lines = _KeyLines(text).lines

    def line(self, path: KeyPath) -> int | None:
        """The line of the key in the upper file; None if it does not hold it."""
        return self.lines.get(path)

    def _exact(self, path: KeyPath) -> str:
        if path in self.lines:
            return f"{self.name}, line {self.lines[path]}"
        return self.below._exact(path) if self.below else ""

    def place(self, path: KeyPath) -> str:
        """`file, line n` of the key, or of the nearest table around it; the file alone if there is none."""
        places = (self._exact(path[:length]) for length in range(len(path), 0, -1))
        return next((place for place in places if place), self.name)

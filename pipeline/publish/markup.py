"""Text that is mark-up already."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from html import escape as _escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyarrow as pa

#: What is escaped; first the one that the others' escapes begin with.
MARKS = "&<>\"'"
#: Stands between parts while they are escaped; no text holds it.
PARTED = "\x1f"


@lru_cache(maxsize=1 << 15)
def escape(told: str, quote: bool = True) -> str:
    """For HTML, in text and in attributes; the words of an edition come again and again."""
    return _escape(told, quote)


def escaped(texts: pa.Array | pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """The same of very many texts."""
    import pyarrow.compute as pc

    if not pc.any(pc.match_substring_regex(texts, f"[{MARKS}]")).as_py():
        return texts
    for mark in MARKS:
        texts = pc.replace_substring(texts, mark, escape(mark))
    return texts


class Markup(str):
    """Not escaped again by tables; only functions of this package make it.

    It must stand in a column of plain objects: in a column of strings it becomes text and is escaped.
    """


def linked(told: str, target: str) -> Markup:
    """A cell of a table, or words of a sentence, that lead somewhere."""
    return Markup(f'<a href="{escape(target, quote=True)}">{escape(told, quote=True)}</a>')


def joined(*parts: str, between: str = "") -> str:
    """Parts one after another, those that are text escaped; text where none of them is mark-up."""
    if not any(isinstance(part, Markup) for part in parts):
        return between.join(parts)
    escaped = (part if isinstance(part, Markup) else escape(part, quote=True) for part in parts)
    return Markup(escape(between, quote=True).join(escaped))


def listed(parts: Sequence[str]) -> str:
    """`a, b and c`, as `words.listed`, of parts that may be mark-up."""
    return (
        joined(joined(*parts[:-1], between=", "), parts[-1], between=" and ") if parts[1:] else joined(*parts)
    )


def lines(told: str) -> str:
    """What `; ` parts, each on a line of its own."""
    return (
        Markup("<br>".join(escape(part, quote=True) for part in told.split("; "))) if "; " in told else told
    )


def references(told: str) -> Markup:
    """Lines of files, parted by `; `: each beginning a line of its own, none twice."""
    parts = dict.fromkeys(part.strip() for part in told.split("; "))
    return Markup("".join(f'<span class="ref">{escape(part, quote=True)}</span>' for part in parts if part))


def references_of_each(told: pa.Array | pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
    """The same of very many texts, none of which names a line twice."""
    import pyarrow.compute as pc

    parted = pc.replace_substring(told, "; ", PARTED)  # what is escaped may hold `; ` too
    lines = pc.replace_substring(escaped(parted), PARTED, '</span><span class="ref">')
    marked = pc.binary_join_element_wise('<span class="ref">', lines, "</span>", "")
    return pc.if_else(pc.equal(told, ""), "", marked)

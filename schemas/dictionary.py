"""The data dictionary: every table and column in words, as Markdown made from the tables themselves.

`python -m schemas.dictionary` prints it; docs/data-dictionary.md is its output and a test compares the two.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from schemas.columns import Column, Kind, Table
from schemas.controls import CONTROL_TOTALS
from schemas.exports import DEFAULTS, EXPORTS
from schemas.outward import OUTWARD
from schemas.people import PEOPLE
from schemas.published import PUBLISHED
from schemas.relations import RELATIONS, Relation

HEADER = ("Column", "Kind", "Required", "Words or range", "Unit", "Meaning", "Source")

KINDS: dict[Kind, str] = {
    "id": "pseudonym, compared as text after trimming",
    "text": "text on one line",
    "code": "code of a code system",
    "word": "one word of a list",
    "words": "words of a list, joined by `;`",
    "note": "free text, screened for identifiers",
    "date": "calendar day, `YYYY-MM-DD`",
    "moment": "day and time, ISO 8601",
    "integer": "whole number",
    "number": "number",
    "yes_no": "`yes` or `no` in what comes in, true or false in what is written",
}

_INTRODUCTION = """\
# Data dictionary

Made from the descriptions in `schemas/` by `limbaudit dictionary`; change those, not this page.

A column says in *Required* whether an incoming row without it is held back, or, in tables a run writes,
whether it is always filled. Ranges include both ends. An empty *Words or range* leaves the value open."""

_PARTS: tuple[tuple[str, str, dict[str, Table]], ...] = (
    (
        "Tables a hospital sends",
        "A file is read as one of these, by its mapping or by its name. Ids are unique within a site.",
        {**EXPORTS, CONTROL_TOTALS.name: CONTROL_TOTALS},
    ),
    ("Tables people write", "CSV files in folders of the same name in the workspace.", PEOPLE),
    (
        "Tables a run writes",
        "Shares are fractions of 1, intervals at the confidence of the settings. A key occurs once.",
        PUBLISHED,
    ),
    (
        "Tables of an outward edition",
        "Files of `outward/`, for readers outside the department. An empty figure beside a word in `hidden` is left out; "
        "elsewhere empty means that there is none.",
        {table.name: table for table in OUTWARD.values()},
    ),
)


def markdown() -> str:
    """The whole dictionary; ends with one line break."""
    blocks = [_INTRODUCTION, _kinds(), *_contents(), *_sections(), _relations()]
    return "\n\n".join(blocks) + "\n"


def _kinds() -> str:
    rows = ((f"`{kind}`", meaning) for kind, meaning in KINDS.items())
    return "## Kinds of values\n\n" + _grid(("Kind", "What it holds"), rows)


def _contents() -> Iterator[str]:
    for title, _, tables in _PARTS:
        yield f"{title}: " + ", ".join(f"[{name}](#{name})" for name in tables)


def _sections() -> Iterator[str]:
    for title, introduction, tables in _PARTS:
        yield f"## {title}\n\n{introduction}"
        yield from (_section(table) for table in tables.values())


def _section(table: Table) -> str:
    key = ", ".join(f"`{name}`" for name in table.key)
    unfilled = "" if table.filled else "\n\n*Agreed, but not written by this version.*"
    grid = _grid(HEADER, (_row(table, column) for column in table.columns))
    return f"### {table.name}\n\n{table.description}{unfilled}\n\nKey: {key}\n\n{grid}"


def _row(table: Table, column: Column) -> tuple[str, ...]:
    required = "yes" if _is_required(table, column) else "no"
    allowed = " ".join(part for part in (_allowed(column), _default(table, column)) if part)
    meaning = (
        f"`{column.name}`",
        column.kind,
        required,
        allowed,
        column.unit,
        column.description,
        column.source,
    )
    return tuple(meaning)


def _is_required(table: Table, column: Column) -> bool:
    written = table.name in PUBLISHED or table in OUTWARD.values()
    return not column.nullable if written else column.required


def _allowed(column: Column) -> str:
    if column.vocabulary:
        return ", ".join(f"`{word}`" for word in column.vocabulary)
    if column.low is not None and column.high is not None:
        return f"{column.low:g} to {column.high:g}"
    if column.low is not None:
        return f"from {column.low:g}"
    return f"up to {column.high:g}" if column.high is not None else ""


def _default(table: Table, column: Column) -> str:
    word = DEFAULTS.get(table.name, {}).get(column.name)
    return f"(empty: `{word}`)" if word else ""


def _relations() -> str:
    header = ("Column", "Points at", "Found through", "Finding where it does not hold")
    title = "## How tables point at each other\n\nWithin one site; an empty cell breaks nothing."
    return f"{title}\n\n{_grid(header, map(_pointer, RELATIONS))}"


def _pointer(relation: Relation) -> tuple[str, ...]:
    child = f"`{relation.child}.{relation.column}`"
    parent = f"`{relation.parent}.{relation.parent_column}`"
    through = f"`{relation.through}`, must agree" if relation.is_agreement else ""
    return child, parent, through, f"`{relation.rule}`" if relation.rule else "none"


def _grid(header: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    titles = list(header)
    lines = [titles, ["---"] * len(titles), *([cell.replace("|", "\\|") for cell in row] for row in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


if __name__ == "__main__":
    print(markdown(), end="")

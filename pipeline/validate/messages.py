"""Sentences of findings: what was got, what was expected, what to do. They never hold a value of a cell."""

from __future__ import annotations

from pipeline.findings import CATALOGUE
from schemas.columns import Column, Table

_EXPECTED = {
    "date": "a day such as 2025-03-03, or the order the mapping declares",
    "moment": "a moment such as 2025-03-03T14:30",
    "integer": "a whole number",
    "number": "a number such as 12.5",
    "yes_no": "yes or no",
    "id": "a pseudonym without name or address",
}
_GOT = {
    "value_missing": "nothing",
    "value_unparsable": "a text that cannot be read",
    "value_unknown_word": "another word",
    "value_out_of_range": "a number outside the limits",
    "value_code_for_missing": "a value that stands for missing",
    "date_partial": "a date without its day",
    "joint_unknown": "a word that is no joint or bone of the catalogue",
}


def message(rule: str, table: Table, column: str) -> str:
    """One finding's sentence for a rule and column of a table."""
    entry = CATALOGUE[rule]
    if rule not in _GOT or column not in table.names:
        return f"{entry.title}. {entry.cause} {entry.remedy}"
    expected = _expected(table[column])
    wanted = f", expected {expected}" if expected else ""
    return f"`{column}`: got {_GOT[rule]}{wanted}. {entry.remedy}"


def _expected(column: Column) -> str:
    if column.vocabulary:
        return "one of " + ", ".join(column.vocabulary)
    limits = ""
    if column.low is not None and column.high is not None:
        limits = f" from {column.low:g} to {column.high:g}"
    return _EXPECTED.get(column.kind, "") + (limits if column.kind in ("integer", "number") else "")

"""Sentences of findings: what was got, what was expected, what to do. They never hold a value of a cell."""

from __future__ import annotations

from pipeline import findings
from pipeline.findings import CATALOGUE
from schemas.columns import Table

_GOT = {
    "value_missing": "nothing",
    "value_unparsable": "a text that cannot be read",
    "value_unknown_word": "another word",
    "value_out_of_range": "a number outside the limits",
    "value_code_for_missing": "a value that stands for missing",
    "several_values": "several values where one fits",
    "date_zone_unstated": "a moment with an offset from UTC",
    "date_partial": "a date without its day",
    "joint_unknown": "a word that is no joint or bone of the catalogue",
}


def message(rule: str, table: Table, column: str, site: str) -> str:
    """One finding's sentence for a rule and column of a table; `site` names the mapping that may have to change."""
    entry, remedy = CATALOGUE[rule], findings.remedy(rule, site, column)
    if rule not in _GOT or column not in table.names:
        about = f"`{column}`: {entry.title[:1].lower()}{entry.title[1:]}" if column else entry.title
        return f"{about}. {entry.cause} {remedy}"
    expected = findings.expected(table[column])
    wanted = f", expected {expected}" if expected else ""
    return f"`{column}`: got {_GOT[rule]}{wanted}. {remedy}"

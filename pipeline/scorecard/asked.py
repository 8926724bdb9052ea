"""Which rule is asked of which column, so that a rule nothing fails has its row as well."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from schemas.columns import Column, Table
from schemas.exports import DAY_COLUMN, DEFAULTS, EXPORTS, ID_COLUMN
from schemas.findings import FINDINGS
from schemas.relations import relations_of

if TYPE_CHECKING:
    import pandas as pd

_TYPED = ("date", "moment", "integer", "number", "yes_no")
#: Rules about one kind of column, or every column of one name.
_BY_COLUMN: dict[str, Callable[[Table, Column], bool]] = {
    "value_missing": lambda table, column: column.required,
    "value_unparsable": lambda table, column: column.kind in _TYPED,
    "value_unknown_word": lambda table, column: bool(column.vocabulary),
    "value_out_of_range": lambda table, column: column.low is not None or column.high is not None,
    "value_code_for_missing": lambda table, column: column.kind in ("integer", "number"),
    "date_zone_unstated": lambda table, column: column.kind == "date",
    "date_partial": lambda table, column: column.kind == "date",
    "date_after_receipt": lambda table, column: column.name == DAY_COLUMN.get(table.name),
    "recorded_after_receipt": lambda table, column: column.name == "recorded_at",
    "identifier_masked": lambda table, column: column.kind in ("note", "text"),
    "placeholder_patient": lambda table, column: column.name == "patient_id",
    "joint_unknown": lambda table, column: column.name in ("joint", "bone"),
    "record_conflict": lambda table, column: column.name == ID_COLUMN[table.name],
    "id_used_again": lambda table, column: column.name == ID_COLUMN[table.name] and table.name in DAY_COLUMN,
}
#: Rules about one column of one table.
_OF_ONE: dict[tuple[str, str], tuple[str, ...]] = {
    ("operations", "side"): ("side_against_diagnosis", "side_missing_for_sided"),
    ("operations", "onset_on"): ("dates_in_wrong_order",),
    ("events", "code"): ("event_says_nothing",),
    ("events", "side"): ("side_conflict",),
    ("measurements", "value"): ("value_out_of_range",),
    ("measurements", "unit"): ("score_without_points",),
    ("surgeons", "active_to"): ("dates_in_wrong_order",),
}
#: Rules about a whole row.
_OF_ROWS = ("row_ragged",)
#: Rules about a whole file that is used all the same.
OF_FILES = ("column_unknown", "header_mapped_absent")
REFUSALS = tuple(code for code, rule in FINDINGS.items() if rule.action in ("refuse", "set_aside"))
#: Said once a value, not once a row, and about the catalogue as much as about the export: shown, not scored.
ABOUT_THE_CATALOGUE = ("procedure_code_unknown", "fixation_unknown", "code_unknown")


def asked_rules() -> pd.DataFrame:
    """`table, column, rule` of every question asked of rows; an empty `column` is the whole row."""
    import pandas as pd

    rows = [
        (table.name, column.name, rule)
        for table in EXPORTS.values()
        for column in table.columns
        for rule in _of_column(table, column)
    ]
    rows += [(name, "", rule) for name in EXPORTS for rule in _OF_ROWS]
    return pd.DataFrame(rows, columns=["table", "column", "rule"], dtype=object).drop_duplicates()


def _of_column(table: Table, column: Column) -> list[str]:
    own = [rule for rule, asks in _BY_COLUMN.items() if asks(table, column)]
    own += _OF_ONE.get((table.name, column.name), ())
    named = [each for each in relations_of(table.name) if each.rule and each.column == column.name]
    own += [each.rule for each in named if not each.is_agreement or each.column == "side"]
    return [*own, *_of_named_operation(table, column)]


def _of_named_operation(table: Table, column: Column) -> list[str]:
    """Whether the operation a record names is the same patient's stands at the column that names it."""
    agreements = [each for each in relations_of(table.name) if each.through == column.name]
    return [each.rule for each in agreements if each.column == "patient_id" and each.rule]


def is_optional(table: Table, column: Column) -> bool:
    """Whether a site may leave it empty: neither required nor filled by the contract."""
    return not column.required and column.name not in DEFAULTS[table.name]

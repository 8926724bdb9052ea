"""Which table a file or sheet holds: by the mapping, else by name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from pipeline.intake.mapping import Mapping, TableMapping
from pipeline.intake.refusal import Refusal
from schemas.exports import EXPORTS


@dataclass(frozen=True)
class Claim:
    """A table that a file feeds, from `sheet` where the file is a workbook."""

    form: TableMapping
    sheet: str = ""


def table_named(name: str) -> str:
    """The table whose name begins the given one, upper and lower case alike; empty if none does."""
    lowered = name.strip().lower()
    return next((table for table in EXPORTS if lowered.startswith(table)), "")


def file_claims(name: str, receipt: date, mapping: Mapping) -> tuple[TableMapping, ...]:
    """The tables a file feeds: what the mapping says, else what its name says, else none."""
    claimed = mapping.claiming(name, receipt)
    if claimed:
        return claimed
    table = table_named(name)
    return (mapping.contract_form(table),) if table else ()


def sheet_claims(name: str, receipt: date, mapping: Mapping, sheets: Sequence[str]) -> tuple[Claim, ...]:
    """The tables a workbook feeds and from which sheet; `sheet` is empty where it is not clear."""
    if not mapping.claiming(name, receipt):
        named = [(sheet, table_named(sheet)) for sheet in sheets]
        by_sheet = tuple(Claim(mapping.contract_form(table), sheet) for sheet, table in named if table)
        if by_sheet:
            return by_sheet
    return tuple(Claim(form, _sheet_of(form, sheets)) for form in file_claims(name, receipt, mapping))


def _sheet_of(form: TableMapping, sheets: Sequence[str]) -> str:
    if form.sheet:
        asked = form.sheet.strip().casefold()
        return next((sheet for sheet in sheets if sheet.strip().casefold() == asked), "")
    if len(sheets) == 1:
        return sheets[0]
    named = [sheet for sheet in sheets if table_named(sheet) == form.table]
    return named[0] if len(named) == 1 else ""


def unclear_sheet(name: str, form: TableMapping, sheets: Sequence[str], mapping: str) -> Refusal:
    """Why no sheet of the workbook could be chosen."""
    what = f"no sheet `{form.sheet}`" if form.sheet else f"no sheet that is clearly the one of {form.table}"
    found = ", ".join(f"`{sheet}`" for sheet in sheets) or "no sheet with content"
    return Refusal("sheet_unclear", f'{name} has {what}. Found: {found}. Say `sheet = "…"` in {mapping}.')

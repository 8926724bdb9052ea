"""What goes back to each sender: where to look and what to do. No values, no ids."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.findings import asked_of_sender
from pipeline.known import is_new
from schemas.published import PUBLISHED

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = PUBLISHED["for_the_sender"].names


def notes_for(found: pd.DataFrame, site: str) -> pd.DataFrame:
    """One row a fault that the site can mend: file, line, column, rule, what to do.

    Args:
        found: Findings; those the sender cannot act on and those the department accepts are left out.
        site: Whose notes.
    """
    theirs = found[(found["site"] == site).to_numpy() & is_new(found)]
    kinds = list(zip(*(theirs[name].tolist() for name in ("rule", "table", "column")), strict=True))
    asked = {kind: asked_of_sender(kind[0], site, kind[1], kind[2]) for kind in dict.fromkeys(kinds)}
    notes = theirs.assign(what_to_do=[asked[kind] for kind in kinds])
    if "header" in notes:
        notes = notes.assign(column=notes["header"])
    notes = notes.loc[notes["what_to_do"] != "", list(COLUMNS)].astype({"source_line": "Int64"})
    return notes.drop_duplicates().sort_values(list(COLUMNS), na_position="first", ignore_index=True)


def write_notes(department: Path, found: pd.DataFrame, sites: tuple[str, ...]) -> None:
    """A file for every site that sent anything; only a header where there is nothing to say."""
    for site in sites:
        store.write_csv(notes_for(found, site), department / "for_the_sender" / f"{site}.csv")

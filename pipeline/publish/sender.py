"""What goes back to each sender: where to look and what to do. No values, no ids."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.findings import CATALOGUE
from schemas.published import PUBLISHED

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = PUBLISHED["for_the_sender"].names


def notes_for(found: pd.DataFrame, site: str) -> pd.DataFrame:
    """One row a fault of the site's files: file, line, column, rule, what to do. Repairs need nothing done."""
    import pandas as pd

    theirs = found[(found["site"] == site) & (found["action"] != "repair")]
    remedies = {code: rule.remedy for code, rule in CATALOGUE.items()}
    notes = pd.DataFrame(
        {
            "source_file": theirs["source_file"],
            "source_line": theirs["source_line"].astype("Int64"),
            "column": theirs["column"],
            "rule": theirs["rule"],
            "what_to_do": theirs["rule"].map(remedies).fillna(""),
        },
        columns=list(COLUMNS),
    )
    return notes.drop_duplicates().sort_values(list(COLUMNS), na_position="first", ignore_index=True)


def write_notes(department: Path, found: pd.DataFrame, sites: tuple[str, ...]) -> None:
    """A file for every site that sent anything; only a header where there is nothing to say."""
    for site in sites:
        store.write_csv(notes_for(found, site), department / "for_the_sender" / f"{site}.csv")

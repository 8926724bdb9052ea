"""docs/outputs.md speaks of every file an edition holds, and of none that it does not."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from pipeline.publish import Context, write_edition
from pipeline.publish.page import PAGES
from pipeline.publish.tables import table_files
from schemas.outward import OUTWARD
from schemas.published import AUDIT_TABLES, PUBLISHED


@pytest.fixture(scope="module")
def told() -> str:
    return (Path(__file__).resolve().parents[2] / "docs" / "outputs.md").read_text("utf-8")


def test_every_table_and_page_is_explained(told: str) -> None:
    filled = [name for name, table in PUBLISHED.items() if table.filled and name != "for_the_sender"]
    audit = {table.name for table in AUDIT_TABLES}
    named = [name if name in audit else table_files(name)[0] for name in filled]
    assert [name for name in [*named, *(f"report/{page}" for page in PAGES)] if f"`{name}`" not in told] == []


def test_nothing_is_explained_that_is_not_there(
    told: str, tmp_path: Path, tables: dict[str, pd.DataFrame], context: Context
) -> None:
    frames = {name: frame for name, frame in tables.items() if "/" not in name}
    for name in (
        "cases",
        "complications",
        "evidence",
        "records",
        "decisions_used",
        "letters",
        "questions",
        "sampling_frame",
        "second_cases",
        "outward_basis",
    ):
        frames[name] = pd.DataFrame(columns=list(PUBLISHED[name].names))
    folder = write_edition(tmp_path, "0" * 12, frames, context)
    written = {path.name for path in tmp_path.rglob("*")} | {path.name for path in folder.rglob("*")}
    named = set(re.findall(r"`(?:[a-z_]+/)?([a-z_]+\.(?:csv|parquet|json|html|toml))`", told))
    outward = set(
        OUTWARD
    )  # no row of one site and procedure in these invented figures, so no outward edition
    assert named - written - outward - {"catalogue.toml", "signature.json"} == set()


def test_every_file_of_an_outward_edition_is_explained(told: str) -> None:
    files = [*OUTWARD, "index.html", "manifest.json"]
    assert [file for file in files if f"`outward/{file}`" not in told] == []

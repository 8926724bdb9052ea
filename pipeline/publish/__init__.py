"""The last stage: tables, notes to the senders, pages and the manifest of one edition."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import editions, store
from pipeline.publish.context import Context, Input, SiteState
from pipeline.second import ALONE, Alone

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

#: What a second process imports that is to help with an edition.
PREPARES = (
    "pipeline.publish.apart", "pipeline.estimate", "scipy.stats", "statsmodels.genmod.generalized_linear_model",
    "great_tables", "pyarrow.compute", "pyarrow.parquet", "pyarrow.pandas_compat", "scipy.optimize", "scipy.sparse.linalg",
    "typst", "xlsxwriter",
)  # fmt: skip
#: What an outward edition leaves in the department.
BASIS = "outward_basis"

__all__ = [
    "Context",
    "Input",
    "SiteState",
    "published",
    "write_check",
    "write_edition",
    "write_front_page",
    "write_signed",
]


def published(
    folder: Path,
    tables: Mapping[str, pd.DataFrame | pa.Table],
    context: Context,
    edition: str = "",
    hand: Alone = ALONE,
) -> None:
    """Write everything of an edition under `folder/department/`.

    Args:
        folder: The edition's folder, while it is being built.
        tables: Name → frame or Arrow table, for the tables of `schemas.published` that this run made, and
            `quarantined/<table>` → the rows held back, with their columns as text.
        context: The edition's facts.
        edition: Its name, as the printed handout says it.
        hand: Who makes the outward edition, the workbook and the handout meanwhile.

    Raises:
        CannotFinish: A table does not fit its description.
    """
    from pipeline.publish.apart import FIRST, handout_begun, outward_begun, workbook_begun
    from pipeline.publish.manifest import not_built_yet, write_manifest
    from pipeline.publish.printed import Printed
    from pipeline.publish.report import write_report
    from pipeline.publish.sender import write_notes
    from pipeline.publish.tables import (
        large_ones_aside,
        ready_of,
        write_table,
        write_tables,
    )

    department = folder / "department"
    first = ready_of(FIRST, tables)
    outward_made = outward_begun(hand, folder, first, context)
    with large_ones_aside() as write:
        written = write_tables(department, tables, first, write)
        workbook_made = workbook_begun(hand, department, written, context)
        write_notes(department, context.for_senders, tuple(site.site for site in context.sites))
        for name, content in sorted(context.as_used.items()):
            store.write_bytes(content, department / "as_used" / name)
        printed = Printed(written)
        handout_made = handout_begun(hand, department, printed, context, edition)
        write_report(department / "report", printed, context)
    handout_made()
    workbook_made()
    outward = outward_made()
    if outward.basis is not None:
        write_table(department, BASIS, outward.basis)
    write_manifest(department, context, not_built_yet([*written, BASIS]), outward)


def write_edition(
    folder: Path,
    draft_hex: str,
    tables: Mapping[str, pd.DataFrame | pa.Table],
    context: Context,
    run_record: Callable[[], Mapping[str, object]] = dict,
    hand: Alone = ALONE,
) -> Path:
    """Build, verify and publish one draft; the pointer and the list of editions then name it.

    A draft of this name that stands and verifies is left as it is.

    Args:
        folder: Of all editions, by default `editions/` in the workspace.
        draft_hex: From `pipeline.editions.edition_hex`.
        run_record: Gives, once all else is written, what `run.json` says; only that may differ between equal runs.
        hand: See `published`.

    Returns:
        The edition's folder.
    """
    group = context.settings.access_group
    edition = editions.Edition(folder, context.period, draft_hex, group)
    if edition.stands():
        editions.sweep(folder)
        edition.renew()
    else:
        with edition as building:
            published(building, tables, context, edition.name, hand)
            store.write_json(dict(run_record()), building / editions.RUN_RECORD)
    write_front_page(folder, group)
    return edition.folder


def write_signed(
    folder: Path,
    number: int,
    tables: Mapping[str, pd.DataFrame | pa.Table],
    context: Context,
    sealed: Callable[[Path], None],
) -> Path:
    """Build, verify and publish one signed edition.

    Args:
        folder: Of all editions.
        number: Of this one in its period.
        sealed: Called with the folder once all is written: compares it with the draft and puts the signature in.

    Returns:
        The edition's folder.
    """
    group = context.settings.access_group
    edition = editions.Edition(folder, context.period, "", group, number)
    with edition as building:
        published(building, tables, context, f"number {number}")
        sealed(building)
    write_front_page(folder, group)
    return edition.folder


def write_check(
    folder: Path,
    tables: Mapping[str, pd.DataFrame | pa.Table],
    found: pd.DataFrame,
    sites: tuple[str, ...],
    group: str = "",
) -> None:
    """What `check` leaves behind: the tables about rows and the notes to the senders, no edition.

    Args:
        folder: Made where it lacks; files of the same names are replaced, others left alone.
        tables: Among them ledger, quarantine, repairs and quality.
        found: Findings that still ask something of a sender.
        sites: Ids of the sites that sent anything.
        group: Group that may read what is written.
    """
    from pipeline.publish.sender import write_notes
    from pipeline.publish.tables import write_tables

    store.private_folder(folder, group)
    editions.sweep(folder)
    aside = folder / f"{editions.BUILDING}{os.getpid()}"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(mode=0o700)
    try:
        write_tables(aside, tables)
        write_notes(aside, found, sites)
        store.protect(aside, group)
        _moved_in(aside, folder, group)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _moved_in(aside: Path, folder: Path, group: str) -> None:
    """Every file to its place, one after the other; what else lies in the folder stays as it is."""
    for file in sorted(path for path in aside.rglob("*") if path.is_file()):
        place = folder / file.relative_to(aside)
        store.private_folder(place.parent, group)
        os.replace(file, place)


def write_front_page(folder: Path, group: str = "") -> None:
    """Rewrite `editions/index.html`, the list of what there is."""
    from pipeline.publish.editions_list import editions_page

    store.replace_text(editions_page(folder), folder / "index.html", group)

"""The signed edition before this one, what would be known of its days today, and what has moved since."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from pipeline import store
from pipeline.changes import change_tables
from pipeline.changes.told import OF_CASES, Rules, Told, as_text, told_by_edition

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.audit import Analysed
    from pipeline.clock import Clock
    from pipeline.publish.context import Context
    from pipeline.run import Accounted
    from pipeline.signed import SignedEdition

    Tables = Mapping[str, pd.DataFrame | pa.Table]

#: What is read of the signed edition.
READ = (*(f"{name}.parquet" for name in OF_CASES), "decisions_used.csv", "tables/rates.parquet")


def fault_of(earlier: SignedEdition) -> str:
    """Why a signed edition cannot be compared with; empty if it can."""
    stated = earlier.manifest.get("files", {})
    department = earlier.folder / "department"
    for name in READ:
        path = department / name
        if not path.is_file() or store.sha256_of(path) != stated.get(name):
            return (
                f"What has changed since {earlier.name} is not told: its {name} is not as it was signed. Restore that "
                "edition from a back-up; `limbaudit verify` names what is wrong with it."
            )
    return ""


def looked_back(
    earlier: SignedEdition | None,
    rows: Accounted,
    result: Analysed,
    tables: Tables,
    context: Context,
    clock: Clock,
) -> dict[str, pd.DataFrame]:
    """The tables `changes` and `changed_figures`; without rows where there is nothing to compare with.

    Args:
        earlier: A signed edition that `fault_of` found nothing wrong with.
        rows, result, tables: Of this edition.
        context: What it says about itself.
    """
    from schemas.changes import CHANGED_FIGURES, CHANGES

    if earlier is None:
        return {table.name: pd.DataFrame(columns=list(table.names)) for table in (CHANGES, CHANGED_FIGURES)}
    now = _told(tables, context)
    same_days = earlier.period == rows.ground.period
    then = now if same_days else _told(_known_then(earlier, rows, result, clock), context)
    before = told_by_edition(earlier.folder, earlier.manifest)
    removed = frozenset(filter(rows.removed.is_theirs, before.cases.index))
    return change_tables(before, then, now, removed)


def _told(tables: Tables, context: Context) -> Told:
    """Tables as they will be written."""
    from pipeline.publish.coded import in_words
    from pipeline.publish.tables import ready
    from schemas.published import PUBLISHED

    names = (*OF_CASES, *(["rates"] if "rates" in tables else []))
    made = {name: ready(tables[name], PUBLISHED[name]) for name in names}
    made = {name: made[name] if name == "records" else in_words(made[name]) for name in names}
    written = store.csv_text(ready(tables["decisions_used"], PUBLISHED["decisions_used"]))
    return Told(
        made,
        as_text(io.StringIO(written)),
        Rules.of(context.settings.windows, context.catalogue),
        {source.path: source.sha256 for source in context.inputs},
        {"limbaudit": context.version, **context.versions},
    )


def _known_then(earlier: SignedEdition, rows: Accounted, result: Analysed, clock: Clock) -> Tables:
    """Today's knowledge up to the cut of the signed edition, as tables of cases."""
    from pipeline.audit import tied_and_classified
    from pipeline.edition_tables import case_tables, decisions_table, lists_of
    from pipeline.resolve import resolved
    from pipeline.sites import reaches

    ground = replace(rows.ground, period=earlier.period)
    with clock.stage("resolve"):
        found = resolved(rows.validated.accepted, rows.people, ground.settings, ground.look, ground.cut_on)
    reached = reaches(rows.validated, found.fates, ground.settings, ground.cut_on, ground.as_of)
    then = replace(rows, ground=ground, resolved=found, reached=reached)
    then, rules, whole, _ = tied_and_classified(then, clock)
    of_cases = case_tables(then, lists_of(then, rules.labels, whole), whole)
    return {**of_cases, "decisions_used": decisions_table(then, result.findings)}

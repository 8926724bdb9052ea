"""Every published table of one edition, by name.

Split from `audit` only for length.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from pipeline.asking import asked_tables
from pipeline.memory import given_back
from pipeline.side_by_side import at_once

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.audit import Analysed
    from pipeline.handover import Labels
    from pipeline.parts import Whole
    from pipeline.publish.lists import Lists
    from pipeline.run import Accounted


def edition_tables(rows: Accounted, result: Analysed) -> dict[str, pd.DataFrame | pa.Table]:
    """Every published table of this version but those that look back, by name."""
    from pipeline.publish.fitness import with_fitness
    from pipeline.publish.flow_table import flow_table, received_steps
    from pipeline.publish.letters_list import letters_list
    from pipeline.publish.lists import unattributed_list
    from pipeline.publish.row_tables import row_tables

    given_back()
    facts, fates, whole, lists = rows.resolved.facts, rows.resolved.fates, result.whole, result.lists
    verdicts = {site: verdict.word for site, verdict in rows.scorecard.verdicts.items()}
    received = received_steps(
        rows.validated, fates["operations"], rows.resolved.standing["operations"], facts.sites
    )
    steps = pd.concat([received, whole.flow[whole.flow["order"] != 10]], ignore_index=True)
    asked, of_cases, of_rows = at_once(
        len(whole.cases),
        lambda: asked_tables(rows, result, lists),
        result.of_cases,
        lambda: row_tables(rows.validated, fates, rows.ledger, result.findings, rows.intake.repairs),
    )
    given_back()
    return {
        **of_rows,
        **rows.scorecard.tables,
        **of_cases,
        "decisions_used": decisions_table(rows, result.findings),
        "unattributed": unattributed_list(lists),
        "letters": letters_list(lists),
        **asked,
        "rates": with_fitness(result.rates, verdicts),
        "cohorts": result.cohorts,
        "event_free": result.event_free,
        "comparisons": result.comparisons,
        "baseline": result.baseline,
        "activity": result.activity,
        "severity": result.severity,
        "revisions": result.revisions,
        **result.beside,
        **result.benefit,
        **result.by_risk,
        "flow": flow_table(steps, facts.sites, result.labels.groups),
    }


def case_tables(rows: Accounted, lists: Lists, whole: Whole) -> dict[str, pa.Table]:
    """The tables that tell of single cases: `cases`, `complications`, `evidence`, `records`.

    Args:
        lists: As `lists_of` makes them.
    """
    from pipeline.publish.cases_list import cases_list
    from pipeline.publish.evidence_list import evidence_list
    from pipeline.publish.lists import complications_list
    from pipeline.publish.records_aside import Aside
    from pipeline.publish.records_list import Known, records_table

    aside = Aside(rows.validated.quarantined, rows.resolved.fates, rows.resolved.standing)
    known = Known(lists, rows.resolved.facts, whole, rows.ground.look.places, aside)
    told = {
        "cases": cases_list(lists),
        "complications": complications_list(lists),
        "evidence": evidence_list(known, rows.ground.catalogue),
    }
    given_back()
    return told | {"records": records_table(known)}


def decisions_table(rows: Accounted, found: pd.DataFrame) -> pd.DataFrame:
    """The published `decisions_used`.

    Args:
        found: All findings, which say what of people's rows is not used.
    """
    from pipeline.publish.decisions_list import decisions_used

    facts, accepted = rows.resolved.facts, rows.validated.accepted
    return _with_masked_reviewers(decisions_used(rows.people, facts, accepted, found))


def lists_of(rows: Accounted, labels: Labels, whole: Whole) -> Lists:
    """What the lists are made of, without cases before the first date counted."""
    from pipeline.publish.lists import Lists

    return Lists(rows.validated.accepted, labels, whole.cases, **_of_counted_cases(whole))


def _with_masked_reviewers(decisions: pd.DataFrame) -> pd.DataFrame:
    import pyarrow as pa

    from pipeline.validate.masking import masked_ids

    shown = masked_ids(pa.array(decisions["reviewer"], pa.string())).texts.to_pandas()
    return decisions.assign(reviewer=shown.astype(object))


def _of_counted_cases(whole: Whole) -> dict[str, pd.DataFrame]:
    """The frames that lists are made of, without cases before the first date counted."""
    counted = whole.cases["counted"].to_numpy().astype(bool)
    lists = ("complications", "evidence", "records", "unread", "decided", "heard")
    names = (*lists, "chain", "returns", "concomitant")
    frames = {name: getattr(whole, name) for name in names}
    if counted.all():
        return {**frames, "unattributed": whole.unattributed}
    kept = {
        name: frame[counted[frame["case"].to_numpy()]].reset_index(drop=True)
        for name, frame in frames.items()
    }
    return {**kept, "unattributed": whole.unattributed}

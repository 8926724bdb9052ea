"""From records to published tables: link, classify, count, estimate, and what the lists need.

Split from `run` only for length; `run.audited` is the way in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline import findings, part_work
from pipeline.amiss import amiss_row, decided_amiss
from pipeline.asking import Reviewed, reviewed
from pipeline.catalogue import ANY_COMPLICATION, ANY_LEVEL
from pipeline.handover import PERFORMED, RECORD_TABLES, Cases, Facts, Labels
from pipeline.known import marked
from pipeline.memory import given_back
from pipeline.of_period import decisions_in_period, empty_period, operations_in_period
from pipeline.part_work import Rules
from pipeline.parts import Whole, joined, joined_cases, parts_of, stray_positions
from pipeline.second import ALONE, Alone
from pipeline.side_by_side import begun
from pipeline.unsaid import left_unsaid

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping, Sequence

    import pyarrow as pa

    from pipeline.clock import Clock
    from pipeline.counts import Cells, Counts
    from pipeline.engine import Engine
    from pipeline.publish.lists import Lists
    from pipeline.run import Accounted, Ground


@dataclass(frozen=True)
class Analysed:
    """Everything between the ledger and the pages; `of_cases` waits for the tables that tell of single cases."""

    labels: Labels
    whole: Whole
    cases: Cases
    counts: Counts
    rates: pd.DataFrame
    cohorts: pd.DataFrame
    event_free: pd.DataFrame
    comparisons: pd.DataFrame
    baseline: pd.DataFrame
    activity: pd.DataFrame
    severity: pd.DataFrame
    revisions: pd.DataFrame
    beside: dict[str, pd.DataFrame]
    benefit: dict[str, pd.DataFrame]
    by_risk: dict[str, pd.DataFrame]
    reviewed: Reviewed
    findings: pd.DataFrame
    lists: Lists
    of_cases: Callable[[], dict[str, pa.Table]]


def labels_of(facts: Facts, ground: Ground) -> Labels:
    """What the integers of cases and counts stand for."""
    look = ground.look
    entries = ground.catalogue.complications.values()
    levels = [tuple(level.key for level in entry.levels) for entry in entries]
    return Labels(
        sites=facts.sites,
        groups=look.groups,
        surgeons=facts.surgeons,
        fixations=facts.fixations,
        age_bands=ground.settings.age_band_labels,
        categories=(*look.categories, ANY_COMPLICATION),
        levels=(*levels, (ANY_LEVEL,)),
        among=tuple(ground.settings.groups),
        by=facts.by,
        measures=facts.measures,
    )


def analysed(rows: Accounted, clock: Clock, hand: Alone = ALONE) -> Analysed:
    """Link, classify and count part by part, then estimate from the counts alone.

    Args:
        hand: Who works out comparisons and running charts meanwhile.
    """
    from pipeline.edition_tables import case_tables, lists_of
    from pipeline.estimate import (
        activity_table,
        baseline_table,
        benefit_and_harm_table,
        benefit_tables,
        cohorts_table,
        comparisons_table,
        courses_compared_table,
        event_free_table,
        published_figures_table,
        rates_table,
        revisions_table,
        second_cases_table,
        severity_table,
        standardised_rates_table,
    )
    from pipeline.expecting import tables_by_risk
    from pipeline.publish.requests_list import requests_amiss

    done = counted(rows, clock)
    rows, rules, whole, parts, counts, again = (
        done.rows, done.rules, done.whole, done.parts, done.counts, done.again
    )  # fmt: skip
    ground, facts, labels, engine = rows.ground, rows.resolved.facts, rules.labels, rows.ground.asked.engine
    lists = lists_of(rows, labels, whole)
    of_cases = begun(len(whole.cases), lambda: case_tables(rows, lists, whole))
    with clock.stage("estimate"):
        comparing = hand.begin(comparisons_table, counts, ground.settings, labels, ground.catalogue)
        running = tables_by_risk(engine, rules, parts, counts, hand)
        rates = rates_table(counts, ground.settings, labels, ground.catalogue)
        cohorts = cohorts_table(counts, ground.settings, labels, ground.catalogue, _until(rows))
        event_free = event_free_table(counts, ground.settings, labels, ground.catalogue)
        baseline = baseline_table(counts, ground.settings, labels)
        beside = {
            "courses_compared": courses_compared_table(counts, ground.settings, labels, ground.catalogue),
            "second_cases": second_cases_table(again, counts.outcomes, labels),
            "standardised_rates": standardised_rates_table(counts, ground.settings, labels, ground.catalogue),
        }
        activity = activity_table(
            counts, labels, operations_in_period(facts, ground), decisions_in_period(whole, rows)
        )
        severity, revisions = severity_table(counts, labels), revisions_table(counts, labels)
        benefit = benefit_tables(counts, ground.settings, labels)
        benefit["published_figures"] = published_figures_table(ground.catalogue, ground.settings)
        comparisons = comparing()
        benefit["benefit_and_harm"] = benefit_and_harm_table(
            counts, ground.settings, labels, ground.catalogue, comparisons
        )
        by_risk = running()
    amiss = decided_amiss(facts, whole, rows.people)
    asked_amiss = requests_amiss(lists, rows.people)
    unsaid = left_unsaid(rows.validated.accepted, whole)
    told = findings.joined(
        [
            *(rows.findings, _strays(rows, whole), unsaid, _idle_links(rows), amiss, asked_amiss),
            empty_period(rows, whole),
        ]
    )
    known = rows.people.known_findings
    told = marked(told, known, ground.as_of)
    reviews = reviewed(whole, facts, labels, ground.settings)
    return Analysed(
        labels=labels, whole=whole, cases=joined_cases(engine.all(parts)), counts=counts,
        rates=rates, cohorts=cohorts, event_free=event_free,
        comparisons=comparisons, baseline=baseline, activity=activity, severity=severity, revisions=revisions,
        beside=beside, benefit=benefit, by_risk=by_risk, reviewed=reviews,
        findings=told, lists=lists, of_cases=of_cases,
    )  # fmt: skip


@dataclass(frozen=True)
class Counted:
    """As far as records of single patients are needed: after this there are counts and lists.

    Attributes:
        rows: With what letters say.
        rules: What all parts share.
        whole: All parts joined.
        parts: The cases of each, as the engine holds them.
        again: How much a patient's second case tells of the first.
    """

    rows: Accounted
    rules: Rules
    whole: Whole
    parts: Sequence[Any]
    counts: Counts
    again: Cells


def counted(rows: Accounted, clock: Clock) -> Counted:
    """Link, classify and count part by part, and a look that every case is counted."""
    from pipeline.counts import added, added_cells
    from pipeline.ledger import check_all_counted

    rows, rules, whole, parts = tied_and_classified(rows, clock)
    engine = rows.ground.asked.engine
    with clock.stage("count"):
        counts = engine.total(part_work.part_counts, added, rules, parts)
        again = engine.total(part_work.part_repeats, added_cells, rules, parts)
    check_all_counted(counts, whole, rows.ground.settings)
    return Counted(rows, rules, whole, parts, counts, again)


def tied_and_classified(rows: Accounted, clock: Clock) -> tuple[Accounted, Rules, Whole, Sequence[Any]]:
    """Letters read, records tied to cases, cases classified, and a look that nothing was lost on the way.

    Returns:
        The rows with what letters say, what all parts share, all parts joined, and the cases of each as the engine
        holds them.
    """
    from pipeline.ledger import check_nothing_lost

    with clock.stage("letters"):
        rows = _with_letters(rows)
    ground, facts = rows.ground, rows.resolved.facts
    rules = Rules(
        ground.look, ground.settings, ground.catalogue, ground.period, labels_of(facts, ground), _until(rows)
    )
    whole, parts = _linked_and_classified(facts, rules, ground.asked.engine, clock)
    check_nothing_lost(facts, rows.resolved.standing, whole, ground.catalogue)
    return rows, rules, whole, parts


def _until(rows: Accounted) -> np.ndarray:
    from pipeline.sites import known_until

    return known_until(rows.resolved.facts.sites, rows.reached, rows.ground.cut_on)


def _with_letters(rows: Accounted) -> Accounted:
    """The notes of the records that stand are read before any record is tied to a case."""
    from pipeline.letters.of_records import with_letters

    facts = with_letters(rows.resolved.facts, rows.validated.accepted, rows.ground.look)
    return replace(rows, resolved=replace(rows.resolved, facts=facts))


def _linked_and_classified(
    facts: Facts, rules: Rules, engine: Engine, clock: Clock
) -> tuple[Whole, Sequence[Any]]:
    parts = engine.parts_for(len(facts.operations))
    own = engine.held(parts_of(facts, parts))
    with clock.stage("link"):
        chains = engine.each(part_work.part_linked, rules, own)
    with clock.stage("classify"):
        found = engine.each(part_work.part_classified, rules, own, chains)
    cases = engine.each(part_work.part_cases, rules, own, chains, found)
    del own  # a second copy of the facts, where there are several parts
    given_back()
    room = engine.room_for(sum(len(getattr(facts, name)) for name in RECORD_TABLES))
    return joined(engine.all(chains), engine.all(found), room), cases


def _strays(rows: Accounted, whole: Whole) -> pd.DataFrame:
    """Decisions and links that name an operation which opened no case."""
    decisions, links = stray_positions(rows.resolved.facts, whole)
    people = rows.people
    positions = rows.resolved.facts.decisions["position"].to_numpy()[decisions]
    told = [
        _stray(people.decisions.iloc[p].to_dict(), "decisions", "decision_unknown_case") for p in positions
    ]
    positions = rows.resolved.facts.links["position"].to_numpy()[links]
    told += [_stray(people.links.iloc[p].to_dict(), "links", "link_unknown_record") for p in positions]
    return findings.frame(told)


def _idle_links(rows: Accounted) -> pd.DataFrame:
    """Links of a record to another patient's case, and of operations that are none."""
    facts, people = rows.resolved.facts, rows.people
    links = facts.links[facts.links["operation"] >= 0]
    patient = facts.operations["patient"].to_numpy()[links["operation"]]
    theirs = [
        int(getattr(facts, RECORD_TABLES[table])["patient"].iloc[record])
        for table, record in zip(links["table"], links["record"], strict=True)
    ]
    foreign = links["position"].to_numpy()[patient != np.array(theirs, dtype=np.int64)]
    told = [(position, "case_id", "link_to_another_patient") for position in foreign]
    told += [(position, "record_id", "link_without_effect") for position in _links_of_no_operation(facts)]
    return findings.frame(
        amiss_row(people.links.iloc[position].to_dict(), "links", column, rule)
        for position, column, rule in told
    )


def _links_of_no_operation(facts: Facts) -> list[int]:
    """Positions of links whose own record is an operation that was not performed or that the catalogue does not have."""
    links = facts.links[facts.links["table"] == RECORD_TABLES.index("operations")]
    own = facts.operations.iloc[links["record"]]
    nothing = (own["status"] != PERFORMED) | (own["procedure"] < 0)
    return [int(position) for position in links["position"].to_numpy()[nothing.to_numpy()]]


def _stray(row: Mapping[Hashable, Any], table: str, rule: str) -> dict[str, object]:
    where = f"{row['source_file']} line {row['source_line']}"
    message = f"{where}: `case_id` is no case of this edition. Correct the row; it is not used."
    return findings.at_written_row(row, table, "case_id", rule, message)

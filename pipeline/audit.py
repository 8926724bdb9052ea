"""From records to published tables: link, classify, count, estimate, and what the lists need.

Split from `run` only for length; `run.audited` is the way in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline import findings
from pipeline.amiss import amiss_row, decided_amiss
from pipeline.asking import Reviewed, asked_tables, reviewed
from pipeline.catalogue import ANY_COMPLICATION, ANY_LEVEL
from pipeline.countable import countable_cases
from pipeline.handover import PERFORMED, RECORD_TABLES, Cases, Facts, Labels
from pipeline.known import marked
from pipeline.parts import Whole, joined, joined_cases, part_of, stray_positions
from pipeline.unsaid import left_unsaid

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    import pyarrow as pa

    from pipeline.clock import Clock
    from pipeline.counts import Counts
    from pipeline.publish.lists import Lists
    from pipeline.run import Accounted, Ground


@dataclass(frozen=True)
class Analysed:
    """Everything between the ledger and the pages."""

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


def analysed(rows: Accounted, clock: Clock) -> Analysed:
    """Link, classify and count part by part, then estimate from the counts alone."""
    from pipeline.count import counted
    from pipeline.counts import added
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
        severity_table,
        standardised_rates_table,
    )
    from pipeline.expecting import tables_by_risk
    from pipeline.ledger import check_all_counted, check_nothing_lost
    from pipeline.publish.requests_list import requests_amiss
    from pipeline.sites import known_until

    with clock.stage("letters"):
        rows = _with_letters(rows)
    ground, facts = rows.ground, rows.resolved.facts
    labels = labels_of(facts, ground)
    until = known_until(facts.sites, rows.reached, ground.cut_on)
    whole, parts = _linked_and_classified(rows, until, labels, clock)
    check_nothing_lost(facts, rows.resolved.standing, whole, ground.catalogue)
    with clock.stage("count"):
        counts = added([counted(part, ground.settings, ground.catalogue, ground.period) for part in parts])
    check_all_counted(counts, whole, ground.settings)
    with clock.stage("estimate"):
        rates = rates_table(counts, ground.settings, labels, ground.catalogue)
        cohorts = cohorts_table(counts, ground.settings, labels, ground.catalogue, until)
        event_free = event_free_table(counts, ground.settings, labels, ground.catalogue)
        comparisons = comparisons_table(counts, ground.settings, labels, ground.catalogue)
        baseline = baseline_table(counts, ground.settings, labels)
        beside = {
            "courses_compared": courses_compared_table(counts, ground.settings, labels, ground.catalogue),
            "standardised_rates": standardised_rates_table(counts, ground.settings, labels, ground.catalogue),
        }
        activity = activity_table(
            counts, labels, _operations_in_period(facts, ground), _decisions_in_period(whole, rows)
        )
        severity, revisions = severity_table(counts, labels), revisions_table(counts, labels)
        benefit = benefit_tables(counts, ground.settings, labels)
        benefit["published_figures"] = published_figures_table(ground.catalogue, ground.settings)
        benefit["benefit_and_harm"] = benefit_and_harm_table(
            counts, ground.settings, labels, ground.catalogue, comparisons
        )
        by_risk = tables_by_risk(parts, counts, ground.settings, ground.catalogue)
    amiss = decided_amiss(facts, whole, rows.people)
    asked_amiss = requests_amiss(_lists(rows, labels, whole), rows.people)
    unsaid = left_unsaid(rows.validated.accepted, whole)
    told = findings.joined(
        [
            *(rows.findings, _strays(rows, whole), unsaid, _idle_links(rows), amiss, asked_amiss),
            _empty_period(rows, whole),
        ]
    )
    known = rows.people.known_findings
    told = marked(told, known, ground.as_of)
    reviews = reviewed(whole, facts, labels, ground.settings)
    return Analysed(
        labels=labels, whole=whole, cases=joined_cases(parts), counts=counts, rates=rates, cohorts=cohorts, event_free=event_free,
        comparisons=comparisons, baseline=baseline, activity=activity, severity=severity, revisions=revisions,
        beside=beside, benefit=benefit, by_risk=by_risk, reviewed=reviews,
        findings=told,
    )  # fmt: skip


def _with_letters(rows: Accounted) -> Accounted:
    """The notes of the records that stand are read before any record is tied to a case."""
    from pipeline.letters.of_records import with_letters

    facts = with_letters(rows.resolved.facts, rows.validated.accepted, rows.ground.look)
    return replace(rows, resolved=replace(rows.resolved, facts=facts))


def _linked_and_classified(
    rows: Accounted, until: np.ndarray, labels: Labels, clock: Clock
) -> tuple[Whole, list[Cases]]:
    from pipeline.classify import classified
    from pipeline.link import linked

    ground, facts = rows.ground, rows.resolved.facts
    own = [part_of(facts, number, ground.asked.parts) for number in range(ground.asked.parts)]
    with clock.stage("link"):
        chains = [linked(part, ground.look, ground.settings, until) for part in own]
    with clock.stage("classify"):
        sorted_parts = [
            classified(part, chain, ground.look, ground.settings)
            for part, chain in zip(own, chains, strict=True)
        ]
    cases = [
        countable_cases(
            facts, replace(chain, cases=chain.cases.assign(died=part.died)), part, labels, ground.look
        )
        for facts, chain, part in zip(own, chains, sorted_parts, strict=True)
    ]
    return joined(chains, sorted_parts), cases


def _in_period(days: np.ndarray, ground: Ground) -> np.ndarray:
    first, last = (
        np.datetime64(day).astype("datetime64[D]").astype(int)
        for day in (ground.period.first_day, ground.cut_on)
    )
    return (days >= first) & (days <= last)


def _operations_in_period(facts: Facts, ground: Ground) -> pd.DataFrame:
    """Performed operations of the catalogue in the period: `site, group, operations`."""
    own = facts.operations
    done = own[
        (own["status"] == PERFORMED) & (own["procedure"] >= 0) & _in_period(own["day"].to_numpy(), ground)
    ]
    counted = done.groupby(["site", "procedure"]).size().rename("operations").reset_index()
    return counted.rename(columns={"procedure": "group"})


def _decisions_in_period(whole: Whole, rows: Accounted) -> pd.DataFrame:
    """Cases and categories decided in the period: `site, group, decisions`."""
    decided = whole.decided[_in_period(whole.decided["decided"].to_numpy(), rows.ground)]
    cases = whole.cases.iloc[decided["case"]]
    return cases.groupby(["site", "group"]).size().rename("decisions").reset_index()


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


def _empty_period(rows: Accounted, whole: Whole) -> pd.DataFrame:
    """Sites without a case in the period: an empty month is a finding, not a silence."""
    inside = whole.cases["site"].to_numpy()[_in_period(whole.cases["performed"].to_numpy(), rows.ground)]
    seen = {rows.resolved.facts.sites[number] for number in np.unique(inside)}
    empty = [reach.site.site_id for reach in rows.reached if reach.site.site_id not in seen]
    name = rows.ground.period.name
    return findings.frame(
        {
            "site": site,
            "table": "operations",
            "rule": "period_empty",
            "message": f"{site} has no index operation in {name}. Check with the site before reporting nothing.",
        }
        for site in empty
    )


def edition_tables(rows: Accounted, result: Analysed) -> dict[str, pd.DataFrame | pa.Table]:
    """Every published table of this version, by name."""
    from pipeline.publish.decisions_list import decisions_used
    from pipeline.publish.evidence_list import evidence_list
    from pipeline.publish.fitness import with_fitness
    from pipeline.publish.flow_table import flow_table, received_steps
    from pipeline.publish.letters_list import letters_list
    from pipeline.publish.lists import cases_list, complications_list, unattributed_list
    from pipeline.publish.records_aside import Aside
    from pipeline.publish.records_list import Known, records_table
    from pipeline.publish.row_tables import row_tables

    facts, fates, whole = rows.resolved.facts, rows.resolved.fates, result.whole
    verdicts = {site: verdict.word for site, verdict in rows.scorecard.verdicts.items()}
    lists = _lists(rows, result.labels, whole)
    received = received_steps(
        rows.validated, fates["operations"], rows.resolved.standing["operations"], facts.sites
    )
    steps = pd.concat([received, whole.flow[whole.flow["order"] != 10]], ignore_index=True)
    aside = Aside(rows.validated.quarantined, fates, rows.resolved.standing)
    known = Known(lists, facts, whole, rows.ground.look.places, aside)
    complications = complications_list(lists)
    return {
        **row_tables(rows.validated, fates, rows.ledger, result.findings, rows.intake.repairs),
        **rows.scorecard.tables,
        "cases": cases_list(lists),
        "complications": complications,
        "unattributed": unattributed_list(lists),
        "letters": letters_list(lists),
        "evidence": evidence_list(known, rows.ground.catalogue),
        "records": records_table(known),
        "decisions_used": _with_masked_reviewers(
            decisions_used(rows.people, facts, rows.validated.accepted, result.findings)
        ),
        **asked_tables(rows, result, lists, complications),
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


def _lists(rows: Accounted, labels: Labels, whole: Whole) -> Lists:
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
    kept = {
        name: frame[counted[frame["case"].to_numpy()]].reset_index(drop=True)
        for name, frame in frames.items()
    }
    return {**kept, "unattributed": whole.unattributed}

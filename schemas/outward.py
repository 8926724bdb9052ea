"""What an outward edition writes, and what the department keeps so that the next one gives nothing away."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.rates import COMPARISONS, RATES
from schemas.shorthand import (
    always,
    category,
    count,
    count_or_gap,
    level,
    maybe,
    procedure,
    remark,
    window_days,
)

_KEY = ("stratum", "stratum_value", "procedure", "category", "level", "window_days")


def _place() -> tuple[Column, ...]:
    return (
        always("stratum", "word", "Whether the row is of all sites or of one.", OURS, ("none", "site")),
        maybe("stratum_value", "text", "The site; empty for all of them."),
        procedure(),
        category(),
        level(),
        window_days(),
    )


def _part(*words: str) -> Column:
    return always(
        "part",
        "word",
        "A whole row of rates, an arm of the stated comparison, or what its procedure holds besides.",
        OURS,
        words,
    )


def _patients(name: str, of: str) -> Column:
    return count(name, f"Patients with a case {of}.", "patients")


def _hidden(name: str) -> Column:
    return always(
        name, "yes_no", f"Whether the outward edition leaves `{name.removeprefix('hides_')}` empty.", OURS
    )


SECOND_CASES = Table(
    "second_cases",
    "A row of rates with cases that are not their patient's first in it: what makes patients of cases.",
    (
        _part("whole", "arm_a", "arm_b", "beside"),
        *_place(),
        count("cases", "Closed cases beyond the first of their patient."),
        count("events", "Of the cases with an event, those beyond the first of their patient."),
        count("quiet", "Of the cases followed without an event, those beyond the first of their patient."),
        count(
            "without",
            "Of the cases without an event, followed or lost, those beyond the first of their patient.",
        ),
        count("lost", "Of the lost cases, those beyond the first of their patient."),
    ),
    key=("part", *_KEY),
)

OUTWARD_BASIS = Table(
    "outward_basis",
    "What stands behind a row of the outward edition: exact figures, patients, and what it hides. It stays in the department.",
    (
        _part("whole", "arm_a", "arm_b", "beside"),
        *_place(),
        always("figures_of", "word", "Period of the edition for which the row was counted."),
        count("cases", "Closed cases."),
        count("lost", "Lost cases."),
        count("events", "Cases with an event."),
        _patients("patients_cases", "in the row"),
        _patients("patients_lost", "that is lost"),
        _patients("patients_events", "with an event"),
        _patients("patients_quiet", "followed without an event"),
        _patients("patients_without", "without an event, followed or lost"),
        _hidden("hides_cases"),
        _hidden("hides_lost"),
        _hidden("hides_events"),
    ),
    key=("part", *_KEY),
)  # fmt: skip

FEW = "few patients"


def _figures_of() -> Column:
    return always(
        "figures_of",
        "word",
        "Period of the edition for which the row was counted: an earlier one where it is repeated.",
        OURS,
    )


def _gap() -> Column:
    return maybe(
        "hidden",
        "word",
        "Filled where a figure is left out: it is of too few patients, or would give such a figure away.",
        OURS,
        (FEW,),
    )


def _open(column: Column) -> Column:
    """The column, which may be empty because its figure is hidden."""
    return Column(
        column.name, column.kind, column.description, False, column.vocabulary, column.low, column.high, column.unit,
        column.source, column.display,
    )  # fmt: skip


_RATES = (
    "cases", "followed", "lost", "events", "rate", "ci_low", "ci_high", "method", "rate_followed", "rf_ci_low",
    "rf_ci_high", "worst_case",
)  # fmt: skip
_COMPARED = (
    "events_a", "cases_a", "events_b", "cases_b", "risk_difference", "rd_ci_low", "rd_ci_high", "risk_ratio", "rr_ci_low",
    "rr_ci_high", "odds_ratio", "or_ci_low", "or_ci_high", "p_fisher", "p_exact", "p_method",
)  # fmt: skip

OUTWARD_RATES = Table(
    "outward_rates",
    "Rates for readers outside: all sites and each site, small numbers left out.",
    (*_place(), _figures_of(), *(_open(RATES[name]) for name in _RATES), _gap(), remark()),
    key=_KEY,
)

OUTWARD_COMPARISON = Table(
    "outward_comparison",
    "The comparison stated before the run, for readers outside.",
    (
        *(COMPARISONS[name] for name in ("among", "by", "arm_a", "arm_b", "category", "level", "window_days", "analysis")),
        _figures_of(),
        always("part_of_a", "word", "Procedure whose cases hold the first arm; `all` for all of them.", OURS),
        always("part_of_b", "word", "Procedure whose cases hold the second arm; `all` for all of them.", OURS),
        *(_open(COMPARISONS[name]) for name in _COMPARED),
        maybe("verdict", "text", "What the interval allows to say, in words."),
        maybe("within_age", "text", "What comparing patients of like age adds, in words only."),
        _gap(),
    ),
    key=("arm_a", "arm_b", "category", "level", "window_days", "analysis"),
)  # fmt: skip

OUTWARD_FLOW = Table(
    "outward_flow",
    "The way from rows received to cases, for readers outside: one site, all procedures.",
    (
        always("site", "id", "Site."),
        always("step", "text", "What is done in this step."),
        always("unit", "word", "What is counted: rows, sittings or cases."),
        count_or_gap("before", "How many there were before the step.", "as in the column `unit`"),
        count_or_gap("added", "How many the step added.", "as in the column `unit`"),
        count_or_gap("removed", "How many the step took away.", "as in the column `unit`"),
        count_or_gap("after", "How many went on.", "as in the column `unit`"),
        _figures_of(),
        _gap(),
    ),
    key=("site", "step"),
)

OUTWARD_QUALITY = Table(
    "outward_quality",
    "How far a site's records can be relied on, for readers outside: checks, not patients.",
    (
        always("site", "id", "Site."),
        always("table", "word", "Table that was checked."),
        always("dimension", "word", "Kind of quality the checks speak of."),
        count("checks", "Checks made.", "checks"),
        count("with_tolerance", "Checks for which a tolerance is set.", "checks"),
        count("outside", "Of these, checks outside the tolerance.", "checks"),
        maybe("verdict", "word", "What the site's records are fit for."),
    ),
    key=("site", "table", "dimension"),
)

#: File → its table, of an outward edition.
OUTWARD: dict[str, Table] = {
    "rates.csv": OUTWARD_RATES,
    "comparison.csv": OUTWARD_COMPARISON,
    "flow.csv": OUTWARD_FLOW,
    "quality.csv": OUTWARD_QUALITY,
}

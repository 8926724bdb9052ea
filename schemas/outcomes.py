"""Published tables beside the rates: courses over time, returns, scores, agreement, flow."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.defaults import HOW_IT_WENT, TOLD_OF_SPORT
from schemas.exports import OURS, SEVERITY, SEVERITY_GRADES
from schemas.shorthand import (
    AALEN,
    BYRT,
    CATALOGUE,
    CICCHETTI,
    KAPPA,
    SETTINGS,
    WILSON,
    always,
    category,
    count,
    limits,
    maybe,
    number,
    procedure,
    share,
    site,
)

FROM, TO = HOW_IT_WENT

# Curves.

EVENT_FREE = Table(
    "event_free",
    "The course over time, up to the category's last window: who is still free of its main level on day 0, on each day "
    "on which the curve moves, and at the end of each window.",
    (
        procedure(),
        category(),
        Column("day", "integer", "Day of the case.", True, (), 0, None, "days", OURS, "days", nullable=False),
        count("at_risk", "Cases still observed and free on that day."),
        count("events", "Cases with their event on that day."),
        count("competing", "Cases that died on that day without an event up to it."),
        count("censored", "Cases whose observation ended on that day or before the next row's."),
        share("event_free", "Share with neither event nor death so far.", "Kaplan and Meier 1958"),
        *limits("ci_low", "ci_high", "`event_free`", "Greenwood variance, log-log"),
        share("cumulative_incidence", "Share with an event so far, death competing.", AALEN),
        *limits("cif_ci_low", "cif_ci_high", "`cumulative_incidence`", AALEN),
    ),
    key=("procedure", "category", "day"),
)

# Other tables.

SEVERITY_TABLE = Table(
    "severity",
    "How much treatment complications needed.",
    (
        procedure(),
        category(),
        always(
            "grade",
            "word",
            "Highest grade in the case, or `unknown` where neither record, reviewer nor catalogue gives one.",
            SEVERITY,
            (*SEVERITY_GRADES, "unknown"),
        ),
        count("cases", "Cases with this grade."),
    ),
    key=("procedure", "category", "grade"),
)

REVISIONS = Table(
    "revisions",
    "What was done at a later operation after a first one, and why.",
    (
        always("first_operation", "word", "Procedure of the first operation.", CATALOGUE),
        always("to_operation", "word", "Procedure of the later one.", CATALOGUE),
        maybe(
            "reason", "word", "Main reason of the return, a category; empty where it is not known.", CATALOGUE
        ),
        always("planned", "yes_no", "Whether it was planned at the first operation.", OURS),
        count("count", "Later operations of this kind.", "operations"),
        number("median_days", "Median time between the two.", OURS, "days", 0),
    ),
    key=("first_operation", "to_operation", "reason", "planned"),
)

VOLUMES = Table(
    "volumes",
    "How many cases there were, by period of the operation.",
    (
        always("period", "word", "Period of the operations, for example `2026-10`."),
        procedure(),
        always("age_band", "word", "Age at the operation in bands, or `unknown`.", SETTINGS),
        site(),
        count("cases", "Index cases."),
    ),
    key=("period", "procedure", "age_band", "site"),
)


def _returns(part: str, who: str) -> tuple[Column, ...]:
    """Share of those asked and of all, each with its interval."""
    of_asked, of_all = f"{part}_share_of_asked", f"{part}_share_of_all"
    return (
        share(of_asked, f"{who} among those asked."),
        *limits(f"{of_asked}_low", f"{of_asked}_high", f"`{of_asked}`", WILSON),
        share(of_all, f"{who} among all cases."),
        *limits(f"{of_all}_low", f"{of_all}_high", f"`{of_all}`", WILSON),
    )


RETURN_TO_SPORT = Table(
    "return_to_sport",
    f"Who was back at sport, by the last answer from day {FROM} to day {TO} of the case. Cases that did sport before "
    f"and whose records reach day {TOLD_OF_SPORT}; a case whose level before is not written down is in no row.",
    (
        procedure(),
        maybe("among", "word", "Patients looked at, a group of the settings; empty for all.", SETTINGS),
        always("sport_level", "word", "Level before the operation, or `all`.", "operations"),
        count("cases", "Cases that did sport before."),
        count("asked", "Cases with an answer in these days."),
        count("any_return", "Cases back at any sport."),
        count("same_or_higher", "Cases back at the same level or higher."),
        *_returns("any_return", "Back at any sport"),
        *_returns("same_or_higher", "Back at the same level or higher"),
        number(
            "median_days",
            "Median time from the operation to the first day of return that was told, of those back who told one.",
            OURS,
            "days",
            0,
        ),
    ),
    key=("procedure", "among", "sport_level"),
)

SCORES = Table(
    "scores",
    f"Scores and passive motions: the last reading before the day of the operation, and the last from day {FROM} to "
    f"day {TO} of the case. Cases with both need not be like the others.",
    (
        procedure(),
        always("measure", "word", "Motion or score.", "measurements"),
        count("before_n", "Cases with a reading before the operation."),
        number("before_mean", "Their mean.", OURS, "as the measure"),
        count("after_n", "Cases with a reading in these days after it."),
        number("after_mean", "Their mean.", OURS, "as the measure"),
        count("paired_n", "Cases with both."),
        number("change", "Mean change of those with both.", OURS, "as the measure"),
        *limits(
            "ci_low",
            "ci_high",
            "`change`",
            "Student's t over the changes; empty below two cases or without any spread",
            None,
            None,
            "as the measure",
        ),
    ),
    key=("procedure", "measure"),
)

NONOPERATIVE_CARE = Table(
    "nonoperative_care",
    "Treatment without an operation before elective surgery, against what the department expects.",
    (
        procedure(),
        count("elective", "Elective cases."),
        count("recorded", "Elective cases with the weeks written down."),
        number("expected_weeks", "Weeks the department expects.", SETTINGS, "weeks", 0),
        count("reached", "Cases that reached them."),
        share("share", "Reached among recorded."),
        *limits("ci_low", "ci_high", "`share`", WILSON),
    ),
    key=("procedure",),
)


def _between(name: str, description: str, source: str) -> Column:
    return Column(name, "number", description, False, (), -1, 1, "", source, "decimal")


AGREEMENT = Table(
    "agreement",
    "How far the first two reviewers of a case agreed, by what each said first.",
    (
        category(),
        count("pairs", "Cases that two reviewers judged.", "pairs"),
        count("both_yes", "Both said yes.", "pairs"),
        count("both_no", "Both said no.", "pairs"),
        count("discordant", "One said yes, one no.", "pairs"),
        share("raw", "Agreement among all pairs."),
        share("positive", "Agreement on yes; empty where nobody said yes.", CICCHETTI),
        share("negative", "Agreement on no; empty where nobody said no.", CICCHETTI),
        _between(
            "kappa",
            "Agreement beyond chance; misleads where yes is rare, empty where it is undefined.",
            KAPPA,
        ),
        *limits("kappa_ci_low", "kappa_ci_high", "`kappa`, empty where its variance is 0,", KAPPA, -1, 1, ""),
        _between("pabak", "Kappa adjusted for prevalence and bias.", BYRT),
    ),
    key=("category",),
)

FLOW = Table(
    "flow",
    "The way from rows received to cases analysed, step by step; each step starts where the last one ended.",
    (
        always("site", "id", "Site, or `all`."),
        always("procedure", "word", "Procedure of the catalogue, or `all` before it is known.", CATALOGUE),
        always("step", "text", "What is done in this step."),
        always("unit", "word", "What is counted: rows, operations or cases."),
        count("before", "How many there were before the step.", "as in the column `unit`"),
        count("added", "How many the step added.", "as in the column `unit`"),
        count("removed", "How many the step took away.", "as in the column `unit`"),
        count("after", "How many went on: before, and added, less removed.", "as in the column `unit`"),
        maybe("reason", "text", "Why they were added or taken away."),
    ),
    key=("site", "procedure", "step", "unit", "reason"),
)

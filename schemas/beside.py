"""Published tables of what is set beside complications: benefit of the same two arms, figures of others."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.defaults import HOW_IT_WENT, TOLD_OF_SPORT
from schemas.exports import OURS
from schemas.shorthand import (
    CATALOGUE,
    NEWCOMBE,
    SETTINGS,
    WILSON,
    always,
    category,
    count,
    count_or_gap,
    days,
    limits,
    maybe,
    number,
    remark,
    share,
)

STUDENT = "Student's t"
WELCH = "Welch 1947, Biometrika 34:28"
FROM, TO = HOW_IT_WENT
#: What stands on a line, in the order of print.
KINDS = ("harm", "benefit")
COUNTED_OF = ("closed", "asked", "did_sport", "told_a_day", "read_twice")
FIGURES = ("share", "median", "mean_change")
_OF_ARM = f"{WILSON}; {STUDENT} for mean changes; ranks for medians"


def _arm(arm: str) -> tuple[Column, ...]:
    return (
        count_or_gap(f"events_{arm}", f"Of these cases of {arm}, those with the outcome; shares only."),
        count(f"n_{arm}", f"Cases of {arm} that the figure is of, as `counted_of` says."),
        count(
            f"unknown_{arm}",
            f"Further cases of {arm}, or among these, of whom it is not known: lost, not asked, not read twice, no day told.",
        ),
    )


def _figure(arm: str) -> tuple[Column, ...]:
    return (
        number(f"estimate_{arm}", f"Share, mean change or median of {arm}.", OURS, "as in the column `unit`"),
        *limits(
            f"{arm}_ci_low",
            f"{arm}_ci_high",
            f"`estimate_{arm}`",
            _OF_ARM,
            None,
            None,
            "as in the column `unit`",
        ),
    )


BENEFIT_AND_HARM = Table(
    "benefit_and_harm",
    "Two arms set against each other, one line an outcome: what went wrong beside what patients had of the operation. "
    "Cases without a further procedure, as comparisons are run on. Lines are never summed and never tested; the line of "
    "the stated comparison has the verdict that `comparisons` gives it.",
    (
        maybe("among", "word", "Patients compared, a group of the settings; empty for all.", SETTINGS),
        always("by", "word", "What tells the arms apart: procedure, or a column of operations.", SETTINGS),
        always("arm_a", "word", "First arm.", SETTINGS),
        always("arm_b", "word", "Second arm.", SETTINGS),
        Column(
            "line",
            "integer",
            "Place of the line in print, from 1.",
            True,
            (),
            1,
            None,
            "",
            OURS,
            "count",
            nullable=False,
        ),
        always("kind", "word", "Harm, or benefit and what kept from it.", OURS, KINDS),
        always(
            "outcome",
            "word",
            "Category of complication; `any_return`, `same_or_higher` (back at sport), `days_to_return`, `not_back`; "
            "`change` of a score or passive motion.",
            CATALOGUE,
        ),
        maybe("detail", "word", "Level of the category, reason for not being back, or the measure."),
        days("from_day", "First day of the case that counts."),
        days("to_day", "Last day that counts."),
        always(
            "counted_of",
            "word",
            "Cases that the figure is of: `closed` windows; `asked` about sport, by the last answer in these days; "
            f"`did_sport` before, with records that reach day {TOLD_OF_SPORT}; back and `told_a_day`; `read_twice`, "
            f"before the operation and in these days, with records that reach day {TOLD_OF_SPORT}.",
            OURS,
            COUNTED_OF,
        ),
        always("figure", "word", "What is estimated.", OURS, FIGURES),
        *_arm("a"),
        *_arm("b"),
        *_figure("a"),
        *_figure("b"),
        number("difference", "Figure of a less figure of b.", OURS, "as in the column `unit`"),
        *limits(
            "diff_ci_low",
            "diff_ci_high",
            "`difference`, none for medians",
            f"{NEWCOMBE}; {WELCH}",
            None,
            None,
            "as in the column `unit`",
        ),
        always("unit", "text", "Unit of the figures: fraction, days, or as the measure."),
        always("method", "text", "Methods of the intervals: of an arm, then of the difference."),
        maybe(
            "better",
            "word",
            "Which is better, the higher or the lower figure; empty for measures, of which nobody says it.",
            OURS,
            ("higher", "lower"),
        ),
        always("primary", "yes_no", "Whether it is the one comparison stated before the run.", SETTINGS),
        always(
            "verdict",
            "text",
            "What the interval allows to say, in words; `Descriptive` before all but the stated.",
        ),
        remark(),
    ),
    key=("among", "by", "arm_a", "arm_b", "line"),
)

PUBLISHED_FIGURES = Table(
    "published_figures",
    "What others published of a category, to stand in grey beside our figures: never tested against them, never pooled with "
    "them. As the catalogue gives it; only rate and interval are worked out here.",
    (
        category(),
        count_or_gap("events", "Events they counted; empty where they gave a range.", "cases", CATALOGUE),
        count_or_gap("cases", "Of how many.", "cases", CATALOGUE),
        Column(
            "window_days",
            "integer",
            "Days within which they counted; empty where they do not say.",
            False,
            (),
            1,
            None,
            "days",
            CATALOGUE,
            "days",
        ),
        always("criterion", "text", "What they counted, after which operation.", CATALOGUE),
        always("source", "text", "Where it was printed.", CATALOGUE),
        share("rate", "Events by cases; empty for a range."),
        *limits("ci_low", "ci_high", "`rate`", "Wilson 1927"),
        share("lowest", "Lowest of the shares they quote; empty for a single figure.", CATALOGUE),
        share("highest", "Highest of the shares they quote.", CATALOGUE),
    ),
    key=("category", "criterion", "source", "window_days", "events", "cases", "lowest"),
)

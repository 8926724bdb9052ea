"""Published tables beside rates and comparisons: with everybody's mix of ages, and the stated comparison over time."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.shorthand import (
    SETTINGS,
    always,
    category,
    count,
    count_or_gap,
    limits,
    maybe,
    number,
    procedure,
    remark,
    share,
    window_days,
)

YAN_SU = "Yan and Su 2010, Stat Biopharm Res 2:329, Wilson limits by band (from memory)"
BROOKMEYER = "Brookmeyer and Crowley 1982, Biometrics 38:29"
LOG_RANK = "Mantel 1966; Peto and Peto 1972, J R Stat Soc A 135:185"


def _median(arm: str) -> tuple[Column, ...]:
    text = f"Day by which half of {arm} have had it or died; empty where that was not reached."
    return (
        number(f"median_{arm}", text, "Kaplan and Meier 1958", "days", 0),
        *limits(
            f"median_{arm}_low", f"median_{arm}_high", f"`median_{arm}`", BROOKMEYER, 0, None, "days"
        ),
    )  # fmt: skip


def _counted(arm: str) -> tuple[Column, ...]:
    return (
        count_or_gap(f"cases_{arm}", f"Isolated cases of {arm}, also those whose windows are still open."),
        count_or_gap(f"events_{arm}", f"Those of {arm} seen to have it."),
        count_or_gap(f"deaths_{arm}", f"Those of {arm} that died without it."),
    )


STANDARDISED_RATES = Table(
    "standardised_rates",
    "Rates as they would be if each procedure's patients had the ages of all patients together.",
    (
        procedure(),
        category(),
        window_days(),
        count("cases", "Closed cases."),
        count("events", "Cases with a counted complication."),
        share("rate", "events / cases, as in `rates`."),
        share("standardised_rate", "Rate with the mix of ages of all closed cases.", YAN_SU),
        *limits("ci_low", "ci_high", "`standardised_rate`", YAN_SU),
        share("covered", "Share of all closed cases that are of an age this procedure has cases of.", OURS),
        remark(),
    ),
    key=("procedure", "category", "window_days"),
)

COURSES_COMPARED = Table(
    "courses_compared",
    "The two arms of the stated comparison over time, one main level a row; tests for the stated category alone.",
    (
        maybe("among", "word", "Group of the settings it was made in; empty: all.", SETTINGS),
        always("arm_a", "word", "First arm.", SETTINGS),
        always("arm_b", "word", "Second arm.", SETTINGS),
        category(),
        Column(
            "until_day", "integer", "Last day looked at.", True, (), 0, None, "days", SETTINGS, "days",
            nullable=False,
        ),
        *_counted("a"),
        *_counted("b"),
        *_median("a"),
        *_median("b"),
        number("expected_a", "Events to expect in a if both arms had them alike.", LOG_RANK, "cases", 0),
        number("expected_b", "Events to expect in b if both arms had them alike.", LOG_RANK, "cases", 0),
        number("log_rank", "Chi-square of the log-rank test with one degree of freedom.", LOG_RANK, low=0),
        share("p_log_rank", "Its p value; only for the stated category.", LOG_RANK),
        number("log_rank_within_age", "The same, arms set against each other within age bands.", LOG_RANK, low=0),
        share("p_within_age", "Its p value.", LOG_RANK),
        always("primary", "yes_no", "Whether it is the category of the comparison stated beforehand.", SETTINGS),
        remark(),
    ),
    key=("among", "arm_a", "arm_b", "category"),
)  # fmt: skip

"""Published tables of rates and of comparisons between two arms."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.shorthand import (
    AALEN,
    GARWOOD,
    NEWCOMBE,
    SETTINGS,
    WILSON,
    always,
    category,
    count,
    count_or_gap,
    difference,
    level,
    limits,
    maybe,
    number,
    probability,
    procedure,
    ratio,
    remark,
    share,
    site,
    window_days,
)

# Rates.

_STRATA = ("none", "site", "surgeon", "fixation", "age_band")

_COUNTED = (
    always("stratum", "word", "What the cases are divided by besides the procedure.", SETTINGS, _STRATA),
    maybe("stratum_value", "text", "The part they fall in; empty where nothing divides them."),
    procedure(),
    category(),
    level(),
    window_days(),
    count("cases", "Closed cases: judged late enough after the end of the window."),
    count_or_gap("followed", "Cases with an event, dead, or observed to the end of the window."),
    count_or_gap("lost", "Cases that are not followed."),
    count_or_gap(
        "assessed", "Cases with an admissible reading or an event; empty where nothing is measured."
    ),
    count_or_gap("events", "Cases with a counted complication by the end of the window."),
    count_or_gap("deaths", "Cases dead by the end of the window without an earlier event."),
    count_or_gap("awaiting", "Cases that would have an event if every open question were answered yes."),
)

_ESTIMATED = (
    share("rate", "Events among all cases: what is known here."),
    *limits("ci_low", "ci_high", "`rate`", WILSON),
    maybe("method", "word", "Method of the interval of `rate`.", SETTINGS),
    share(
        "rate_followed", "Events among followed cases: too high, because complications bring patients back."
    ),
    *limits("rf_ci_low", "rf_ci_high", "`rate_followed`", WILSON),
    share("worst_case", "Events and lost cases among all cases: if everyone lost had the complication."),
    share("rate_with_awaiting", "Events and awaiting among all cases."),
    share(
        "incidence",
        "Share with an event by the end of the window, death competing, from all cases as long as each was observed.",
        AALEN,
    ),
    *limits("incidence_low", "incidence_high", "`incidence`", AALEN),
    number(
        "person_years", "Time under observation up to the first event or the window's end.", OURS, "years", 0
    ),
    count_or_gap("events_py", "Events within that time."),
    number("rate_per_100py", "Events per 100 years under observation.", OURS, "per 100 person-years", 0),
    *limits("py_ci_low", "py_ci_high", "`rate_per_100py`", GARWOOD, 0, None, "per 100 person-years"),
    remark(),
)

_RATES_KEY = ("stratum", "stratum_value", "procedure", "category", "level", "window_days")

RATES = Table(
    "rates",
    "How often a complication occurred after a procedure within a window, in one part of the cases.",
    (*_COUNTED, *_ESTIMATED),
    key=_RATES_KEY,
)

COHORTS = Table(
    "cohorts",
    "The same by period of operation: main levels, over all sites.",
    (
        always("period", "word", "Period of the operations, for example `2026-Q3`."),
        *RATES.columns,
        always(
            "closed",
            "yes_no",
            "Whether every case of the period can be judged, at all sites; if not, the figures will still move.",
        ),
    ),
    key=("period", *_RATES_KEY),
)

ACTIVITY = Table(
    "activity",
    "What a site did and learned in the period of the edition.",
    (
        site(),
        procedure(),
        count("operations", "Operations done in the period.", "operations"),
        count("cases", "Index cases among them."),
        count(
            "complications_happened", "Counted complications that happened in the period.", "complications"
        ),
        count(
            "complications_learned",
            "Counted complications that only became known in the period (`known_late` in `complications`).",
            "complications",
        ),
        count(
            "awaiting",
            "Complications that happened or only became known in the period and await review.",
            "complications",
        ),
        count("decisions", "Decisions reviewers made in the period.", "decisions"),
        count("windows_closed", "Windows of cases that closed in the period.", "windows"),
    ),
    key=("site", "procedure"),
)

# Comparisons.

_COMPARED = (
    maybe("among", "word", "Patients compared, a group of the settings; empty for all.", SETTINGS),
    always("by", "word", "What tells the arms apart: the procedure or a column of operations.", SETTINGS),
    always("arm_a", "word", "First arm.", SETTINGS),
    always("arm_b", "word", "Second arm, against which the first is set.", SETTINGS),
    category(),
    level(),
    window_days(),
    always(
        "analysis",
        "word",
        "How lost cases are counted: as without event, left out, or as events in one arm.",
        OURS,
        ("all_cases", "followed", "worst_for_a", "worst_for_b"),
    ),
    always(
        "isolated_only", "yes_no", "Whether only cases without a concomitant procedure are compared.", OURS
    ),
    maybe("stratum_value", "text", "Age band compared; empty for all ages together."),
    count("events_a", "Cases with an event in the first arm."),
    count("cases_a", "Cases in the first arm."),
    count("events_b", "Cases with an event in the second arm."),
    count("cases_b", "Cases in the second arm."),
)


def _share_of_arm(arm: str, which: str) -> tuple[Column, ...]:
    name = f"rate_{arm}"
    told = share(
        name, f"Share of the {which} arm's cases with an event; empty where the arms are not compared."
    )
    return told, *limits(f"r{arm}_ci_low", f"r{arm}_ci_high", f"`{name}`", WILSON)


MANTEL_HAENSZEL = "Mantel and Haenszel, over age bands"

COMPARISONS = Table(
    "comparisons",
    "Two arms set against each other on one complication and window.",
    (
        *_COMPARED,
        *difference("risk_difference", "rd_ci_low", "rd_ci_high", "Rate of a less rate of b.", NEWCOMBE),
        *ratio(
            "risk_ratio",
            "rr_ci_low",
            "rr_ci_high",
            "Rate of a by rate of b.",
            "Katz log; Koopman score with a zero",
        ),
        *ratio(
            "odds_ratio",
            "or_ci_low",
            "or_ci_high",
            "Odds of a by odds of b.",
            "conditional likelihood, exact interval",
        ),
        probability(
            "p_fisher", "Fisher's exact test, two-sided; only for the stated comparison.", "Fisher 1922"
        ),
        probability(
            "p_exact", "The test the verdict looks at; only for the stated comparison.", "Boschloo 1970"
        ),
        maybe("p_method", "text", "Name of the test in `p_exact`."),
        maybe("adjusted_for", "text", "What the adjusted figures take into account."),
        *difference(
            "adj_risk_difference",
            "adj_rd_low",
            "adj_rd_high",
            "Rate of a less rate of b, adjusted.",
            MANTEL_HAENSZEL,
        ),
        *ratio(
            "adj_risk_ratio",
            "adj_rr_low",
            "adj_rr_high",
            "Rate of a by rate of b, adjusted.",
            MANTEL_HAENSZEL,
        ),
        count_or_gap("informative_a", "Cases of a in age bands where both arms occur."),
        count_or_gap("informative_b", "Cases of b in age bands where both arms occur."),
        probability(
            "homogeneity_p",
            "Whether the odds ratio differs between age bands.",
            "Breslow and Day, Tarone's correction",
        ),
        share("power", "Chance to find the difference that the settings call worthwhile, with these cases."),
        share("detectable_difference", "Smallest increase that these cases find with a chance of 80 %."),
        always("primary", "yes_no", "Whether it is the one comparison stated before the run.", SETTINGS),
        maybe("verdict", "text", "What the interval allows to say, in words."),
        remark(),
        *_share_of_arm("a", "first"),
        *_share_of_arm("b", "second"),
    ),
    key=(
        "among",
        "by",
        "arm_a",
        "arm_b",
        "category",
        "level",
        "window_days",
        "analysis",
        "isolated_only",
        "stratum_value",
    ),
)

BASELINE = Table(
    "baseline",
    "How the arms of the stated comparison differed before the operation: its closed cases without a further procedure.",
    (
        always("arm_a", "word", "First arm.", SETTINGS),
        always("arm_b", "word", "Second arm.", SETTINGS),
        always(
            "characteristic",
            "word",
            "What is set side by side: a column of operations, the site, or the band of ages.",
            "operations",
        ),
        maybe(
            "value",
            "text",
            "Value of the characteristic; empty for a number, or where nothing is known of it.",
        ),
        count("n_a", "Cases of a with this value, or with a number."),
        count("n_b", "Cases of b with this value, or with a number."),
        count("missing_a", "Cases of a for which it is not known."),
        count("missing_b", "Cases of b for which it is not known."),
        share("share_a", "Cases of a with this value among those known."),
        share("share_b", "Cases of b with this value among those known."),
        number("median_a", "Median in a, for a number.", OURS, "as the characteristic"),
        number("median_b", "Median in b, for a number.", OURS, "as the characteristic"),
        number(
            "standardised_difference",
            "Difference in standard deviations of a and b together.",
            "Austin 2009, Stat Med 28:3083 (from memory)",
            "SD",
        ),
    ),
    key=("arm_a", "arm_b", "characteristic", "value"),
)

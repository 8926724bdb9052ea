"""Published tables that rest on expected risk: surgeons, the models behind them, running charts."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.shorthand import (
    COX,
    DELONG,
    GARWOOD,
    RENEWAL,
    SPIEGELHALTER,
    STEINER,
    always,
    category,
    count,
    count_or_gap,
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

SURGEON_OUTCOMES = Table(
    "surgeon_outcomes",
    "One surgeon's cases set against what the department's own cases lead to expect.",
    (
        always(
            "surgeon", "id", "Responsible surgeon of the first operation as `<site>/<id>`, or `unattributed`."
        ),
        category(),
        window_days(),
        count("cases", "Closed cases."),
        share("followed_share", "Followed cases among them."),
        share("assessed_share", "Assessed cases among them."),
        count("events", "Cases with a counted complication."),
        number(
            "expected",
            "Events to expect of such patients.",
            "regression over the department's cases",
            "cases",
            0,
        ),
        *ratio("ratio", "ratio_ci_low", "ratio_ci_high", "Events by expected events.", GARWOOD),
        *ratio(
            "steadied_ratio",
            "steadied_low",
            "steadied_high",
            "Ratio drawn towards 1 where cases are few.",
            "gamma-Poisson",
        ),
        *limits("limit_95_low", "limit_95_high", "what chance alone gives in 95 of 100", SPIEGELHALTER),
        *limits("limit_998_low", "limit_998_high", "what chance alone gives in 998 of 1000", SPIEGELHALTER),
        always(
            "against_limits",
            "word",
            "Where the surgeon's share lies; outside asks for a check and proves nothing.",
            SPIEGELHALTER,
            ("too_few", "inside", "outside_95", "outside_998"),
        ),
        probability("q_value", "p value adjusted for the number of surgeons.", "Benjamini and Hochberg 1995"),
        remark(),
        maybe("in_words", "text", "What the counts say, what chance alone gives, and what follows from it."),
        maybe(
            "without_own_cases",
            "word",
            "As `against_limits`, with limits around what the others' cases had; empty for the only surgeon.",
            SPIEGELHALTER,
            ("too_few", "inside", "outside_95", "outside_998"),
        ),
    ),
    key=("surgeon", "category", "window_days"),
)

RISK_MODELS = Table(
    "risk_models",
    "How the expected risk of one outcome shown by surgeon was worked out, and how good it is.",
    (
        category(),
        window_days(),
        always("method", "text", "Logistic regression, Firth's, or smoothed rates."),
        always("why", "text", "Why this one."),
        count("cases", "Closed cases it rests on."),
        count("events", "Cases with an event among them."),
        count(
            "coefficients", "Coefficients beside the intercept that a regression has here.", "coefficients"
        ),
        count("lacking", "Cases that lack a covariate; they count, missing being a level."),
        share(
            "concordance",
            "Chance that of two cases, one with an event, that one had the higher risk; in the same cases.",
            DELONG,
        ),
        *limits("concordance_low", "concordance_high", "`concordance`", DELONG),
        number("calibration_intercept", "Above 0: more happened than expected; in the same cases.", COX),
        number("calibration_slope", "Below 1: risks lie too far apart; in the same cases.", COX),
        count("surgeons", "Named surgeons with ten closed cases.", "surgeons"),
        number(
            "spread",
            "How far their ratios lie apart: 1 by chance alone; empty below ten of them.",
            SPIEGELHALTER,
            low=0,
        ),
        number(
            "spread_drawn_in", "The same, the outermost tenth on each side drawn in.", SPIEGELHALTER, low=0
        ),
        number(
            "variance_between",
            "Variance between surgeons' ratios beyond chance (τ²); 0 unless `spread_drawn_in` is above 1.",
            SPIEGELHALTER,
            low=0,
        ),
    ),
    key=("category", "window_days"),
)

MONITORING = Table(
    "monitoring",
    "Running chart: closed cases in the order of their operations; of charts of more than 5,000 cases those that tell its "
    "course: each at which it asks for a check, the last of each period, and the turns of 150 stretches.",
    (
        procedure(),
        site(),
        category(),
        window_days(),
        Column(
            "sequence",
            "integer",
            "Place in the order of all cases of the chart.",
            True,
            (),
            1,
            None,
            "",
            OURS,
            "count",
            nullable=False,
        ),
        always("period", "word", "Period of the operation."),
        Column(
            "outcome",
            "integer",
            "1 with an event, else 0.",
            True,
            (),
            0,
            1,
            "",
            OURS,
            "count",
            nullable=False,
        ),
        share("expected", "Risk to expect of such a patient.", "regression over the department's cases"),
        number("score", "Height of the chart after the case.", STEINER, "", 0),
        number("limit", "Height that asks for a check.", STEINER, "", 0),
        always("asks_for_check", "yes_no", "Whether the chart reached the limit with this case.", STEINER),
        number(
            "observed_minus_expected", "Events so far less the risks so far; never set back.", OURS, "cases"
        ),
        always("maturing", "yes_no", "Whether further operations of the period cannot be judged yet.", OURS),
    ),
    key=("procedure", "site", "category", "window_days", "sequence"),
)

CHARTS = Table(
    "charts",
    "Each running chart as a whole, and those that could not be drawn.",
    (
        procedure(),
        site(),
        category(),
        window_days(),
        count("cases", "Closed cases."),
        count("events", "Cases with an event."),
        number(
            "expected",
            "Events to expect of such patients.",
            "regression over the department's cases",
            "cases",
            0,
        ),
        number("limit", "Height that asks for a check.", STEINER, "", 0),
        number(
            "run_length",
            "Mean number of cases until such a chart asks for a check by chance alone.",
            RENEWAL,
            "cases",
            0,
        ),
        number(
            "run_length_if_doubled", "The same once the odds of an event have doubled.", RENEWAL, "cases", 0
        ),
        count_or_gap("checks", "How often the chart reached its limit.", "checks"),
        count_or_gap("since_last_event", "Cases without event since the last one, or since the beginning."),
        share("chance_of_so_long", "Chance that such patients stay without event so long or longer."),
        number(
            "false_alarms_a_year",
            "Checks a year that chance alone makes this chart ask for.",
            OURS,
            "per year",
            0,
        ),
        number(
            "false_alarms_of_all",
            "Checks a year that chance alone makes all charts together ask for.",
            OURS,
            "per year",
            0,
        ),
        remark(),
    ),
    key=("procedure", "site", "category", "window_days"),
)

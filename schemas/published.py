"""Tables a run writes: accounts of rows, the case list and the audit tables.

One row of an audit table is one figure with all that is needed to read it. Shares are fractions of 1;
intervals are at the confidence of the settings. `filled=False` marks tables whose shape is agreed and
which this version does not write.
"""

from __future__ import annotations

from schemas.columns import Column, Display, Kind, Table
from schemas.exports import OURS, SEVERITY, SEVERITY_GRADES

AUDIT = "limbaudit"
CATALOGUE = "catalogue in force"
SETTINGS = "audit.toml"
KAHN = "Kahn 2016, eGEMs 4(1):1244"
WILSON = "Wilson 1927; Clopper and Pearson 1934 where the settings ask for it"
NEWCOMBE = "Newcombe 1998, hybrid score interval"
GARWOOD = "Garwood 1936, exact Poisson"
AALEN = "Aalen and Johansen, death competing"
SPIEGELHALTER = "Spiegelhalter 2005, Stat Med 24:1185"
STEINER = "Steiner 2000, Biostatistics 1:441"
KAPPA = "Cohen's kappa, interval from its own variance"

_DISPLAYS: dict[Kind, Display] = {"date": "day", "integer": "count", "number": "decimal"}


def _is(name: str, kind: Kind, description: str, source: str = AUDIT, words: tuple[str, ...] = ()) -> Column:
    """A column that is always filled."""
    return Column(
        name,
        kind,
        description,
        True,
        words,
        source=source,
        display=_DISPLAYS.get(kind, "plain"),
        nullable=False,
    )


def _maybe(
    name: str, kind: Kind, description: str, source: str = AUDIT, words: tuple[str, ...] = ()
) -> Column:
    return Column(
        name, kind, description, vocabulary=words, source=source, display=_DISPLAYS.get(kind, "plain")
    )


def _count(name: str, description: str, unit: str = "cases", source: str = OURS) -> Column:
    return Column(name, "integer", description, True, (), 0, None, unit, source, "count", nullable=False)


def _some(name: str, description: str, unit: str = "cases", source: str = OURS) -> Column:
    """A count that is empty where the row is not defined."""
    return Column(name, "integer", description, False, (), 0, None, unit, source, "count")


def _share(name: str, description: str, source: str = OURS) -> Column:
    return Column(name, "number", description, False, (), 0, 1, "fraction", source, "share")


def _number(name: str, description: str, source: str, unit: str = "", low: float | None = None) -> Column:
    return Column(name, "number", description, False, (), low, None, unit, source, "decimal")


def _limits(
    low: str,
    high: str,
    of: str,
    source: str,
    least: float | None = 0,
    most: float | None = 1,
    unit: str = "fraction",
) -> tuple[Column, Column]:
    """Both ends of the interval of a figure, which lie between `least` and `most`."""

    def end(name: str, which: str) -> Column:
        text = f"{which} end of the interval of {of}."
        return Column(name, "number", text, False, (), least, most, unit, source, "interval")

    return end(low, "Lower"), end(high, "Upper")


# Columns that many tables share.


def _site() -> Column:
    return _is("site", "id", "Site: the name of its folder of exports.")


def _procedure() -> Column:
    return _is("procedure", "word", "Procedure of the catalogue, two joined by `+`, or `all`.", CATALOGUE)


def _category() -> Column:
    return _is(
        "category", "word", "Category of complication, or the program's own for any of them.", CATALOGUE
    )


def _level() -> Column:
    return _is("level", "word", "Level of the category, stricter or wider than its main one.", CATALOGUE)


def _window() -> Column:
    return Column(
        "window_days",
        "integer",
        "Last day counted; the operation is day 0.",
        True,
        (),
        0,
        None,
        "days",
        SETTINGS,
        "days",
        nullable=False,
    )


def _place() -> tuple[Column, Column]:
    return (
        _is("source_file", "text", "File as received, from the workspace; `#sheet` follows for a workbook."),
        Column(
            "source_line",
            "integer",
            "First line of the row in the file, from 1 with the header; empty where the whole file is meant.",
            low=1,
            source=AUDIT,
            display="plain",
        ),
    )


def _cell() -> tuple[Column, ...]:
    """Where a finding or a repair was made."""
    return (
        _maybe("site", "id", "Site: the name of its folder of exports."),
        *_place(),
        _maybe("table", "word", "Table the row belongs to; empty where it is not known."),
        _maybe("record_id", "id", "Id of the record."),
        _maybe("column", "word", "Column of the cell; empty where the whole row is meant."),
        _is("rule", "word", "Code of the rule, explained in the list of findings."),
    )


def _note() -> Column:
    return _maybe("note", "text", "What to know before reading the row, in words.")


_CELL_KEY = ("site", "source_file", "source_line", "table", "record_id", "column", "rule")

# Accounts of rows.

_FATES = (
    ("accepted", "Rows that went on."),
    ("quarantined", "Rows held back because of a finding."),
    ("superseded", "Rows that a newer version of the record replaced."),
    ("duplicate", "Rows equal to one received before."),
    ("withdrawn", "Rows the sender took back."),
    ("non_data", "Lines that are no records: preamble, totals, blank lines, repeated headers."),
    ("not_selected", "Rows the site's mapping leaves out."),
    ("refused", "Rows of a file that was set aside whole."),
    ("removed", "Rows left out on request."),
)

LEDGER = Table(
    "ledger",
    "One table in one received file or sheet, with what became of its rows; the fates add up to the rows read.",
    (
        _site(),
        _is("receipt", "date", "Day the export was received: the name of its folder."),
        _is("source_file", "text", "File as received, from the workspace; `#sheet` follows for a workbook."),
        _maybe("sheet", "text", "Sheet of a workbook."),
        _maybe("table", "word", "Table the file holds; empty where nobody claimed it."),
        Column(
            "sha256",
            "text",
            "SHA-256 of the file's bytes.",
            True,
            source="FIPS 180-4",
            display="hash",
            nullable=False,
        ),
        _count("rows_read", "Rows counted in the file before it was parsed.", "rows", AUDIT),
        *(_count(name, text, "rows", AUDIT) for name, text in _FATES),
        _maybe("reason", "text", "Why the file was set aside."),
    ),
    key=("site", "receipt", "source_file", "sheet", "table"),
)

QUARANTINE = Table(
    "quarantine",
    "One finding about a received row or file.",
    (
        *_cell(),
        _maybe("value", "text", "The cell as received, identifiers masked."),
        _is("message", "text", "What was found, what was expected and what to do."),
    ),
    key=_CELL_KEY,
)

REPAIRS = Table(
    "repairs",
    "One cell that was read in another way than it was written.",
    (
        *_cell(),
        _maybe("before", "text", "The cell as received, identifiers masked."),
        _maybe("after", "text", "The cell as used."),
    ),
    key=_CELL_KEY,
)

UNATTRIBUTED = Table(
    "unattributed",
    "One accepted record that belongs to no case.",
    (
        _site(),
        _is("table", "word", "Table of the record."),
        _is("record_id", "id", "Id of the record."),
        _is(
            "why",
            "word",
            "Before the operation, the other side, a joint not watched, no operation known, or done elsewhere.",
            OURS,
            ("before", "other_side", "unwatched", "no_operation", "elsewhere"),
        ),
        *_place(),
    ),
    key=("site", "table", "record_id"),
)

QUALITY = Table(
    "quality",
    "One rule over one column of a site's table: how many rows fail it.",
    (
        _site(),
        _is("table", "word", "Table that was checked."),
        _maybe("column", "word", "Column that was checked; empty where the whole row was."),
        _is(
            "dimension",
            "word",
            "Kind of quality the rule speaks of.",
            KAHN,
            ("conformance", "completeness", "plausibility"),
        ),
        _is("rule", "word", "Code of the rule, explained in the list of findings."),
        _count("rows", "Rows the rule was applied to.", "rows", AUDIT),
        _count("failing", "Rows that fail the rule.", "rows", AUDIT),
        _share("share", "Failing rows among the rows."),
        _share("tolerance", "Share up to which it is tolerated; empty where none is set.", SETTINGS),
        _maybe("verdict", "word", "Whether the share is within the tolerance."),
    ),
    key=("site", "table", "column", "dimension", "rule"),
)

FOR_THE_SENDER = Table(
    "for_the_sender",
    "One fault for the hospital to mend at the source; neither values nor ids, so that it may be mailed.",
    (
        *_place(),
        _maybe("column", "word", "Column of the cell; empty where the whole row is meant."),
        _is("rule", "word", "Code of the rule, explained in the list of findings."),
        _is("what_to_do", "text", "What to change at the source."),
    ),
    key=("source_file", "source_line", "column", "rule"),
)

# The case list.


def _case() -> Column:
    return _is("case_id", "id", "Case: `<site>.<operation_id>.<L|R|N>` of the operation that names it.")


def _days(name: str, description: str, always: bool = True) -> Column:
    return Column(
        name, "integer", description, always, unit="days", source=OURS, display="days", nullable=not always
    )


CASES = Table(
    "cases",
    "One index case: one performed operation on one joint and side of one patient.",
    (
        _case(),
        _site(),
        _is("operation_id", "id", "Operation that names the case."),
        Column(
            "patient",
            "integer",
            "Number of the patient in this edition, without meaning elsewhere.",
            True,
            low=0,
            source=AUDIT,
            nullable=False,
        ),
        _is(
            "side",
            "word",
            "Side operated on; `none` for an operation without one.",
            OURS,
            ("left", "right", "none"),
        ),
        _is("procedure", "word", "Procedure that names the case.", CATALOGUE),
        _is(
            "group",
            "word",
            "Procedure, or two joined by `+` where both were done and are compared.",
            CATALOGUE,
        ),
        _is("performed_on", "date", "Day of the operation: day 0 of the case.", "operations"),
        _is(
            "surgeon",
            "id",
            "Responsible surgeon of the first operation as `<site>/<id>`, or `unattributed`.",
            OURS,
        ),
        _is("fixation", "word", "Ways of fixation, sorted and joined by `;`, or `unknown`.", CATALOGUE),
        _is("age_band", "word", "Age at the operation in bands, or `unknown`.", SETTINGS),
        _is("sex", "word", "Sex as recorded.", "operations", ("female", "male", "other", "unknown")),
        _is(
            "isolated", "yes_no", "Whether nothing else that matters was done at the same sitting.", CATALOGUE
        ),
        _is("known_until", "date", "Day to which the site's records are complete.", OURS),
        _days("contact_until", "Day of the case of the last contact, 0 if there was none."),
        _days("records_until", "Day of the case to which the records of the site reach."),
        _days("died", "Day of the case on which the patient died; empty if alive.", always=False),
        *_place(),
    ),
    key=("case_id",),
)

COMPLICATIONS = Table(
    "complications",
    "One case, category and level, with the evidence for it.",
    (
        _case(),
        _category(),
        _level(),
        _days(
            "day",
            "Day of the case of the earliest evidence; empty if unknown, then in every window.",
            always=False,
        ),
        _maybe(
            "strength",
            "word",
            "How strong the best evidence is; empty where there is none but a decision.",
            OURS,
            ("possible", "probable", "definite", "confirmed"),
        ),
        _is(
            "status",
            "word",
            "Whether it counts, and if not, why.",
            OURS,
            ("counted", "refuted", "awaiting", "pre_existing", "too_soon", "described", "cannot_occur"),
        ),
        _maybe("evidence", "text", "Rows it rests on, each `file:line`, joined by `; `."),
    ),
    key=("case_id", "category", "level"),
)

REVIEW = Table(
    "review",
    "One question a reviewer is to answer.",
    (
        _maybe("case_id", "id", "Case in question; empty where the record fits none."),
        _maybe("category", "word", "Category in question; empty for a note nobody has read.", CATALOGUE),
        _is("why", "text", "Why the program does not decide it."),
        _maybe("would_move", "text", "Figures that the answer may change."),
        _maybe("evidence", "text", "Rows it rests on, each `file:line`, joined by `; `."),
    ),
    key=("case_id", "category", "why", "evidence"),
)

# Rates.

_STRATA = ("none", "site", "surgeon", "fixation", "age_band")

_COUNTED = (
    _is("stratum", "word", "What the cases are divided by besides the procedure.", SETTINGS, _STRATA),
    _maybe("stratum_value", "text", "The part they fall in; empty where nothing divides them."),
    _procedure(),
    _category(),
    _level(),
    _window(),
    _count("cases", "Closed cases: judged late enough after the end of the window."),
    _some("followed", "Cases with an event, dead, or observed to the end of the window."),
    _some("lost", "Cases that are not followed."),
    _some("assessed", "Cases with an admissible reading or an event; empty where nothing is measured."),
    _some("events", "Cases with a counted complication by the end of the window."),
    _some("deaths", "Cases dead by the end of the window without an earlier event."),
    _some("awaiting", "Cases that would have an event if every open question were answered yes."),
)

_ESTIMATED = (
    _share("rate", "Events among all cases: what is known here."),
    *_limits("ci_low", "ci_high", "`rate`", WILSON),
    _maybe("method", "word", "Method of the interval of `rate`.", SETTINGS),
    _share(
        "rate_followed", "Events among followed cases: too high, because complications bring patients back."
    ),
    *_limits("rf_ci_low", "rf_ci_high", "`rate_followed`", WILSON),
    _share("worst_case", "Events and lost cases among all cases: if everyone lost had the complication."),
    _share("rate_with_awaiting", "Events and awaiting among all cases."),
    _share("incidence", "Share with an event by the end of the window, death competing.", AALEN),
    *_limits("incidence_low", "incidence_high", "`incidence`", AALEN),
    _number(
        "person_years", "Time under observation up to the first event or the window's end.", OURS, "years", 0
    ),
    _some("events_py", "Events within that time."),
    _number("rate_per_100py", "Events per 100 years under observation.", OURS, "per 100 person-years", 0),
    *_limits("py_ci_low", "py_ci_high", "`rate_per_100py`", GARWOOD, 0, None, "per 100 person-years"),
    _note(),
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
    "The same by period of operation.",
    (
        _is("period", "word", "Period of the operations, for example `2026-Q3`."),
        *RATES.columns,
        _is(
            "closed",
            "yes_no",
            "Whether every case of the period can be judged; if not, the figures will still move.",
        ),
    ),
    key=("period", *_RATES_KEY),
    filled=False,
)

ACTIVITY = Table(
    "activity",
    "What a site did and learned in the period of the edition.",
    (
        _site(),
        _procedure(),
        _count("operations", "Operations done in the period.", "operations"),
        _count("cases", "Index cases among them."),
        _count(
            "complications_happened", "Counted complications that happened in the period.", "complications"
        ),
        _count(
            "complications_learned", "Counted complications that became known in the period.", "complications"
        ),
        _count("awaiting", "Complications of the period that await review.", "complications"),
        _count("decisions", "Decisions reviewers made in the period.", "decisions"),
        _count("windows_closed", "Windows of cases that closed in the period.", "windows"),
    ),
    key=("site", "procedure"),
)

# Comparisons.

_COMPARED = (
    _maybe("among", "word", "Patients compared, a group of the settings; empty for all.", SETTINGS),
    _is("by", "word", "What tells the arms apart: the procedure or a column of operations.", SETTINGS),
    _is("arm_a", "word", "First arm.", SETTINGS),
    _is("arm_b", "word", "Second arm, against which the first is set.", SETTINGS),
    _category(),
    _level(),
    _window(),
    _is(
        "analysis",
        "word",
        "How lost cases are counted: as without event, left out, or as events in one arm.",
        OURS,
        ("all_cases", "followed", "worst_for_a", "worst_for_b"),
    ),
    _is("isolated_only", "yes_no", "Whether only cases without a concomitant procedure are compared.", OURS),
    _maybe("stratum_value", "text", "Age band compared; empty for all ages together."),
    _count("events_a", "Cases with an event in the first arm."),
    _count("cases_a", "Cases in the first arm."),
    _count("events_b", "Cases with an event in the second arm."),
    _count("cases_b", "Cases in the second arm."),
)


def _ratio(name: str, low: str, high: str, description: str, source: str) -> tuple[Column, ...]:
    return (
        _number(name, description, source, "ratio", 0),
        *_limits(low, high, f"`{name}`", source, 0, None, "ratio"),
    )


def _difference(name: str, low: str, high: str, description: str, source: str) -> tuple[Column, ...]:
    figure = Column(name, "number", description, False, (), -1, 1, "fraction", source, "share")
    return (figure, *_limits(low, high, f"`{name}`", source, -1, 1))


MANTEL_HAENSZEL = "Mantel and Haenszel, over age bands"

COMPARISONS = Table(
    "comparisons",
    "Two arms set against each other on one complication and window.",
    (
        *_COMPARED,
        *_difference("risk_difference", "rd_ci_low", "rd_ci_high", "Rate of a less rate of b.", NEWCOMBE),
        *_ratio(
            "risk_ratio",
            "rr_ci_low",
            "rr_ci_high",
            "Rate of a by rate of b.",
            "Katz log; Koopman score with a zero",
        ),
        *_ratio(
            "odds_ratio",
            "or_ci_low",
            "or_ci_high",
            "Odds of a by odds of b.",
            "conditional likelihood, exact interval",
        ),
        _share("p_fisher", "Fisher's exact test, two-sided; only for the stated comparison.", "Fisher 1922"),
        _share("p_exact", "The test the verdict looks at; only for the stated comparison.", "Boschloo 1970"),
        _maybe("p_method", "text", "Name of the test in `p_exact`."),
        _maybe("adjusted_for", "text", "What the adjusted figures take into account."),
        *_difference(
            "adj_risk_difference",
            "adj_rd_low",
            "adj_rd_high",
            "Rate of a less rate of b, adjusted.",
            MANTEL_HAENSZEL,
        ),
        *_ratio(
            "adj_risk_ratio",
            "adj_rr_low",
            "adj_rr_high",
            "Rate of a by rate of b, adjusted.",
            MANTEL_HAENSZEL,
        ),
        _some("informative_a", "Cases of a in age bands where both arms occur."),
        _some("informative_b", "Cases of b in age bands where both arms occur."),
        _share(
            "homogeneity_p",
            "Whether the odds ratio differs between age bands.",
            "Breslow and Day, Tarone's correction",
        ),
        _share("power", "Chance to find the difference that the settings call worthwhile, with these cases."),
        _share("detectable_difference", "Smallest increase that these cases find with a chance of 80 %."),
        _is("primary", "yes_no", "Whether it is the one comparison stated before the run.", SETTINGS),
        _maybe("verdict", "text", "What the interval allows to say, in words."),
        _note(),
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
    "How the arms differed before the operation.",
    (
        _is("arm_a", "word", "First arm.", SETTINGS),
        _is("arm_b", "word", "Second arm.", SETTINGS),
        _is("characteristic", "word", "What is set side by side, a column of operations.", "operations"),
        _maybe("value", "text", "Value of the characteristic; empty for a number."),
        _count("n_a", "Cases of a with this value, or with a number."),
        _count("n_b", "Cases of b with this value, or with a number."),
        _count("missing_a", "Cases of a for which it is not known."),
        _count("missing_b", "Cases of b for which it is not known."),
        _share("share_a", "Cases of a with this value among those known."),
        _share("share_b", "Cases of b with this value among those known."),
        _number("median_a", "Median in a, for a number.", OURS, "as the characteristic"),
        _number("median_b", "Median in b, for a number.", OURS, "as the characteristic"),
        _number(
            "standardised_difference",
            "Difference in standard deviations.",
            "common practice, no source",
            "SD",
        ),
    ),
    key=("arm_a", "arm_b", "characteristic", "value"),
    filled=False,
)

# Surgeons, curves, charts.

SURGEON_OUTCOMES = Table(
    "surgeon_outcomes",
    "One surgeon's cases set against what the department's own cases lead to expect.",
    (
        _is(
            "surgeon", "id", "Responsible surgeon of the first operation as `<site>/<id>`, or `unattributed`."
        ),
        _category(),
        _window(),
        _count("cases", "Closed cases."),
        _share("followed_share", "Followed cases among them."),
        _share("assessed_share", "Assessed cases among them."),
        _count("events", "Cases with a counted complication."),
        _number(
            "expected",
            "Events to expect of such patients.",
            "regression over the department's cases",
            "cases",
            0,
        ),
        *_ratio("ratio", "ratio_ci_low", "ratio_ci_high", "Events by expected events.", GARWOOD),
        *_ratio(
            "steadied_ratio",
            "steadied_low",
            "steadied_high",
            "Ratio drawn towards 1 where cases are few.",
            "gamma-Poisson",
        ),
        *_limits("limit_95_low", "limit_95_high", "what chance alone gives in 95 of 100", SPIEGELHALTER),
        *_limits("limit_998_low", "limit_998_high", "what chance alone gives in 998 of 1000", SPIEGELHALTER),
        _is(
            "against_limits",
            "word",
            "Where the surgeon's share lies; outside asks for a check and proves nothing.",
            SPIEGELHALTER,
            ("too_few", "inside", "outside_95", "outside_998"),
        ),
        _share("q_value", "p value adjusted for the number of surgeons.", "Benjamini and Hochberg 1995"),
        _note(),
    ),
    key=("surgeon", "category", "window_days"),
    filled=False,
)

EVENT_FREE = Table(
    "event_free",
    "The course over time: who is still free of the complication on each day on which something changed.",
    (
        _procedure(),
        _category(),
        Column("day", "integer", "Day of the case.", True, (), 0, None, "days", OURS, "days", nullable=False),
        _count("at_risk", "Cases still observed and free on that day."),
        _count("events", "Cases with their event on that day."),
        _count("competing", "Cases that died on that day without event."),
        _count("censored", "Cases whose observation ended on that day."),
        _share("event_free", "Share with neither event nor death so far.", "Kaplan and Meier 1958"),
        *_limits("ci_low", "ci_high", "`event_free`", "Greenwood variance, log-log"),
        _share("cumulative_incidence", "Share with an event so far, death competing.", AALEN),
        *_limits("cif_ci_low", "cif_ci_high", "`cumulative_incidence`", AALEN),
    ),
    key=("procedure", "category", "day"),
    filled=False,
)

MONITORING = Table(
    "monitoring",
    "Running chart: closed cases in the order of their operations.",
    (
        _procedure(),
        _site(),
        _category(),
        _window(),
        Column(
            "sequence", "integer", "Place in the order.", True, (), 1, None, "", OURS, "count", nullable=False
        ),
        _is("period", "word", "Period of the operation."),
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
        _share("expected", "Risk to expect of such a patient.", "regression over the department's cases"),
        _number("score", "Height of the chart after the case.", STEINER, "", 0),
        _number("limit", "Height that asks for a check.", STEINER, "", 0),
        _is("asks_for_check", "yes_no", "Whether the chart reached the limit with this case.", STEINER),
    ),
    key=("procedure", "site", "category", "window_days", "sequence"),
    filled=False,
)

# Other tables.

SEVERITY_TABLE = Table(
    "severity",
    "How much treatment complications needed.",
    (
        _procedure(),
        _category(),
        _is(
            "grade",
            "word",
            "Highest grade in the case, or `unknown`.",
            SEVERITY,
            (*SEVERITY_GRADES, "unknown"),
        ),
        _count("cases", "Cases with this grade."),
    ),
    key=("procedure", "category", "grade"),
    filled=False,
)

REVISIONS = Table(
    "revisions",
    "What was done at a later operation after a first one, and why.",
    (
        _is("first_operation", "word", "Procedure of the first operation.", CATALOGUE),
        _is("to_operation", "word", "Procedure of the later one.", CATALOGUE),
        _maybe(
            "reason", "word", "Main reason of the return, a category; empty where it is not known.", CATALOGUE
        ),
        _is("planned", "yes_no", "Whether it was planned at the first operation.", OURS),
        _count("count", "Later operations of this kind.", "operations"),
        _number("median_days", "Median time between the two.", OURS, "days", 0),
    ),
    key=("first_operation", "to_operation", "reason", "planned"),
    filled=False,
)

VOLUMES = Table(
    "volumes",
    "How many cases there were.",
    (
        _is("period", "word", "Period of the operations, for example `2026-10`."),
        _procedure(),
        _is("age_band", "word", "Age at the operation in bands, or `unknown`.", SETTINGS),
        _site(),
        _count("cases", "Index cases."),
    ),
    key=("period", "procedure", "age_band", "site"),
    filled=False,
)


def _returns(part: str, who: str) -> tuple[Column, ...]:
    """Share of those asked and of all, each with its interval."""
    of_asked, of_all = f"{part}_share_of_asked", f"{part}_share_of_all"
    return (
        _share(of_asked, f"{who} among those asked."),
        *_limits(f"{of_asked}_low", f"{of_asked}_high", f"`{of_asked}`", WILSON),
        _share(of_all, f"{who} among all cases."),
        *_limits(f"{of_all}_low", f"{of_all}_high", f"`{of_all}`", WILSON),
    )


RETURN_TO_SPORT = Table(
    "return_to_sport",
    "Who was back at sport.",
    (
        _procedure(),
        _maybe("among", "word", "Patients looked at, a group of the settings; empty for all.", SETTINGS),
        _is("sport_level", "word", "Level before the operation, or `all`.", "operations"),
        _count("cases", "Cases that did sport before."),
        _count("asked", "Cases with an answer."),
        _count("any_return", "Cases back at any sport."),
        _count("same_or_higher", "Cases back at the same level or higher."),
        *_returns("any_return", "Back at any sport"),
        *_returns("same_or_higher", "Back at the same level or higher"),
        _number("median_days", "Median time from the operation to the return.", OURS, "days", 0),
    ),
    key=("procedure", "among", "sport_level"),
    filled=False,
)

SCORES = Table(
    "scores",
    "Scores and motions before and after.",
    (
        _procedure(),
        _is("measure", "word", "Motion or score.", "measurements"),
        _count("before_n", "Cases with a reading before the operation."),
        _number("before_mean", "Their mean.", OURS, "as the measure"),
        _count("after_n", "Cases with a reading after the operation."),
        _number("after_mean", "Their mean.", OURS, "as the measure"),
        _count("paired_n", "Cases with both."),
        _number("change", "Mean change of those with both.", OURS, "as the measure"),
        *_limits("ci_low", "ci_high", "`change`", "Student's t, paired", None, None, "as the measure"),
    ),
    key=("procedure", "measure"),
    filled=False,
)

NONOPERATIVE_CARE = Table(
    "nonoperative_care",
    "Treatment without an operation before elective surgery, against what the department expects.",
    (
        _procedure(),
        _count("elective", "Elective cases."),
        _count("recorded", "Elective cases with the weeks written down."),
        _number("expected_weeks", "Weeks the department expects.", SETTINGS, "weeks", 0),
        _count("reached", "Cases that reached them."),
        _share("share", "Reached among recorded."),
        *_limits("ci_low", "ci_high", "`share`", WILSON),
    ),
    key=("procedure",),
    filled=False,
)


def _between(name: str, description: str, source: str) -> Column:
    return Column(name, "number", description, False, (), -1, 1, "", source, "decimal")


AGREEMENT = Table(
    "agreement",
    "How far two reviewers agreed.",
    (
        _category(),
        _count("pairs", "Cases that two reviewers judged.", "pairs"),
        _count("both_yes", "Both said yes.", "pairs"),
        _count("both_no", "Both said no.", "pairs"),
        _count("discordant", "One said yes, one no.", "pairs"),
        _share("raw", "Agreement among all pairs."),
        _share("positive", "Agreement on yes.", "Cicchetti and Feinstein 1990 (from memory)"),
        _share("negative", "Agreement on no.", "Cicchetti and Feinstein 1990 (from memory)"),
        _between("kappa", "Agreement beyond chance; misleads where yes is rare.", KAPPA),
        *_limits("kappa_ci_low", "kappa_ci_high", "`kappa`", KAPPA, -1, 1, ""),
        _between("pabak", "Kappa adjusted for prevalence and bias.", "Byrt 1993 (from memory)"),
    ),
    key=("category",),
    filled=False,
)

FLOW = Table(
    "flow",
    "The way from rows received to cases analysed, step by step; each step starts where the one before ended.",
    (
        _is("site", "id", "Site, or `all`."),
        _is("procedure", "word", "Procedure of the catalogue, or `all` before it is known.", CATALOGUE),
        _is("step", "text", "What is done in this step."),
        _is("unit", "word", "What is counted: rows, operations or cases."),
        _count("before", "How many there were before the step.", "as in the column `unit`"),
        _count("added", "How many the step added.", "as in the column `unit`"),
        _count("removed", "How many the step took away.", "as in the column `unit`"),
        _count("after", "How many went on: before, and added, less removed.", "as in the column `unit`"),
        _maybe("reason", "text", "Why they were added or taken away."),
    ),
    key=("site", "procedure", "step", "unit", "reason"),
)

CHANGES = Table(
    "changes",
    "What moved since the last signed edition, case by case.",
    (
        _case(),
        _is("field", "word", "What changed."),
        _maybe("before", "text", "Value in the earlier edition; empty for a new case."),
        _maybe("after", "text", "Value now; empty for a case that is gone."),
        _is("because", "text", "What caused it: a record, a decision, a setting, a definition."),
        _maybe("file", "text", "File that caused it."),
        Column("line", "integer", "Line in that file.", low=1, source=AUDIT),
    ),
    key=("case_id", "field", "because", "file", "line"),
    filled=False,
)

#: Accounts and case lists, which lie beside the audit tables.
ACCOUNTS: tuple[Table, ...] = (
    LEDGER,
    QUARANTINE,
    REPAIRS,
    UNATTRIBUTED,
    QUALITY,
    CASES,
    COMPLICATIONS,
    REVIEW,
    FOR_THE_SENDER,
)

#: Audit tables, in the order of the workbook.
AUDIT_TABLES: tuple[Table, ...] = (
    RATES,
    COHORTS,
    ACTIVITY,
    COMPARISONS,
    BASELINE,
    SURGEON_OUTCOMES,
    EVENT_FREE,
    MONITORING,
    SEVERITY_TABLE,
    REVISIONS,
    VOLUMES,
    RETURN_TO_SPORT,
    SCORES,
    NONOPERATIVE_CARE,
    AGREEMENT,
    FLOW,
    CHANGES,
)

PUBLISHED: dict[str, Table] = {table.name: table for table in (*ACCOUNTS, *AUDIT_TABLES)}

#: Tables this version does not write yet.
NOT_FILLED: tuple[str, ...] = tuple(name for name, table in PUBLISHED.items() if not table.filled)

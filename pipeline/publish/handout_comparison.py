"""The stated comparison in the handout: crude beside age-stratified, then what may be said."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.publish import words
from pipeline.publish.arms_beside import beside_lines
from pipeline.publish.context import Context
from pipeline.publish.not_counted import NotCounted, not_counted, why_not_counted

if TYPE_CHECKING:
    import pandas as pd

NOT_STATED = (
    "No comparison was stated before the run, so nothing is tested. The rates stand beside each other; differences "
    "between them only describe."
)
#: What stands in a note between a figure and why it is missing, and the figures in print.
NOT_ESTIMABLE = " not estimable: "
FIGURES = {
    "ratio": "a ratio",
    "adjusted difference": "a difference within age bands",
    "adjusted ratio": "a ratio within age bands",
    "adjusted odds ratio": "an odds ratio within age bands",
    "homogeneity": "a comparison of the age bands",
    "power": "the chance of finding an increase",
    "trend": "a trend over age",
}
NOT_YET = "A comparison was stated before the run, but no case of either operation has a closed window yet."


def stated_comparison(tables: Mapping[str, pd.DataFrame], context: Context) -> dict[str, Any]:
    """`question`, two blocks of `title` and `lines`, the verdict; or only `none`, why there is nothing to say."""
    row = stated_row(tables)
    if row is None:
        return {"none": NOT_YET if context.settings.primary else NOT_STATED}
    named = words.names(context)
    a, b = named.arm(row["by"], row["arm_a"]), named.arm(row["by"], row["arm_b"])
    outcome = f"{named.outcome(row['category'], row['level'])} {words.window(row['window_days'])}"
    among = (
        "" if words.is_missing(row["among"]) or not row["among"] else f", among {words.plain(row['among'])}"
    )
    kept = ". Isolated cases: nothing else done at the sitting" if row["isolated_only"] else ""
    beside = beside_lines(row, (a, b), context)
    within = [line for line in beside if line.startswith("Within age bands")]
    return {
        "none": "",
        "question": f"{outcome}{among}: {a} against {b}{kept}.",
        "crude": {"title": "All ages together", "lines": _crude(row, (a, b), not_counted(tables), context)},
        "by_age": {
            "title": "Compared within age bands",
            "lines": _by_age(row, within, beside),
        },
        **_verdict(row["verdict"]),
        "note": _note(row),
        "unadjusted": beside[-1],
    }


def stated_row(tables: Mapping[str, pd.DataFrame]) -> pd.Series | None:
    """The stated comparison over all cases and ages, of isolated ones where both are given."""
    rows = tables.get("comparisons")
    if rows is None or rows.empty:
        return None
    own = rows[rows["primary"].fillna(False).astype(bool) & (rows["analysis"] == "all_cases")]
    own = own[own["stratum_value"].fillna("").eq("")]
    if own.empty:
        return None
    return own.sort_values("isolated_only", ascending=False, kind="stable").iloc[0]


def _crude(row: pd.Series, arms: tuple[str, str], known: NotCounted, context: Context) -> list[str]:
    told = row.to_dict()
    said = [
        _arm(name, row, arm, why_not_counted(told, arm, known, context))
        for arm, name in zip("ab", arms, strict=True)
    ]
    if not words.is_missing(row["risk_difference"]):
        said.append(_difference(row, "risk_difference", "rd", context))
    if not words.is_missing(row["p_fisher"]):
        p = words.probability(row["p_fisher"])
        said.append(f"Fisher's exact test: p {p if p.startswith('below') else f'= {p}'}.")
    return said


def _arm(name: str, row: pd.Series, arm: str, why: str) -> str:
    events, cases, high = (row[column] for column in (f"events_{arm}", f"cases_{arm}", f"r{arm}_ci_high"))
    if words.is_missing(cases) or not int(cases):
        return f"{name}: no closed case."
    closed = words.several(int(cases), "operation", "operations")
    if why:
        return f"{name}: {closed}; {why}."
    if words.is_missing(events):
        return f"{name}: {closed}, no figure."
    had = words.count(events) if int(events) else "none"
    if words.is_missing(high):
        return f"{name}: in {closed}, {had} had it."
    if not int(events):
        return f"{name}: in {closed}, none had it: at most {words.percent(high)}."
    share = f"{words.percent(int(events) / int(cases))} ({words.percents(row[f'r{arm}_ci_low'], high)})"
    return f"{name}: in {closed}, {had} had it: {share}."


def _difference(row: pd.Series, name: str, limits: str, context: Context) -> str:
    low, high = row[f"{limits}_ci_low"], row[f"{limits}_ci_high"]
    return (
        f"Difference {words.points(row[name])} percentage points, {words.percent(context.settings.confidence, 0)} interval "
        f"from {words.points(low)} to {words.points(high)}."
    )


def _by_age(row: pd.Series, within: list[str], beside: list[str]) -> list[str]:
    overlap = [line for line in beside if line.startswith("Of an age band")]
    if within:
        return [*within[:1], *overlap]
    why = "No figure: " + (
        "too few cases of ages that both have." if overlap else "nothing can be compared within age bands."
    )
    return [why, *overlap]


def _verdict(text: Any) -> dict[str, str]:
    """The first sentence, and how it is to be read."""
    first, stop, rest = _said(text).partition(". ")
    return {"verdict": first + stop.rstrip(), "reading": rest}


def _note(row: pd.Series) -> str:
    """What the verdict does not say already; what could not be worked out in one sentence, however many figures it is."""
    verdict = _said(row["verdict"]).casefold()
    parts = [] if words.is_missing(row["note"]) else [part for part in str(row["note"]).split("; ") if part]
    parts = [part for part in dict.fromkeys(parts) if part.casefold().rstrip(".") not in verdict]
    lacking = [part for part in parts if NOT_ESTIMABLE in part]
    if len(lacking) < 2:
        return _said("; ".join(parts))
    figures = words.listed(
        [FIGURES.get(what, what) for what in (each.partition(NOT_ESTIMABLE)[0] for each in lacking)]
    )
    rest = _said("; ".join(part for part in parts if part not in lacking))
    return f"Such counts do not give {figures}; why not says report/comparison.html. {rest}".rstrip()


def _said(text: Any) -> str:
    if words.is_missing(text) or not text:
        return ""
    told = words.sentence(words.plain(text))
    return told if told.endswith((".", "!", "?")) else f"{told}."

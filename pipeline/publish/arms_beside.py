"""What stands beside the stated comparison: its figures within age bands, its power, how its arms differed before."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.numbers import Whose
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from pipeline.publish.numbers.beside import Course

CSV = "../tables/baseline.csv"
#: Characteristics in the order of print, and what they are called there.
CALLED = {
    "age_years": "age in years",
    "age_band": "age band",
    "sex": "sex",
    "asa_class": "fitness for anaesthesia (ASA)",
    "prior_operation_same_joint": "earlier operation on the joint",
    "smoker": "smoking",
    "diabetes": "diabetes",
    "site": "site",
    "fixation": "fixation",
}
_AGES = ("age_years", "age_band")


def beside_lines(row: pd.Series, arms: tuple[str, str], context: Context) -> list[str]:
    """Within age bands, overlap, power, and what is not adjusted for, in sentences.

    Args:
        row: The stated comparison over all cases.
        arms: What its arms are called.
        context: Of the edition.
    """
    return [
        *_within_age(row, context),
        *_overlap(row, arms, context),
        *_power(row, context),
        _unadjusted(row),
    ]


def _within_age(row: pd.Series, context: Context) -> list[str]:
    if words.is_missing(row["adj_risk_difference"]):
        return []
    confidence = words.percent(context.settings.confidence, 0)
    ratio = words.ratio(row["adj_risk_ratio"], row["adj_rr_low"], row["adj_rr_high"])
    more = "" if ratio == words.NOTHING else f"; risk ratio {ratio}"
    said = [
        f"Within age bands: difference {words.points(row['adj_risk_difference'])} percentage points, {confidence} "
        f"interval from {words.points(row['adj_rd_low'])} to {words.points(row['adj_rd_high'])}{more}."
    ]
    if not words.is_missing(row["homogeneity_p"]):
        p = words.probability(row["homogeneity_p"])
        said.append(
            f"Whether the odds ratio is another in each age band: p {p if p.startswith('below') else f'= {p}'} "
            "(Breslow and Day, Tarone's correction). With few cases a band this test seldom finds anything."
        )
    return said


def _overlap(row: pd.Series, arms: tuple[str, str], context: Context) -> list[str]:
    if words.is_missing(row["informative_a"]):
        return []
    told: dict[Hashable, object] = row.to_dict()
    a, b = (Whose.of_arm(told, arm) for arm in "ab")
    said = [_overlapping(told, *each, context) for each in (("a", arms[0], a, b), ("b", arms[1], b, a))]
    lead = "Of an age band in which both occur: "
    return [joined(lead, said[0], ", ", said[1], ". Only these can be compared by age.")]


def _overlapping(
    row: Mapping[Hashable, object], arm: str, name: str, whose: Whose, other: Whose, context: Context
) -> str:
    """`190 of 201 cases of A`."""
    outcome = (str(row["category"]), str(row["level"]), int(str(row["window_days"])))
    some = context.lists.found(
        words.count(row[f"informative_{arm}"]), "Before the operation", f"{name}: of an age band in which both occur",
        lambda facts: facts.in_shared_bands(whose, other, outcome[2]),
    )  # fmt: skip
    every = words.several(int(str(row[f"cases_{arm}"])), "case", "cases")
    return joined(some, " of ", context.lists.number(every, "cases", whose, *outcome), f" of {name}")


def _power(row: pd.Series, context: Context) -> list[str]:
    said = []
    if not words.is_missing(row["power"]):
        worthwhile = words.percent(context.settings.worthwhile_difference, 0).removesuffix("%").strip()
        said.append(
            f"With so many cases, an increase of {worthwhile} percentage points would be found with a chance of "
            f"{words.percent(row['power'], 0)}."
        )
    if not words.is_missing(row["detectable_difference"]):
        smallest = words.points(row["detectable_difference"]).removeprefix("+")
        said.append(f"Smallest increase found with a chance of 80 %: {smallest} percentage points.")
    return [" ".join(said)] if said else []


def over_time_lines(tables: Mapping[str, pd.DataFrame], arms: tuple[str, str], context: Context) -> list[str]:
    """The stated outcome over time: how many were seen to have it, median days where reached, the log-rank test."""
    rows = tables.get("courses_compared")
    stated = None if rows is None else rows[rows["primary"].fillna(False).astype(bool)]
    if stated is None or stated.empty or words.is_missing(stated["cases_a"].iloc[0]):
        return []
    row = stated.iloc[0]
    seen = [_over_time(row, arm, name, context) for name, arm in zip(arms, "ab", strict=True)]
    lead = f"Over time, open windows included, up to day {words.count(row['until_day'])}: "
    return [joined(joined(lead, seen[0], "; ", seen[1], "."), *_log_rank(row), between=" ")]


def _over_time(row: pd.Series, arm: str, name: str, context: Context) -> str:
    """`A: 90 of 384 cases` or `A: no case`, and the median; isolated cases, whether their window has closed or not."""
    if not int(row[f"cases_{arm}"]):
        return f"{name}: no case"
    stated, category, last = context.settings.primary, str(row["category"]), int(row["until_day"])
    events, cases = (
        words.count(row[f"events_{arm}"]),
        words.several(int(row[f"cases_{arm}"]), "case", "cases"),
    )
    if stated is not None:
        whose = Whose.of_stated(stated, arm)

        def listed(told: str, title: str, of: Callable[[Course], np.ndarray]) -> str:
            return context.lists.found(
                told, "Observed over time", f"{name}: {title}",
                lambda facts: of(facts.beside.course(whose, category)),
            )  # fmt: skip

        outcome = words.within_sentence(words.names(context).category(category))
        cases = listed(cases, f"observed, {outcome}", lambda course: course.at)
        events = listed(events, f"with it, {outcome}", lambda course: course.had(last))
    return joined(f"{name}: ", events, " of ", cases, _median(row, arm))


def _median(row: pd.Series, arm: str) -> str:
    day = row[f"median_{arm}"]
    return "" if words.is_missing(day) else f", half by day {words.count(day)}"


def _log_rank(row: pd.Series) -> list[str]:
    """Death ends observation here; it is compared how fast it comes, not how often in the end."""
    if words.is_missing(row["p_log_rank"]):
        return []
    within = row["p_within_age"]
    age = "" if words.is_missing(within) else f"; within age bands p {words.equals(within)}"
    return [f"Log-rank test of how soon it comes: p {words.equals(row['p_log_rank'])}{age}."]


def _unadjusted(row: pd.Series) -> str:
    """Named one by one: what a reader may take as accounted for and is not."""
    named = [label for name, label in CALLED.items() if name not in _AGES]
    age = "age band alone" if not words.is_missing(row["adjusted_for"]) and row["adjusted_for"] else ""
    first = f"Adjusted for {age}; not adjusted" if age else "Not adjusted for age, nor"
    return f"{first} for {', '.join(named)}, sport, earlier episodes and all that is not recorded."


def baseline_part(tables: Mapping[str, pd.DataFrame], arms: tuple[str, str], context: Context) -> str:
    """How the arms differed before the operation, as a table; nothing without one."""
    rows = tables.get("baseline")
    if rows is None or rows.empty:
        return ""
    a, b = arms
    columns = {
        "value": Show("Value"), "a": Show(a, one_line=True), "b": Show(b, one_line=True),
        "missing_a": Show("Not known, first", number=True), "missing_b": Show("Not known, second", number=True),
        "difference": Show("Difference, standard deviations", number=True),
    }  # fmt: skip
    title = '<h3 id="before">How the two groups differed before the operation</h3>'
    told = page.paragraph(
        "Closed cases in which nothing else was done. Shares are of those of whom it is known. It is common practice to "
        "look closer from a difference of 0.1 standard deviations on.", "soft",
    )  # fmt: skip
    caption = "Before the operation: the cases of the stated comparison"
    table = page.table(
        _printed(rows, arms, context),
        "before-rows",
        caption,
        columns,
        csv=CSV,
        stub="value",
        grouped_by="characteristic",
    )
    return f"{title}{told}{table}"


def _printed(rows: pd.DataFrame, arms: tuple[str, str], context: Context) -> pd.DataFrame:
    """The rows of `baseline` as text columns."""
    import pandas as pd

    place = {name: number for number, name in enumerate(CALLED)}
    ranked = rows.assign(_place=rows["characteristic"].map(place), value=rows["value"].fillna(""))
    ranked = ranked.sort_values(["_place", "value"], kind="stable")
    named = words.names(context)
    told = [
        {
            "characteristic": words.sentence(CALLED[row["characteristic"]]),
            "value": _value(row, named),
            **{arm: _arm(row, arm, name, context) for arm, name in zip("ab", arms, strict=True)},
            **{
                f"missing_{arm}": _cases(row, arm, name, "", context)
                for arm, name in zip("ab", arms, strict=True)
            },
            "difference": _standardised(row["standardised_difference"]),
        }
        for row in ranked.to_dict("records")
    ]
    return pd.DataFrame(told, dtype="object")


def _value(row: Mapping[Hashable, object], named: words.Names) -> str:
    if not row["value"]:
        return "median" if row["characteristic"] == "age_years" else "not known of any case"
    return named.site(row["value"]) if row["characteristic"] == "site" else words.plain(row["value"])


def _arm(row: Mapping[Hashable, object], arm: str, name: str, context: Context) -> str:
    """`30 (40.0 %)`, or a median; a nought is never a percentage."""
    if not words.is_missing(row[f"median_{arm}"]):
        return f"{float(str(row[f'median_{arm}'])):g} years"
    share = row[f"share_{arm}"]
    if words.is_missing(share) or not share:
        return words.NOTHING if words.is_missing(share) else "none"
    return joined(_cases(row, arm, name, str(row["value"]), context), f" ({words.percent(share)})")


def _cases(row: Mapping[Hashable, object], arm: str, name: str, value: str, context: Context) -> str:
    """How many cases of an arm have a value, or of how many it is not known, leading to them."""
    stated, characteristic = context.settings.primary, str(row["characteristic"])
    told = words.count(row[f"n_{arm}" if value else f"missing_{arm}"])
    if stated is None:
        return told
    whose, days = Whose.of_stated(stated, arm), stated.window
    called = _value({**row, "value": value}, words.names(context)) if value else "not known"
    title = f"{name}: {CALLED[characteristic]}, {called}"
    return context.lists.found(
        told, "Before the operation", title,
        lambda facts: facts.beside.known_before(whose, days, characteristic, value),
    )  # fmt: skip


def _standardised(difference: object) -> str:
    if words.is_missing(difference):
        return words.NOTHING
    number = round(float(str(difference)), 2) + 0.0
    return f"{'−' if number < 0 else '+'}{abs(number):.2f}"

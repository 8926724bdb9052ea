"""Two operations compared: the one comparison stated beforehand in words, the descriptive ones after it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.arms_beside import baseline_part, beside_lines, over_time_lines
from pipeline.publish.benefit_part import benefit_part
from pipeline.publish.context import Context
from pipeline.publish.fitness import fitness
from pipeline.publish.markup import joined
from pipeline.publish.not_counted import NotCounted, not_counted, why_not_counted
from pipeline.publish.numbers import Whose
from pipeline.publish.page import Show
from pipeline.publish.stated_chart import stated_chart

if TYPE_CHECKING:
    import pandas as pd

CSV = "../tables/comparisons.csv"
#: Columns that say who is compared with whom.
PAIR = ["among", "by", "arm_a", "arm_b"]
ANALYSES = ("all_cases", "followed", "worst_for_a", "worst_for_b")


def comparison_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rows = tables.get("comparisons")
    if rows is None or rows.empty:
        return page.paragraph(
            "Nothing is compared: audit.toml names neither a primary comparison nor others, or no case of either "
            "operation has a closed window.", "note",
        )  # fmt: skip
    stated = _same_question(rows)
    return "\n".join(
        [
            fitness(context),
            _primary(rows[stated], tables, context),
            benefit_part(tables, context),
            _descriptive(rows[~stated], not_counted(tables), context),
        ]
    )


def _same_question(rows: pd.DataFrame) -> pd.Series:
    """bool: the stated comparison, and its arms and outcome again by age or with all cases."""
    import pandas as pd

    asked = ["among", "by", "arm_a", "arm_b", "category", "level", "window_days"]
    texts = [rows[name].astype("string").fillna("").tolist() for name in asked]
    keys = list(zip(*texts, strict=True))
    stated = rows["primary"].fillna(False).astype(bool).tolist()
    wanted = {key for key, is_stated in zip(keys, stated, strict=True) if is_stated}
    return pd.Series([key in wanted for key in keys], index=rows.index, dtype=bool)


def headline(tables: Mapping[str, pd.DataFrame], context: Context) -> list[str]:
    """The stated comparison in sentences; empty where there is none."""
    rows = tables.get("comparisons")
    if rows is None or rows.empty:
        return []
    main = _main_row(rows[rows["primary"].fillna(False).astype(bool)])
    return [] if main is None else _sentences(main, not_counted(tables), context)


def _main_row(stated: pd.DataFrame) -> pd.Series | None:
    """All cases, every age together, isolated ones where both are given."""
    whole = stated[(stated["analysis"] == "all_cases") & stated["stratum_value"].fillna("").eq("")]
    if whole.empty:
        return None
    return whole.sort_values("isolated_only", ascending=False, kind="stable").iloc[0]


def _arms(row: pd.Series, context: Context) -> tuple[str, str]:
    named = words.names(context)
    return named.arm(row["by"], row["arm_a"]), named.arm(row["by"], row["arm_b"])


def _question(row: pd.Series, context: Context) -> str:
    """`Any complication within 365 days among young athletes: A against B`."""
    named = words.names(context)
    a, b = _arms(row, context)
    outcome = f"{named.outcome(row['category'], row['level'])} {words.window(row['window_days'])}"
    among = (
        f" among {words.plain(row['among'])}" if not words.is_missing(row["among"]) and row["among"] else ""
    )
    return f"{outcome}{among}: {a} against {b}"


def _arm_words(
    row: Mapping[Hashable, object], arm: str, known: NotCounted, context: Context, limits: bool = False
) -> str:
    """`2 of 21 cases (9.5 %)`, each number leading to its list; a nought is never a percentage.

    Args:
        limits: Whether the interval of the share is told too.
    """
    events, cases = (int(str(row[f"{what}_{arm}"])) for what in ("events", "cases"))
    if not cases:
        return "no case"
    why = why_not_counted(row, arm, known, context)
    if why:
        return why
    outcome = (Whose.of_arm(row, arm), str(row["category"]), str(row["level"]), int(str(row["window_days"])))
    kind = "followed" if row["analysis"] == "followed" else "cases"
    of = context.lists.number(words.several(cases, "case", "cases"), kind, *outcome)
    low, high = row[f"r{arm}_ci_low"], row[f"r{arm}_ci_high"]
    limits = limits and not words.is_missing(high)
    if not events:
        return joined("none of ", of, f", at most {words.percent(high)}" if limits else "")
    had = "events_or_lost" if row["analysis"] == f"worst_for_{arm}" else "events"
    number = context.lists.number(words.count(events), had, *outcome)
    share = words.percent(events / cases)
    return joined(number, " of ", of, f", {share} ({words.percents(low, high)})" if limits else f" ({share})")


def _sentences(row: pd.Series, known: NotCounted, context: Context) -> list[str]:
    """Counts first, then the difference with its interval, the test, and what may be said."""
    a, b = _arms(row, context)
    confidence = words.percent(context.settings.confidence, 0)
    told: dict[Hashable, object] = row.to_dict()
    said = [
        f"{_question(row, context)}.",
        joined(
            f"{a}: ",
            _arm_words(told, "a", known, context, limits=True),
            f". {b}: ",
            _arm_words(told, "b", known, context, limits=True),
            ".",
        ),
    ]
    if not words.is_missing(row["risk_difference"]):
        said.append(
            f"Difference {words.points(row['risk_difference'])} percentage points, {confidence} interval from "
            f"{words.points(row['rd_ci_low'])} to {words.points(row['rd_ci_high'])}."
        )
    if not words.is_missing(row["p_fisher"]):
        said.append(_test(row))
    return [*said, *_verdict_and_note(row)]


def _verdict_and_note(row: pd.Series) -> list[str]:
    """What may be said; the note only where the verdict does not say it already."""
    verdict, note = (
        "" if words.is_missing(row[column]) else words.plain(row[column]) for column in ("verdict", "note")
    )
    told = [verdict, "" if note.casefold() in verdict.casefold() else note]
    spoken = [words.sentence(each) for each in told if each]
    return [each if each.endswith((".", "!", "?")) else f"{each}." for each in spoken]


def _test(row: pd.Series) -> str:
    fisher = f"Fisher's exact test: p {words.equals(row['p_fisher'])}"
    if words.is_missing(row["p_exact"]):
        return f"{fisher}."
    method = words.plain(row["p_method"]) if row["p_method"] else "exact test"
    return f"{fisher}; {method}: p {words.equals(row['p_exact'])}."


def _primary(stated: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    title = '<h2 id="stated">The comparison stated before the run</h2>'
    main = _main_row(stated)
    if main is None:
        return title + page.paragraph(
            "None was stated in audit.toml under [primary]; all that follows only describes.", "note"
        )
    known = not_counted(tables)
    said = "".join(page.paragraph(line) for line in _sentences(main, known, context))
    a, b = arms = _arms(main, context)
    columns = {
        "cases_in": Show("Cases"), "ages": Show("Ages"), "a": Show(a, one_line=True), "b": Show(b, one_line=True),
        "difference": Show("Difference, points", one_line=True),
        "within_age": Show("Within age bands, points", one_line=True), "ratio": Show("Risk ratio", one_line=True),
        "ratio_within_age": Show("Risk ratio within age bands", one_line=True),
        "odds": Show("Odds ratio", one_line=True),
    }  # fmt: skip
    table = page.table(
        _printed(_in_order(stated), known, context), "stated", _question(main, context), columns, csv=CSV, stub="cases_in",
        grouped_by="analysis",
    )  # fmt: skip
    beside = "".join(
        page.paragraph(line)
        for line in [*beside_lines(main, arms, context), *over_time_lines(tables, arms, context)]
    )
    picture = stated_chart(_in_order(stated), _question(main, context), arms, context)
    return f'{title}<div class="finding">{said}</div>{beside}{picture}{table}{baseline_part(tables, arms, context)}'


def _in_order(rows: pd.DataFrame) -> pd.DataFrame:
    ranked = rows.assign(
        _analysis=rows["analysis"].map({word: place for place, word in enumerate(ANALYSES)}),
        _stratum=rows["stratum_value"].fillna(""),
    )
    by = ["_analysis", "_stratum", "isolated_only"]
    return ranked.sort_values(by, ascending=[True, True, False], kind="stable", ignore_index=True)


def _printed(rows: pd.DataFrame, known: NotCounted, context: Context) -> pd.DataFrame:
    """The comparisons as text columns."""
    import pandas as pd

    named = words.names(context)
    told = [
        {
            "outcome": named.outcome(row["category"], row["level"]),
            "window": words.window(row["window_days"]),
            "cases_in": "isolated: nothing else done" if row["isolated_only"] else "all",
            "analysis": words.sentence(words.plain(row["analysis"])),
            "ages": "all"
            if words.is_missing(row["stratum_value"]) or not row["stratum_value"]
            else row["stratum_value"],
            "a": _arm_words(row, "a", known, context),
            "b": _arm_words(row, "b", known, context),
            "difference": _with_limits(row["risk_difference"], row["rd_ci_low"], row["rd_ci_high"]),
            "within_age": _with_limits(row["adj_risk_difference"], row["adj_rd_low"], row["adj_rd_high"]),
            "ratio": words.ratio(row["risk_ratio"], row["rr_ci_low"], row["rr_ci_high"]),
            "ratio_within_age": words.ratio(row["adj_risk_ratio"], row["adj_rr_low"], row["adj_rr_high"]),
            "odds": words.ratio(row["odds_ratio"], row["or_ci_low"], row["or_ci_high"]),
        }
        for row in rows.to_dict("records")
    ]
    return pd.DataFrame(told, dtype="object")


def _versus(row: Mapping[Hashable, object], context: Context) -> str:
    named = words.names(context)
    among = "" if words.is_missing(row["among"]) or not row["among"] else f", {words.plain(row['among'])}"
    return f"{named.arm(row['by'], row['arm_a'])} against {named.arm(row['by'], row['arm_b'])}{among}"


def _with_limits(difference: object, low: object, high: object) -> str:
    if words.is_missing(difference):
        return words.NOTHING
    limits = "" if words.is_missing(low) else f" ({words.points(low)} to {words.points(high)})"
    return words.points(difference) + limits


def _descriptive(rows: pd.DataFrame, known: NotCounted, context: Context) -> str:
    title = '<h2 id="others">Other comparisons, which only describe</h2>'
    shown = rows[(rows["analysis"] == "all_cases") & rows["stratum_value"].fillna("").eq("")]
    if shown.empty:
        return title + page.paragraph("There are none.", "soft")
    columns = {
        "outcome": Show("Complication"), "window": Show("Window", one_line=True), "cases_in": Show("Cases"),
        "a": Show("First", one_line=True), "b": Show("Second", one_line=True),
        "difference": Show("Difference, points", one_line=True),
        "within_age": Show("Within age bands, points", one_line=True), "ratio": Show("Risk ratio", one_line=True),
    }  # fmt: skip
    warning = page.paragraph(
        "Many comparisons side by side: some will look striking by chance alone. No test is made here."
    )
    told = "".join(
        _described(own, known, context, columns) for _, own in shown.groupby(PAIR, sort=False, dropna=False)
    )
    return f"{title}{warning}{told}"


def _described(own: pd.DataFrame, known: NotCounted, context: Context, columns: Mapping[str, Show]) -> str:
    """One pair of arms in every category, level and window."""
    versus = _versus(own.iloc[0].to_dict(), context)
    caption = f"{versus}; lost cases counted as without the complication, all ages"
    table_id = f"others-{page.short_id(caption)}"
    printed = _printed(own.head(page.MOST_ROWS), known, context)
    table = page.table(printed, table_id, caption, columns, csv=CSV, rows=len(own))
    return f"<h3>{page.text(versus)}</h3>{table}"

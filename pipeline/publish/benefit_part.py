"""Benefit beside harm: of two arms one line an outcome, each with its interval and verdict, never summed."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.intervals import POINTS, Interval, interval_plot
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.numbers import Whose
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

#: Gives a number in print as a link to its cases.
Linking = Callable[[str, str], str]
CSV = "../tables/benefit_and_harm.csv"
ARMS = ["among", "by", "arm_a", "arm_b"]
HEADINGS = {"harm": "What went wrong", "benefit": "What patients had of it"}
#: Outcomes that are no category of complication.
OUTCOMES = {
    "any_return": "Back at sport",
    "same_or_higher": "Back at sport, same level or higher",
    "days_to_return": "Days until back at sport",
    "not_back": "Not back at sport",
    "change": "Change of",
}
OF = {
    "asked": "of those asked",
    "did_sport": "of all who did sport before",
    "told_a_day": "of those back who told a day",
    "read_twice": "of those read before and after",
}
#: Cases behind numbers of benefit, in print.
TOLD = {
    "did_sport": "did sport before",
    "asked": "did sport before, and answered",
    "not_asked": "did sport before, not asked",
    "any_return": "back at sport",
    "same_or_higher": "back at sport, same level or higher",
    "told_a_day": "back at sport, told the day",
    "told_no_day": "back at sport, told no day",
    "not_back": "not back at sport: ",
    "read_twice": "read before and after: ",
    "not_read_twice": "not read both before and after: ",
}
BETTER = {"higher": "more is better", "lower": "fewer is better"}


def benefit_part(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """A picture and a table for each pair of arms, the stated pair first; nothing without the table."""
    rows = tables.get("benefit_and_harm")
    if rows is None or rows.empty:
        return ""
    pairs = rows.assign(among=rows["among"].fillna("")).groupby(ARMS, sort=True)
    ordered = sorted((own for _, own in pairs), key=lambda own: not own["primary"].astype(bool).any())
    parts = [_pair(number, own.sort_values("line"), context) for number, own in enumerate(ordered)]
    told = page.paragraph(
        "What went wrong stands beside what patients had of the operation. The lines are never added up: what weighs more is "
        "for patients and surgeons to say. Only the stated comparison is tested. Sport counts cases that did sport before; of "
        "all of them, whoever was not asked counts as not back."
    )
    return f'<section><h2 id="benefit">Benefit beside harm</h2>{told}{"".join(parts)}{page.source(CSV)}</section>'


def _pair(number: int, rows: pd.DataFrame, context: Context) -> str:
    named = words.names(context)
    first = rows.iloc[0]
    a, b = (named.arm(first["by"], first[arm]) for arm in ("arm_a", "arm_b"))
    among = f", {words.plain(first['among'])}" if first["among"] else ""
    title = f"{a} against {b}{among}"
    lines = rows.to_dict("records")
    table = page.table(
        _printed(lines, context), f"b-{number}", f"Benefit beside harm: {title}", _columns(a, b), grouped_by="kind"
    )  # fmt: skip
    notes = sorted(
        {words.sentence(words.plain(line["note"])) for line in lines if not words.is_missing(line["note"])}
    )
    told = "".join(page.paragraph(f"{note.rstrip('.')}.", "soft") for note in notes)
    return f"<h3>{page.text(title)}</h3>{_picture(number, lines, title, context)}{told}{table}"


def _columns(a: str, b: str) -> dict[str, Show]:
    return {
        "outcome": Show("Outcome"), "a": Show(a), "b": Show(b), "difference": Show("Difference", one_line=True),
        "verdict": Show("What may be said"),
    }  # fmt: skip


def _picture(number: int, lines: list[dict[Hashable, object]], title: str, context: Context) -> str:
    """Differences of shares on one axis; other units are in the table alone."""
    shares = [
        line for line in lines if line["figure"] == "share" and not words.is_missing(line["difference"])
    ]
    if not shares:
        return ""
    plot = interval_plot(
        f"benefit-{number}", f"Differences of shares: {title}", [_interval(line, context) for line in shares], POINTS,
        "percentage points; right of 0: more with the first",
    )  # fmt: skip
    legend = (
        "Dot: share of the first arm less that of the second; line: its interval. What is better, more or fewer, stands in "
        "each row; right is not better than left."
    )
    return drawing.figure(plot, "Differences of shares", legend)


def _interval(line: Mapping[Hashable, object], context: Context) -> Interval:
    value, low, high = (
        float("nan") if words.is_missing(line[name]) else float(str(line[name]))
        for name in ("difference", "diff_ci_low", "diff_ci_high")
    )
    label, better = outcome_words(line, context), BETTER.get(str(line["better"]), "")
    told = (
        f"{label} ({better}): {words.points(value)} points, from {words.points(low)} to {words.points(high)}"
    )
    kind = "dot" if line["kind"] == "harm" else "square"
    return Interval(
        label, value, low, high, better, told, kind=kind, heading=HEADINGS.get(str(line["kind"]), "")
    )


def outcome_words(line: Mapping[Hashable, object], context: Context) -> str:
    """`Any complication within 365 days`; `Back at sport, of those asked`."""
    named = words.names(context)
    outcome, detail = (
        str(line["outcome"]),
        "" if words.is_missing(line["detail"]) else words.plain(line["detail"]),
    )
    if line["kind"] == "harm":
        return f"{named.outcome(outcome, line['detail'])} {words.window(line['to_day'])}"
    said = OUTCOMES.get(outcome, words.sentence(words.plain(outcome)))
    if outcome == "change":
        return f"{said} {detail}"
    because = f": {detail}" if detail else ""
    of = OF.get(str(line["counted_of"]), "")
    return f"{said}{because}" + (f", {of}" if of and outcome != "not_back" else "")


def _printed(lines: list[dict[Hashable, object]], context: Context) -> pd.DataFrame:
    import pandas as pd

    told = [
        {
            "kind": HEADINGS.get(str(line["kind"]), words.plain(line["kind"])),
            "outcome": outcome_words(line, context),
            **{arm: _arm(line, arm, _linking(line, arm, context)) for arm in ("a", "b")},
            "difference": _difference(line),
            "verdict": str(line["verdict"]),
        }
        for line in lines
    ]
    return pd.DataFrame(told, dtype="object")


def _arm(line: Mapping[Hashable, object], arm: str, number: Linking) -> str:
    """What is known of the arm, and of how many further cases it is not known."""
    unknown = line[f"unknown_{arm}"]
    known = _known(line, arm, number)
    if words.is_missing(unknown) or not unknown:
        return known
    return joined(known, "; ", number(words.count(unknown), "unknown"), " not known")


def _known(line: Mapping[Hashable, object], arm: str, number: Linking) -> str:
    """`72 of 201: 35.8 % (29.5–42.7 %)`; a mean or a median with the cases it is of."""
    value, low, high = (line[name] for name in (f"estimate_{arm}", f"{arm}_ci_low", f"{arm}_ci_high"))
    many = number(words.count(line[f"n_{arm}"]), "n")
    if words.is_missing(value):
        return joined(f"{words.NOTHING} (", many, ")")
    if line["figure"] != "share":
        limits = "" if words.is_missing(low) else f" ({_plain(low)} to {_plain(high)})"
        return joined(f"{_plain(value)}{limits}; ", many, " cases")
    events = line[f"events_{arm}"]
    if words.is_missing(events) or not events:
        return joined("none of ", many, f", at most {words.percent(high)}")
    told = number(words.count(events), "events")
    return joined(told, " of ", many, f": {words.percent(value)} ({words.percents(low, high)})")


def _linking(line: Mapping[Hashable, object], arm: str, context: Context) -> Linking:
    """Gives the number of a kind (`n`, `events`, `unknown`) of a line's arm, leading to its cases."""
    whose = Whose.of_arm(line, arm)
    if line["kind"] == "harm":
        outcome = (str(line["outcome"]), str(line["detail"]), int(str(line["to_day"])))
        kinds = {"n": "cases", "events": "events", "unknown": "lost"}
        return lambda told, what: context.lists.number(told, kinds[what], whose, *outcome)
    detail = "" if words.is_missing(line["detail"]) else str(line["detail"])
    named = words.names(context).arm(whose.by, getattr(whose, f"arm_{arm}"))
    among = f", {words.plain(whose.among)}" if whose.among else ""

    def number(told: str, what: str) -> str:
        which = _counted(line, what)
        called = f"{TOLD[which]}{words.plain(detail)}" if TOLD[which].endswith(": ") else TOLD[which]
        title = f"{named}{among}, nothing else done: {called}"
        return context.lists.found(
            told, "Told after the operation", title, lambda facts: facts.beside.told(whose, which, detail)
        )

    return number


def _counted(line: Mapping[Hashable, object], what: str) -> str:
    """Which cases a number of a line of benefit is of, in the words of `numbers.beside`."""
    if line["outcome"] == "change":
        return {"n": "read_twice", "unknown": "not_read_twice"}[what]
    if line["outcome"] == "days_to_return":
        return {"n": "told_a_day", "unknown": "told_no_day"}[what]
    return {"n": str(line["counted_of"]), "events": str(line["outcome"]), "unknown": "not_asked"}[what]


def _difference(line: Mapping[Hashable, object]) -> str:
    value, low, high = (line[name] for name in ("difference", "diff_ci_low", "diff_ci_high"))
    if words.is_missing(value):
        return words.NOTHING
    say = words.points if line["figure"] == "share" else _plain
    return say(value) + ("" if words.is_missing(low) else f" ({say(low)} to {say(high)})")


def _plain(value: object) -> str:
    number = round(float(str(value)), 1) + 0.0
    return f"{'−' if number < 0 else ''}{abs(number):g}"

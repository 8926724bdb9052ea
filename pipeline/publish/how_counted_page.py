"""The definitions in force, in plain words, and the way from rows to cases."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.catalogue import Complication, Level, Measured
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.differences import differences
from pipeline.publish.flow_part import flow_figure
from pipeline.publish.flow_rows import linked_steps
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd


def how_counted_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    return "\n".join(
        [
            '<h2 id="case">What a case is</h2>',
            page.bullets(_case_rules(context)),
            '<h2 id="windows">Windows</h2>',
            _windows(context),
            '<h2 id="evidence">What is counted at once and what waits</h2>',
            page.bullets(_evidence_rules(context)),
            '<h2 id="categories">Categories in force</h2>',
            _categories(context),
            '<h2 id="differs">What differs from the built-in definitions</h2>',
            _differs(context),
            '<h2 id="flow">From rows to cases</h2>',
            _flow(tables, context),
        ]
    )


def _case_rules(context: Context) -> list[str]:
    since = context.settings.count_from
    return [
        "One performed operation on one joint and side of one patient. Both sides at once are two cases.",
        "A later operation for the same problem, or for its treatment, belongs to the first case. One for another "
        "problem is a new case.",
        "Rates and comparisons count for the first operation, up to the end of the window. If the patient "
        "dies, counting ends and the case stays.",
        "Cancelled and abandoned operations are not cases. What was operated elsewhere is listed and never counted "
        "in our rates.",
        f"Operations are counted from {words.day(since)}."
        if since
        else "Operations are counted from the first one sent.",
        f"Intervals: {words.plain(context.settings.interval).capitalize()}, {words.percent(context.settings.confidence, 0)}. "
        f"Age in bands: {', '.join(context.settings.age_band_labels)}.",
    ]


def _windows(context: Context) -> str:
    import pandas as pd

    told = [
        {
            "window": f"day 0 to {words.count(window.days)}",
            "early": words.several(window.early, "day", "days"),
            "grace": words.several(window.grace, "day", "days"),
        }
        for window in sorted(context.settings.windows, key=lambda window: window.days)
    ]
    columns = {
        "window": Show("Window, both days included"), "early": Show("A visit this much before its end completes it"),
        "grace": Show("Judged this long after its end"),
    }  # fmt: skip
    closed = page.paragraph(
        "A window has closed when its last day and the days of grace lie before the cut and before the day to which the "
        "site's records reach. Younger cases are not counted in it."
    )
    return page.table(pd.DataFrame(told, dtype="object"), "windows", "Windows", columns) + closed


def _evidence_rules(context: Context) -> list[str]:
    counted = words.listed([words.plain(strength) for strength in context.settings.counted])
    return [
        f"Counted at once: evidence that is {counted}, and what a reviewer confirmed. Everything weaker waits for review.",
        "Definite: an unplanned return to theatre that proves it, or a measurement beyond the limit. Probable: a specific "
        "diagnosis code on the right side, or a field filled in for it. Possible: an unspecific code, a side that is "
        "missing, a note, a report at second hand.",
        "What a reviewer refuted is never counted. A note alone only asks a question.",
        "Side, operation and surgeon are never guessed; where they are unclear a reviewer is asked.",
    ]


def _categories(context: Context) -> str:
    import pandas as pd

    told = [
        {"category": known.name, "rule": _rule(known, context), "levels": _levels(known)}
        for known in context.catalogue.complications.values()
    ]
    columns = {
        "category": Show("Category"),
        "rule": Show("How it is seen"),
        "levels": Show("Levels, the main one first"),
    }
    return page.table(
        pd.DataFrame(told, dtype="object"), "categories", "Categories", columns, stub="category"
    )


def _rule(known: Complication, context: Context) -> str:
    """A category in one breath: where it is seen, from when, in which windows, by which limits."""
    said = ["Seen at visits" if known.seen_in == "visit" else "Seen in the records"]
    said += [f"from day {known.first_day}"] if known.first_day else []
    said += [f"windows {', '.join(str(days) for days in known.windows)} days"] if known.windows else []
    said += ["only where a hole or cut is made in the bone"] if known.needs_hole else []
    said += ["not part of “Any complication”"] if not known.in_any else []
    said += [f"joints: {', '.join(words.plain(joint) for joint in known.joints)}"] if known.joints else []
    said += [f"again within {known.repeated_days} days is the same event"]
    said += (
        ["measured: " + ", ".join(_limit(measured) for measured in known.measured)] if known.measured else []
    )
    return "; ".join(said) + "."


def _limit(measured: Measured) -> str:
    """`<joint> <measure> below 120`."""
    ends = []
    for name, (below, above) in measured.limits.items():
        which = f" ({words.plain(name)})" if name else ""
        ends += [f"below {below:g}{which}"] if below is not None else []
        ends += [f"above {above:g}{which}"] if above is not None else []
    place = words.plain(measured.joint)
    return f"{place} {words.plain(measured.measure)} {' or '.join(ends)}"


def _levels(known: Complication) -> str:
    """Nothing for a category that is not divided."""
    return "; ".join(_level(level) for level in known.levels) if len(known.levels) > 1 else words.NOTHING


def _level(level: Level) -> str:
    said = []
    said += [f"from day {level.from_day}"] if level.from_day is not None else []
    said += [f"to day {level.to_day}"] if level.to_day is not None else []
    visits = (
        f"at {level.or_visits} visits" if level.or_visits else f"{level.times} times" if level.times else ""
    )
    apart = f" {level.apart_days} days apart" if level.apart_days and visits else ""
    said += [("or " if level.or_visits and said else "") + visits + apart] if visits else []
    said += [f"beyond the {words.plain(level.threshold)} limit"] if level.threshold else []
    said += (
        [f"grades {', '.join(str(grade) for grade in level.instability_levels)}"]
        if level.instability_levels
        else []
    )
    said += [f"energy {', '.join(words.plain(word) for word in level.energy)}"] if level.energy else []
    said += ["the repair redone"] if level.redo else []
    said += ["treated by an operation"] if level.after_operations else []
    said += ["described, not counted"] if level.described else []
    return words.plain(level.key) + (f" ({', '.join(said)})" if said else "")


def _differs(context: Context) -> str:
    differs = differences(context)
    if not differs:
        return page.paragraph("Nothing: the built-in definitions are in force.")
    return page.paragraph("The department changed or added, by entry and key of its files:") + page.bullets(
        differs
    )


def _flow(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    flow = tables.get("flow")
    if flow is None or flow.empty:
        return page.paragraph("No rows went this way.", "soft")
    named = words.names(context)
    whole = flow[flow["procedure"] == "all"] if (flow["procedure"] == "all").any() else flow
    number = ("before", "added", "removed", "after")
    printed = whole.astype("object").assign(
        who=[_who(site, key, named) for site, key in zip(whole["site"], whole["procedure"], strict=True)],
        step=whole["step"].map(lambda word: words.sentence(words.plain(word))),
        reason=whole["reason"].map(
            lambda word: "" if words.is_missing(word) else words.sentence(words.plain(word))
        ),
        unit=whole["unit"].map(words.plain),
        **({name: whole[name].map(words.count) for name in number} | linked_steps(whole, tables, context)),
    )
    columns = {
        "step": Show("Step"), "unit": Show("Counted"), "before": Show("Before", True), "added": Show("Added", True),
        "removed": Show("Taken away", True), "after": Show("After", True), "reason": Show("Why"),
    }  # fmt: skip
    caption = "From rows received to cases analysed, by site; each operation's own way is in the file"
    return flow_figure(flow) + page.table(
        printed, "flow", caption, columns, csv="../tables/flow.csv", grouped_by="who"
    )


def _who(site: object, procedure: object, named: words.Names) -> str:
    operation = named.operation(procedure)
    return f"All sites: {operation}" if site == "all" else f"{named.site(site)}: {operation}"

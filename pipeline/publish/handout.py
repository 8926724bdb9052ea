"""The printed handout for the morbidity conference: two to four pages, from the published tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import store
from pipeline.publish import words
from pipeline.publish.context import Context, SiteState
from pipeline.publish.differences import differences
from pipeline.publish.handout_cases import case_list
from pipeline.publish.handout_comparison import stated_comparison
from pipeline.publish.handout_figures import counts_in_words, interval_plot, rates_blocks
from pipeline.publish.numbers import Register
from pipeline.publish.typesetting import fitting, isolated, typeset

if TYPE_CHECKING:
    import pandas as pd

Tables = Mapping[str, "pd.DataFrame"]

FILE, TEMPLATE = "handout.pdf", "handout.typ"
MOST_PAGES = 4
PAPERS = {"a4": "a4", "letter": "us-letter"}
#: Sites and warnings listed one by one; of more it is said where they stand.
MOST_SITES, MOST_WARNINGS = 12, 5
NEWS = (
    ("operations", "operation", "operations"),
    ("cases", "of them a new case", "of them new cases"),
    ("complications_happened", "complication happened", "complications happened"),
    (
        "complications_learned",
        "complication of an earlier month became known",
        "complications of earlier months became known",
    ),
    ("awaiting", "possible complication awaits review", "possible complications await review"),
)


#: Tables it is made from.
NEEDS = ("activity", "cases", "comparisons", "complications", "rates")


def write_handout(department: Path, tables: Tables, context: Context, edition: str = "") -> None:
    """Write `handout.pdf` into an edition's department folder.

    Args:
        tables: As published.
        edition: Name of the edition, printed on the first page.
    """
    store.write_bytes(handout(tables, context, edition), department / FILE)


def handout(tables: Tables, context: Context, edition: str = "") -> bytes:
    """The PDF. Of a case list that is too long for four pages it holds what fits, the gravest first, and says so."""
    content = handout_content(tables, replace(context, lists=Register()), edition)
    rows, left_out = content["cases"]["rows"], content["cases"]["left_out"]

    def made(shown: int) -> bytes:
        part = {**content["cases"], "rows": rows[:shown], "left_out": left_out + len(rows) - shown}
        return typeset(TEMPLATE, {**content, "cases": part}, context.as_of)

    return fitting(MOST_PAGES, len(rows), made)[1]


def handout_content(tables: Tables, context: Context, edition: str) -> dict[str, Any]:
    """All that the template prints, as text and numbers.

    Args:
        context: Without lists, for paper has no links.
    """
    title = f"Complication audit, {words.period(context.period)}"
    return {
        "state": words.state(context),
        "state_told": words.state_told(context),
        "paper": PAPERS[context.settings.handout.paper],
        "title": title,
        "running": f"{title} · records cut {words.day(context.cut_on)}",
        "made": f"limbaudit {context.version}, as of {words.day(context.as_of)}",
        "facts": _facts(context, edition),
        "sites": [site_facts(site) for site in context.sites[:MOST_SITES]],
        "more_sites": _more(
            len(context.sites) - MOST_SITES, "further site", "further sites", "report/index.html"
        ),
        "warnings": _warnings(context),
        "news": _news(tables, context),
        "short": counts_in_words(tables, context),
        "plot": interval_plot(tables, context),
        "rates": rates_blocks(tables, context),
        "comparison": stated_comparison(tables, context),
        "cases": case_list(tables, context),
        "cautions": list(words.CAUTIONS),
    }


def _facts(context: Context, edition: str) -> list[list[str]]:
    differs = len(differences(context))
    definitions = (
        f"differ from the built-in ones in {words.several(differs, 'point', 'points')}: report/how_counted.html"
        if differs
        else "the built-in ones, unchanged"
    )
    return [
        ["Edition", f"{f'{edition}, ' if edition else ''}department edition; stays in the department"],
        ["Period", words.period(context.period)],
        ["Cut", f"operations, events and visits up to {words.day(context.cut_on)}"],
        ["As of", f"what had been received and decided by {words.day(context.as_of)}"],
        ["Definitions", definitions],
    ]


def site_facts(site: SiteState) -> dict[str, str]:
    """Name, how far its records reach, and what they are fit for."""
    trouble = [
        *(["late"] if site.late else []),
        *([f"never sent: {words.listed(site.incomplete)}"] if site.incomplete else []),
        *(["an export set aside"] if site.set_aside else []),
    ]
    until = words.day(site.data_until) if site.data_until else "no usable records yet"
    return {
        "name": isolated(site.name or site.site),
        "until": "; ".join([until, *trouble]),
        "verdict": words.sentence(words.plain(site.verdict)) if site.verdict else "not judged",
    }


def _more(number: int, one: str, more: str, where: str) -> str:
    return f"{words.several(number, one, more)}: {where}" if number > 0 else ""


def _warnings(context: Context) -> list[str]:
    more = _more(len(context.warnings) - MOST_WARNINGS, "more", "more", "report/index.html")
    despite = context.signature.despite if context.signature else ""
    signed = [f"Signed all the same, because: {despite}"] if despite else []
    return [*context.warnings[:MOST_WARNINGS], *([more] if more else []), *signed]


def _news(tables: Tables, context: Context) -> str:
    """What was done and learned in the period, in one sentence."""
    name = words.period(context.period)
    done = tables.get("activity")
    if done is None or done.empty:
        return f"Nothing was recorded for {name}. Ask the sites whether that is so."
    own = done[done["site"] != "all"] if (done["site"] != "all").any() else done
    sums = {column: int(own[column].sum()) for column, _, _ in NEWS}
    counted = [words.several(sums[column], one, more) for column, one, more in NEWS if sums[column]]
    nothing = (
        ""
        if sums["complications_happened"] + sums["complications_learned"]
        else " No complication happened or became known."
    )
    return f"In {name}: {', '.join(counted) or 'no operation'}.{nothing}"

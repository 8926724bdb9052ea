"""What pages of lists say of themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.catalogue import complication_of
from pipeline.publish import words
from pipeline.publish.numbers.all_cases import AWAITING, DIED, FOLLOWED, LOST, MEASURED, NOT_COUNTED, WITH_IT
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.outcomes import Outcome
from pipeline.publish.numbers.register import PLAIN, ListPage, Section
from pipeline.publish.numbers.whose import Whose

if TYPE_CHECKING:
    from pipeline.publish.context import Context

#: Kind of number → what its list holds, for one case and for several.
HOLDS = {
    "cases": ("closed case", "closed cases"),
    "followed": ("case followed long enough to count", "cases followed long enough to count"),
    "lost": ("case not followed long enough", "cases not followed long enough"),
    "events": ("case with it", "cases with it"),
    "awaiting": ("case that awaits review", "cases that await review"),
    "deaths": ("case of a patient who died without it", "cases of patients who died without it"),
    "assessed": ("case that was measured", "cases that were measured"),
    "events_or_lost": ("case with it or lost", "cases with it or lost"),
}
#: Kind of number → which rows of the whole file they are.
IN_FILE = {
    "cases": f"every row but “{NOT_COUNTED}”",
    "followed": f"“{WITH_IT}” and “{FOLLOWED}”",
    "lost": f"“{LOST}”",
    "events": f"“{WITH_IT}”",
    "awaiting": f"rows that say “{AWAITING}”",
    "deaths": f"rows that say “{DIED}”",
    "assessed": f"rows that say “{MEASURED}”",
    "events_or_lost": f"“{WITH_IT}” and “{LOST}”",
}


class Told:
    """Words about lists of an edition."""

    def __init__(self, facts: CaseFacts, context: Context) -> None:
        self.facts = facts
        self.named = words.names(context)

    def page(self, own: ListPage) -> str:
        """Its title."""
        if own.whose is None:
            return words.sentence(own.title.replace("-", " "))
        outcome = (
            words.window(own.days)
            if own.days
            else self.named.category(self.facts.labels.categories[own.category])
        )
        return f"{self.whose(own.whose)}: {words.within_sentence(outcome)}, the cases"

    def about(self, own: ListPage) -> str:
        """What the page is."""
        rows = "rows" if own.whose is None else "cases, one a row"
        sums = any(section.totals for section in own.sections.values())
        length = "Each list is as long as its number" + (", or adds up to it" if sums else "")
        return f"What printed numbers were counted from: {rows}. {length}."

    def whose(self, whose: Whose) -> str:
        """Whose cases they are."""
        first = (
            self.named.arm(whose.by, getattr(whose, f"arm_{whose.arm}"))
            if whose.arm
            else self.named.operation(whose.procedure)
        )
        age = whose.age_band.replace("-", "–")
        parts = [
            first,
            words.plain(whose.among) if whose.among else "",
            f"age {age}" if age else "",
            words.plain(whose.fixation) if whose.fixation else "",
            f"operated in {words.period(whose.period)}" if whose.period else "",
            self.named.site(whose.site) if whose.site else "",
            _surgeon(whose.surgeon),
            "nothing else done" if whose.isolated else "",
            "as laid to surgeons" if whose.laid else "",
        ]
        return ", ".join(part for part in parts if part)

    def outcome(self, outcome: Outcome) -> str:
        """The category with its level."""
        labels = self.facts.labels
        key = labels.categories[outcome.category]
        return self.named.outcome(key, labels.levels[outcome.category][outcome.level])

    def column(self, outcome: Outcome) -> str:
        """Its column in a file."""
        labels = self.facts.labels
        return f"{labels.categories[outcome.category]}.{labels.levels[outcome.category][outcome.level]}"

    def section(self, section: Section) -> str:
        """Heading of a list, which says its length."""
        if not section.kind:
            rows = (
                words.several(section.rows, "line", "lines") if section.totals else words.count(section.rows)
            )
            return f"{section.title}: {rows}"
        outcome = section.outcomes[0]
        holds = words.several(section.rows, *HOLDS[section.kind])
        if section.kind in PLAIN:
            more = len({(each.category, each.level) for each in section.outcomes}) - 1
            others = f" and {more} more" if more else ""
            return f"{holds}, for {words.within_sentence(self.outcome(outcome))}{others}"
        labels = self.facts.labels
        key = labels.categories[outcome.category]
        level = self.named.level(key, labels.levels[outcome.category][outcome.level])
        return (
            f"{words.sentence(', '.join([*([level] if level else []), words.window(outcome.days)]))}: {holds}"
        )

    def rule(self, section: Section) -> str:
        """Why a case stands in it."""
        if not section.kind:
            return section.title
        outcome = section.outcomes[0]
        window = self.facts.windows[outcome.days]
        closed = f"day {window.days} and {window.grace} more days lie within what the site's records cover"
        seen = complication_of(self.facts.catalogue, self.facts.labels.categories[outcome.category]).seen_in
        until = "a visit" if seen == "visit" else "the records"
        by = f"{until} not before day {max(window.days - window.early, 0)}"
        return words.sentence(
            {
                "cases": f"closed: {closed}",
                "followed": f"closed, and with it, dead by day {window.days}, or {by}",
                "lost": f"closed, without it, and not {by.replace(' not before', ' on or after')}",
                "events": f"closed, and counted by day {window.days}",
                "awaiting": f"closed, not counted by day {window.days}, and something under review by then",
                "deaths": f"closed, and dead by day {window.days} without it before",
                "assessed": "closed, and measured in the way asked for, or with it",
                "events_or_lost": f"closed, and counted by day {window.days}, or lost",
            }[section.kind]
        )

    def in_file(self, section: Section) -> str:
        """Which rows of the file make the list, by what they say in its column."""
        return IN_FILE[section.kind]

    def elsewhere(self, section: Section) -> str:
        """Where a list stands that has no file."""
        return (
            "the cases stand in cases.parquet, with how long each was watched, and what counts in "
            "complications.parquet of the edition."
        )


def _surgeon(surgeon: str) -> str:
    """`surgeon harbour/S1`; those without one in words."""
    known = "/" in surgeon
    return f"surgeon {surgeon}" if known else words.plain(surgeon) if surgeon else ""

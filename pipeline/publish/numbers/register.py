"""Which numbers were printed, and where the list of each stands."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b, sha256
from typing import TYPE_CHECKING

from pipeline.publish.markup import linked
from pipeline.publish.numbers.whose import Whose

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from pipeline.publish.numbers.facts import CaseFacts
    from pipeline.publish.numbers.outcomes import Outcome
    from pipeline.publish.words import Names

#: What is counted of cases whose window has closed.
KINDS = ("cases", "followed", "lost", "events", "awaiting", "deaths", "assessed", "events_or_lost")
#: Kinds whose rows say the same whatever the category: equal lists of one window stand once.
PLAIN = ("cases", "followed", "assessed")
#: Kinds whose rows differ from level to level.
OF_LEVEL = ("events", "awaiting", "events_or_lost")
FOLDER = "lists"
MOST_ROWS = 500
#: A longer list has no file of its own with all its rows: there are many of them.
MOST_IN_OWN_FILE = 5_000


@dataclass
class Section:
    """One list: the first cases of it, how many there are, and the outcomes whose numbers lead here.

    Attributes:
        identity: Of the list on its page; the fragment of its address.
        kind: One of `KINDS`, or empty: a list of cases that were named one by one.
        title: Of a list without a kind.
        first: Positions of the first `MOST_ROWS` cases.
        rows: How many there are in all.
        outcomes: What is counted, in the order in which pages asked for it.
        every: All positions of a list of named cases.
        heads, given: Of a list of other rows: the heads of its columns, and all its cells, as a frame where its rows
            are many.
        totals: Columns whose cells add up to the number that leads here, instead of the rows.
    """

    identity: str
    kind: str
    title: str
    first: np.ndarray | None
    rows: int
    outcomes: list[Outcome] = field(default_factory=list)
    every: np.ndarray | None = None
    heads: tuple[str, ...] = ()
    given: Sequence[tuple[str, ...]] | pd.DataFrame = ()
    totals: tuple[str, ...] = ()

    @property
    def is_long(self) -> bool:
        return self.rows > MOST_ROWS


@dataclass
class ListPage:
    """One file: lists of the same cases.

    Attributes:
        name: Of the file, without its ending.
        stem: What the names of all pages of the same cases begin with.
        whose: None: a page of lists that were named one by one.
        days: Of the only window on it; 0 where there are several.
        category: The only one on it; -1 where there are several.
        title: Of a page of named lists.
        sections: By identity, in the order asked for.
    """

    name: str
    stem: str
    whose: Whose | None
    days: int = 0
    category: int = -1
    title: str = ""
    sections: dict[str, Section] = field(default_factory=dict)
    known: dict[tuple[object, ...], Section] = field(default_factory=dict)


class Register:
    """Collects the lists that pages lead to, while they are made; afterwards each list is written once.

    Without facts about cases, as in an edition for others, numbers are plain text.
    """

    def __init__(self, facts: CaseFacts | None = None) -> None:
        self.facts = facts
        self.pages: dict[tuple[object, ...], ListPage] = {}
        self._of_cases: dict[Whose | None, list[ListPage]] = {}
        self._stems: dict[str, str] = {}

    def fresh(self) -> Register:
        """One with the same facts, asked for nothing yet."""
        return Register(self.facts)

    def number(self, told: str, kind: str, whose: Whose, category: str, level: str, window_days: int) -> str:
        """The number as printed, as a link to its list.

        Args:
            told: The number in print, such as `words.count` gives, or words that tell it.
            kind: One of `KINDS`.
            whose: The cases it was counted over.
            category, level, window_days: The outcome, as published.

        Returns:
            `Markup`, to stand in a table or a sentence; plain text where the list is empty or not to be had.
        """
        if self.facts is None or not re.search(r"\w", told):
            return told
        outcome = self.facts.outcome(category, level, window_days, whose.laid)
        at = self.facts.among(kind, whose, outcome)
        if not len(at):
            return told
        page = self._page(*_page_of(kind, whose, outcome, category))
        mark = self.facts.mark(at, kind, whose, outcome)
        return linked(told, _address(page, _section(page, kind, outcome, level, at, mark)))

    def cases(self, told: str, page: str, title: str, case_ids: Sequence[str]) -> str:
        """The number as printed, as a link to a list of just these cases.

        Args:
            told: The number in print.
            page: Short words that several lists share, which then stand on one page, such as `activity`.
            title: What the list holds, unique on its page.
            case_ids: As published; one case may stand several times.
        """
        return self.found(told, page, title, lambda facts: facts.positions(case_ids))

    def found(self, told: str, page: str, title: str, find: Callable[[CaseFacts], np.ndarray]) -> str:
        """The same for cases that are looked for among the facts.

        Args:
            told, page, title: As in `cases`.
            find: Gives their positions; asked only where lists are to be had.
        """
        if self.facts is None:
            return told
        at = find(self.facts)
        if not len(at):
            return told
        section = Section(
            slug(title),
            "",
            title,
            at[:MOST_ROWS].copy(),
            len(at),
            every=at if len(at) <= MOST_IN_OWN_FILE else None,
        )
        return self._named(told, page, section, rows=_digest(at))

    def rows(
        self,
        told: str,
        page: str,
        title: str,
        heads: tuple[str, ...],
        rows: Sequence[tuple[str, ...]] | pd.DataFrame,
        many: int = 0,
    ) -> str:
        """The number as printed, as a link to a list of rows that are not simply cases.

        Args:
            told, page, title: As in `cases`.
            heads: Of its columns.
            rows: Their cells in print.
            many: How many there are in all, where more than `MOST_IN_OWN_FILE` and `rows` are the first `MOST_ROWS`.
        """
        if self.facts is None or not len(rows):
            return told
        if len(rows) > MOST_IN_OWN_FILE:  # no file holds them all, so that they need not be kept
            many = many or len(rows)
            rows = rows[:MOST_ROWS] if isinstance(rows, Sequence) else rows.take(range(MOST_ROWS))
        return self._named(
            told, page, Section(slug(title), "", title, None, many or len(rows), heads=heads, given=rows)
        )

    def total(self, told: str, page: str, title: str, rows: Callable[[], pd.DataFrame], column: str) -> str:
        """The number as printed, as a link to the sum of a column of a list.

        Args:
            told, page, title: As in `cases`.
            rows: Makes the list, where it is not there yet: numbers where they are summed; their heads are the names of
                the columns.
            column: The one that adds up to the number.
        """
        if self.facts is None or not re.search("[1-9]", told):
            return told
        own = self._page_named(page)
        if (title, b"") not in own.known:
            made = rows()
            sums = tuple(str(name) for name in made.columns if made[name].dtype.kind == "i")
            heads = tuple(map(str, made.columns))
            section = Section(slug(title), "", title, None, len(made), heads=heads, given=made, totals=sums)
            return self._named(told, page, section, f".{slug(column)}")
        return linked(told, f"{_address(own, own.known[title, b''])}.{slug(column)}")

    def _page_named(self, page: str) -> ListPage:
        name = slug(page)
        return self._page(("named", name), ListPage(name, name, None, title=page))

    def _named(self, told: str, page: str, section: Section, part: str = "", rows: bytes = b"") -> str:
        """Lists of one title and the same rows are one list; one that gives the fragment of another gets something
        behind it."""
        own = self._page_named(page)
        key = (section.title, rows)
        if key not in own.known:
            if section.identity in own.sections:
                section.identity += f"-{_short(repr(key))}"
            own.known[key] = own.sections[section.identity] = section
        return linked(told, _address(own, own.known[key]) + part)

    def news(self, told: str, kind: str, procedure: str, named: Names) -> str:
        """A number of `activity` as printed, summed over sites, as a link to what it was counted from.

        Args:
            told: The number in print.
            kind: Its column of `activity`.
            procedure: Key; empty: of all of them together.
            named: Words for print.
        """
        if self.facts is None or self.facts.news is None:
            return told
        from pipeline.publish.numbers.news import HEADS, TITLES

        rows, many = self.facts.news.rows(kind, procedure, self.facts, named)
        whose = named.operation(procedure or "all")
        page = f"new-{kind.replace('_', '-')}"
        return self.rows(told, page, f"{TITLES[kind]}, {whose}", HEADS[kind], rows, many)

    def outcomes(self, whose: Whose, days: int) -> list[Outcome]:
        """Every outcome of a window of which a number of these cases was printed, in the order asked for."""
        each = (
            outcome
            for page in self._of_cases.get(whose, ())
            for section in page.sections.values()
            for outcome in section.outcomes
        )
        return [outcome for outcome in dict.fromkeys(each) if outcome.days == days]

    def _page(self, key: tuple[object, ...], new: ListPage) -> ListPage:
        """The page of this key; a stem that other cases have gets something of these behind it."""
        if key not in self.pages:
            whose = repr(new.whose)
            if self._stems.setdefault(new.stem, whose) != whose:
                new.name = new.name.replace(new.stem, f"{new.stem}-{_short(whose)}", 1)
                new.stem += f"-{_short(whose)}"
            self.pages[key] = new
            self._of_cases.setdefault(new.whose, []).append(new)
        return self.pages[key]


def slug(name: str) -> str:
    """Plain letters, digits and hyphens, for file names and fragments."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "part"


def _digest(at: np.ndarray) -> bytes:
    return blake2b(at.astype("int32").tobytes()).digest()


def _short(name: str) -> str:
    return sha256(name.encode("utf-8")).hexdigest()[:6]


def _address(page: ListPage, section: Section) -> str:
    return f"{FOLDER}/{page.name}.html#{section.identity}"


def _page_of(kind: str, whose: Whose, outcome: Outcome, category: str) -> tuple[tuple[object, ...], ListPage]:
    """The key of the page a number leads to, and the page if it is new."""
    stem = _name_of(whose)
    if kind in PLAIN:
        return (whose, outcome.days), ListPage(f"{stem}-{outcome.days}", stem, whose, days=outcome.days)
    return (whose, category), ListPage(f"{stem}-{slug(category)}", stem, whose, category=outcome.category)


def _name_of(whose: Whose) -> str:
    if whose.arm:
        return f"compared-{slug(getattr(whose, f'arm_{whose.arm}'))}-{_short(repr(whose))}"
    narrowed = (whose.site, whose.surgeon, whose.fixation, whose.age_band, whose.period)
    return slug("-".join([whose.procedure, *(word for word in narrowed if word)]))


def _section(
    page: ListPage, kind: str, outcome: Outcome, level: str, at: np.ndarray, mark: tuple[int, int]
) -> Section:
    """The list on its page; one that holds the same rows as another, and so has its mark, stands once."""
    same = (kind, outcome.days, level if kind in OF_LEVEL else "", mark)
    if same not in page.known:
        parts = [kind, *([level] if kind in OF_LEVEL else []), str(outcome.days)]
        identity = slug("-".join(parts))
        alike = sum(known.startswith(f"{identity}.") or known == identity for known in page.sections)
        identity = f"{identity}.{alike + 1}" if alike else identity
        page.known[same] = page.sections[identity] = Section(
            identity, kind, "", at[:MOST_ROWS].copy(), len(at)
        )
    section = page.known[same]
    if outcome not in section.outcomes:
        section.outcomes.append(outcome)
    return section

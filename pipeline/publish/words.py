"""Words and numbers as they stand in print. No code word reaches a reader."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from pipeline.catalogue import ANY_COMPLICATION, ANY_LEVEL, Catalogue
from pipeline.publish.context import Context, SiteState

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
QUARTERS = ("first", "second", "third", "fourth")
NOTHING = "–"
#: Fewer expected events than this would be printed as none, and nothing can be divided by them.
HARDLY_ANY = 0.05

#: Code words of tables → words for print. A word that is not here is printed with blanks for underscores.
IN_PRINT = {
    "": NOTHING,
    "all_cases": "all cases, the lost ones counted as without it",
    "followed": "only cases followed long enough to count",
    "worst_for_a": "lost cases of the first arm counted as having it",
    "worst_for_b": "lost cases of the second arm counted as having it",
    "cannot_occur": "cannot occur here",
    "not_defined": "not defined for this window",
    "none": "all together",
    "other_side": "other side",
    "quarantined": "held back",
    "quarantine": "held back",
    "refused": "set aside whole",
    "refuse": "file set aside whole",
    "set_aside": "export set aside",
    "warn": "please check",
    "repair": "mended",
    "removed": "removed on request",
    "too_few": "too few cases for an estimate",
    "non_data": "not data rows",
    "not_selected": "not selected by the mapping",
    "pre_existing": "there before the operation",
    "too_soon": "too soon to be counted",
    "unattributed": "no surgeon recorded",
    "worst_case": "if every lost case had one",
}


def plain(word: object) -> str:
    """A code word in print; nothing for a missing one."""
    text = "" if word is None or word != word else str(word)
    return IN_PRINT.get(text, text.replace("_", " "))


def sentence(text: str) -> str:
    """With a capital at the start."""
    return text[:1].upper() + text[1:]


def within_sentence(name: str) -> str:
    """Without the capital, unless it begins with an abbreviation."""
    return name if name[1:2].isupper() else name[:1].lower() + name[1:]


def day(when: date | None) -> str:
    """`31 October 2026`, whatever the machine's language."""
    return NOTHING if when is None else f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def period(name: str) -> str:
    """`October 2026`, `fourth quarter of 2026` or `2026`."""
    if quarter := re.fullmatch(r"(\d{4})-Q([1-4])", name):
        return f"{QUARTERS[int(quarter[2]) - 1]} quarter of {quarter[1]}"
    if month := re.fullmatch(r"(\d{4})-(0[1-9]|1[0-2])", name):
        return f"{MONTHS[int(month[2]) - 1]} {month[1]}"
    return name


def state(context: Context) -> str:
    """The mark every page, sheet and handout carries."""
    return "Signed" if context.signature else "Draft"


def state_told(context: Context) -> str:
    """What the mark means: who signed, or that nobody has yet."""
    if context.signature:
        return f"number {context.number}, signed by the {context.signature.role}; it never changes"
    if context.number > 1:
        return (
            f"number {context.number - 1} is signed; this draft of number {context.number} may still change"
        )
    return "not signed; figures may still change"


def intervals(context: Context) -> str:
    """How wide the printed intervals are, and what they do not tell."""
    return f"{percent(context.settings.confidence, 0)}: what chance alone leaves open, not what nobody saw"


def is_missing(value: object) -> bool:
    """None, not-a-number and pandas' NA."""
    return value is None or value != value or str(value) == "<NA>"


def count(number: object) -> str:
    """A whole number with a thin space between thousands."""
    return NOTHING if is_missing(number) else f"{int(number):,}".replace(",", "\u2009")  # type: ignore[call-overload]


def percent(share: object, places: int = 1) -> str:
    """`9.5 %` from 0.095; what is above nought and would be rounded to it keeps a digit, as in `0.03 %`."""
    if is_missing(share):
        return NOTHING
    value = 100 * float(share)  # type: ignore[arg-type]
    rounded = f"{value:.{places}f}"
    if value > 0 and float(rounded) == 0:
        rounded = "below 0.001" if value < 0.001 else f"{value:.1g}"
    return f"{rounded}\u00a0%"


def percents(low: object, high: object) -> str:
    """`2.7–28.9 %` from two fractions."""
    if is_missing(low) or is_missing(high):
        return NOTHING
    return f"{100 * float(low):.1f}–{100 * float(high):.1f}\u00a0%"  # type: ignore[arg-type]


def points(difference: object) -> str:
    """A difference of two shares in percentage points, always with its sign."""
    if is_missing(difference):
        return NOTHING
    number = round(100 * float(difference), 1) + 0.0  # type: ignore[arg-type]
    return f"{'−' if number < 0 else '+'}{abs(number):.1f}"


def is_hardly_any(expected: object) -> bool:
    """Whether so few events are expected that neither they nor a ratio to them can be printed."""
    return not is_missing(expected) and float(expected) < HARDLY_ANY  # type: ignore[arg-type]


def expected(number: object) -> str:
    """`1.3 expected` events, within a sentence."""
    return f"fewer than {HARDLY_ANY} expected" if is_hardly_any(number) else f"{float(number):.1f} expected"  # type: ignore[arg-type]


def ratio(number: object, low: object, high: object) -> str:
    """`1.34 (0.51–3.52)`."""
    if is_missing(number):
        return NOTHING
    limits = "" if is_missing(low) or is_missing(high) else f" ({_short(low)}–{_short(high)})"
    return _short(number) + limits


def _short(number: object) -> str:
    value = float(number)  # type: ignore[arg-type]
    return "∞" if value == float("inf") else f"{value:.2f}"


def probability(p: object) -> str:
    """`0.40`, `0.005`, `below 0.001`."""
    if is_missing(p):
        return NOTHING
    value = float(p)  # type: ignore[arg-type]
    return "below 0.001" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def equals(p: object) -> str:
    """`= 0.40`, or `below 0.001`."""
    told = probability(p)
    return told if told.startswith("below") else f"= {told}"


def window(days: object) -> str:
    return NOTHING if is_missing(days) else f"within\u00a0{count(days)}\u00a0days"


def several(number: int, one: str, more: str) -> str:
    """`1 case`, `3 cases`."""
    return f"{count(number)} {one if number == 1 else more}"


def listed(names: Sequence[str]) -> str:
    """`a, b and c`."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


@dataclass(frozen=True)
class Names:
    """Keys of the catalogue and settings → names a reader knows."""

    catalogue: Catalogue
    sites: dict[str, str]

    def operation(self, key: object) -> str:
        """A procedure, two joined by `+`, or all."""
        if key == "all":
            return "All operations"
        known = self.catalogue.procedures
        names = [known[part].name if part in known else plain(part) for part in str(key).split("+")]
        return " with ".join(names)

    def category(self, key: object) -> str:
        if key == ANY_COMPLICATION:
            return "Any complication"
        known = self.catalogue.complications
        return known[str(key)].name if str(key) in known else sentence(plain(key))

    def level(self, category: object, key: object) -> str:
        """Nothing for a category that has but one level."""
        return "" if key == ANY_LEVEL or is_missing(key) else plain(key)

    def outcome(self, category: object, key: object) -> str:
        level = self.level(category, key)
        return self.category(category) + (f" ({level})" if level else "")

    def main_level(self, category: object) -> str:
        known = self.catalogue.complications.get(str(category))
        return known.main_level if known else ANY_LEVEL

    def site(self, key: object) -> str:
        return self.sites.get(str(key)) or str(key)

    def arm(self, by: object, key: object) -> str:
        """What is compared: an operation, or the value of a column."""
        return self.operation(key) if by in ("procedure", "", None) else plain(key)


def names(context: Context) -> Names:
    return Names(context.catalogue, {site.site: site.name or site.site for site in context.sites})


def site_state(site: SiteState) -> str:
    """One line on how far a site's records reach."""
    parts = [f"records up to {day(site.data_until)}" if site.data_until else "no usable records yet"]
    parts += ["late"] if site.late else []
    parts += [f"never sent: {listed(site.incomplete)}"] if site.incomplete else []
    parts += ["export set aside"] if site.set_aside else []
    parts += [plain(site.verdict)] if site.verdict else []
    return "; ".join(parts)


#: Said on every page, in print too.
CAUTIONS = (
    "These are a department's own records, not a trial. Each operation was chosen for its patients, so a difference "
    "between operations may only show who was chosen for which.",
    "The numbers are small: chance alone can make differences as large as these. Read the interval, not the single "
    "figure; the interval is the result.",
    "Where no complication is recorded, none may have happened, or nobody saw it. The number of cases that could not "
    "be observed long enough stands beside every rate.",
    "People who were treated without an operation are not in these records.",
    "The latest months will still rise: follow-up and late letters are yet to come.",
    "A result outside a limit asks for a check of data, patients and circumstances. A result inside a limit proves "
    "nothing.",
    "Made so that a department can learn. Not made for ranking people, for pay or for publicity, and not for deciding "
    "about one patient.",
    "Local information-governance rules, the law and clinical governance come before this report, which decides "
    "nothing about them.",
)

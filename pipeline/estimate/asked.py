"""One comparison as its lines of benefit and harm are made: who is asked about, and all that is known of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.catalogue import Catalogue
from pipeline.compared import comparisons_of
from pipeline.counts import Counts
from pipeline.estimate.comparisons import Pair, pair_of
from pipeline.estimate.stated import arm_name
from pipeline.handover import Labels
from pipeline.settings import Compare, Primary, Settings

ARMS = ("a", "b")
#: A row of a frame of lines, before anything is estimated.
Line = dict[str, object]


@dataclass(frozen=True)
class Asked:
    """One comparison.

    Attributes:
        number: Its place among all, as counts number them.
        entry: What the settings say.
        pair: Its cells.
        names: What its arms are called within a sentence.
        counts, settings, labels, catalogue: Of the run.
    """

    number: int
    entry: Primary | Compare
    pair: Pair
    names: tuple[str, str]
    counts: Counts
    settings: Settings
    labels: Labels
    catalogue: Catalogue


def asked_comparisons(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue
) -> Iterator[Asked]:
    """Each once, also where the settings ask twice."""
    seen = set()
    for number, entry in enumerate(comparisons_of(settings)):
        key = (entry.among, entry.by, entry.a, entry.b)
        if key not in seen:
            seen.add(key)
            names = arm_name(entry.a, catalogue), arm_name(entry.b, catalogue)
            pair = pair_of(counts.cells, entry, labels)
            yield Asked(number, entry, pair, names, counts, settings, labels, catalogue)


def counted(arm: str, events: int, number: int, unknown: int, otherwise: int) -> Line:
    """The counts of one arm.

    Args:
        arm: `a` or `b`.
        events, number: Events of how many.
        unknown: Of whom it is not known.
        otherwise: Of how many, with those not known counted the other way.
    """
    names = ("events", "n", "unknown", "otherwise")
    values = (events, number, unknown, otherwise)
    return {f"{name}_{arm}": value for name, value in zip(names, values, strict=True)}

"""Lines of harm of one comparison: its stated outcome, any complication, and unplanned returns."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.catalogue import ANY_COMPLICATION, UNPLANNED_RETURN, complication_of
from pipeline.estimate import notes, verdicts
from pipeline.estimate.asked import ARMS, Asked, Line, counted
from pipeline.estimate.by_age import counted_arms
from pipeline.estimate.comparisons import clustered, comparable
from pipeline.settings import Primary, Settings
from schemas.defaults import TOLD_OF_SPORT

HARM = "harm"


def harm_lines(asked: Asked) -> Iterator[Line]:
    """Counts of isolated closed cases, with the lost counted as free of it."""
    cells = asked.counts.cells
    isolated = cells.keys["isolated"].to_numpy().astype(bool)
    arms = asked.pair.a & isolated, asked.pair.b & isolated
    every, followed = (counted_arms(cells, *arms, each) for each in ("all_cases", "followed"))
    can, twice = comparable(asked.counts, asked.pair), clustered(cells, *arms)
    for at, stated in _outcomes(asked):
        line = _about(asked, at, bool(can[at]))
        note = notes.CLUSTERED_ARM if line["shown"] and twice[at] else None
        for arm in ARMS:
            events, cases = (int(getattr(every, f"{name}_{arm}")[at]) for name in ("events", "cases"))
            seen = int(getattr(followed, f"cases_{arm}")[at])
            line |= counted(arm, events, cases, cases - seen, seen)
        yield {**line, "primary": stated, "note": note}


def _about(asked: Asked, at: int, can: bool) -> Line:
    """What the outcome at this column is, and whether it is defined in both arms by its window."""
    outcomes, labels = asked.counts.outcomes, asked.labels
    category, level = int(outcomes.category[at]), int(outcomes.level[at])
    key, days = labels.categories[category], int(outcomes.window_days[at])
    first_day = complication_of(asked.catalogue, key).first_day
    return {
        "kind": HARM,
        "outcome": key,
        "detail": labels.levels[category][level],
        "from_day": first_day,
        "to_day": days,
        "counted_of": "closed",
        "better": "lower",
        "called": "lost",
        "nothing": verdicts.NO_CASES,
        "shown": can and (first_day <= 0 or days > first_day),
    }


def _outcomes(asked: Asked) -> Iterator[tuple[int, bool]]:
    """Columns of outcomes, no column twice, and whether it is the stated one."""
    stated = _stated(asked)
    if stated is not None:
        yield stated, True
    for category in _categories(asked):
        column = _column(asked, category, 0)
        if column is not None and column != stated:
            yield column, False


def _categories(asked: Asked) -> list[int]:
    """Any complication, then what an unplanned return proves."""
    keys = asked.labels.categories
    entries = [complication_of(asked.catalogue, key) for key in keys]
    returns = [at for at, entry in enumerate(entries) if UNPLANNED_RETURN in entry.implied_by]
    return [*(at for at, key in enumerate(keys) if key == ANY_COMPLICATION), *returns]


def _stated(asked: Asked) -> int | None:
    if not isinstance(asked.entry, Primary):
        return None
    category = asked.labels.categories.index(asked.entry.category)
    level = asked.labels.levels[category].index(asked.entry.level) if asked.entry.level else 0
    return _column(asked, category, level)


def _column(asked: Asked, category: int, level: int) -> int | None:
    """The outcome's column in the window that is looked at, else in the longest below it, else in its first."""
    outcomes, wanted = asked.counts.outcomes, _window(asked.settings)
    own = np.flatnonzero((outcomes.category == category) & (outcomes.level == level))
    if not len(own):
        return None
    days = outcomes.window_days[own]
    within = np.where(days <= wanted, days, -1)
    return int(own[within.argmax() if (within >= 0).any() else days.argmin()])


def _window(settings: Settings) -> int:
    """That of the stated comparison, so that lines are of one time; else about when sport is asked after."""
    if settings.primary:
        return settings.primary.window
    return max((each.days for each in settings.windows if each.days <= TOLD_OF_SPORT), default=TOLD_OF_SPORT)

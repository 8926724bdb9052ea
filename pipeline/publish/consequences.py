"""What the answer to a question would do to the figures, in words and as a weight, so that what moves most is asked first.

Our decision, to be agreed by the department: first whatever would move the stated comparison, then by how much the
figure it would move most would move. Weighed is the change of the log odds of the rate by one case more, half a case
added on either side (Haldane 1956, Ann Hum Genet 20:309; from memory), so that the first event of a small group weighs
most and a further one among many weighs little. A case that is not yet judged in a window moves nothing there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import ANY_COMPLICATION, Catalogue
from pipeline.handover import COUNTED, Labels
from pipeline.publish.coded import begins, places_among
from pipeline.settings import Primary, Settings, Window

USUAL_DAYS = 365
ANY, STATED, SAME = "any complication: ", "; the stated comparison: ", "; the stated comparison likewise"


@dataclass(frozen=True)
class Figures:
    """What the answers are weighed against.

    Attributes:
        cases, complications: As in Linked and Classified, of all cases.
        rates, comparisons: As published.
    """

    cases: pd.DataFrame
    complications: pd.DataFrame
    rates: pd.DataFrame
    comparisons: pd.DataFrame
    labels: Labels
    settings: Settings
    catalogue: Catalogue


@dataclass(frozen=True)
class Moved:
    """What each question would move in one figure: `words[number]`, nothing where the number is -1, and `weight`."""

    number: np.ndarray
    words: list[str]
    weight: np.ndarray


def consequences(asked: pd.DataFrame, figures: Figures) -> pd.DataFrame:
    """`would_move` (text), `stated` (bool: it would move the stated comparison) and `weight` of each question.

    What one reviewer has said already is left out of account, so that the words do not tell it to the next.

    Args:
        asked: `case` and `category` (positions; -1: any may be meant), `second` (bool: one reviewer has answered), and
            `undoes` (bool, may be left out: it counts, and a no would take it away), one row a question.
    """
    unnamed = (asked["category"] < 0).to_numpy()
    asked = _with_what_is_known(asked.reset_index(drop=True), figures)
    own, stated = _own_rate(asked, figures), _stated_comparison(asked, figures)
    pairs = (own.number + 1) * (len(stated.words) + 1) + stated.number + 1
    distinct, place = np.unique(pairs * 2 + unnamed, return_inverse=True)
    told = []
    for both, any_meant in (divmod(number, 2) for number in distinct.tolist()):
        one, other = divmod(both, len(stated.words) + 1)
        told.append(_sentence(["", *own.words][one], ["", *stated.words][other], bool(any_meant)))
    words = np.array([*told, ""], dtype=object)[place.reshape(-1)]
    weight = np.where(stated.weight > 0, stated.weight, own.weight)
    return pd.DataFrame({"would_move": words, "stated": stated.weight > 0, "weight": weight})


def _sentence(own: str, stated: str, unnamed: bool) -> str:
    """What moves in the category's own rate and in the stated comparison, each empty for nothing."""
    both = SAME if own == stated else STATED + stated
    told = ANY + own if unnamed and own else own
    return (told + both if stated else told).removeprefix("; ")


def _with_what_is_known(asked: pd.DataFrame, figures: Figures) -> pd.DataFrame:
    """The questions with the case's dates, `day` (-1 not known), `counted` (by one reviewer's yes) and `settled` (otherwise)."""
    whole = len(figures.labels.categories) - 1
    asked = asked.assign(category=asked["category"].where(asked["category"] >= 0, whole))
    rows = figures.complications
    main = rows[rows["level"] == 0]
    key, status = _pairs(main, figures), main["status"].to_numpy()
    order = np.lexsort((status, key))
    order = order[begins(key[order])]
    at = places_among(_pairs(asked, figures), key[order])
    is_counted = (at >= 0) & np.append(status[order] == COUNTED, False)[at]
    dates = figures.cases[["group", "performed", "known_until"]].iloc[asked["case"]].reset_index(drop=True)
    second = asked["second"].to_numpy(bool)
    return pd.concat([asked[["case", "category"]], dates], axis=1).assign(
        day=np.append(main["day"].to_numpy()[order], -1)[at],
        undoes=asked.get("undoes", False),
        counted=is_counted & second,
        settled=is_counted & ~second,
    )


def _pairs(rows: pd.DataFrame, figures: Figures) -> np.ndarray:
    """Case and category as one number."""
    categories = len(figures.labels.categories)
    found: np.ndarray = rows["case"].to_numpy(np.int64) * categories + rows["category"].to_numpy(np.int64)
    return found


def _judged(asked: pd.DataFrame, days: int, grace: int) -> np.ndarray:
    """bool: the case's window is closed and the complication lies within it."""
    closed = asked["performed"].to_numpy() + days + grace <= asked["known_until"].to_numpy()
    within: np.ndarray = asked["day"].to_numpy() <= days
    return closed & within


def _own_rate(asked: pd.DataFrame, figures: Figures) -> Moved:
    """For the category's own rate among the operation's cases, in the window that says most."""
    labels, rates = figures.labels, _main_rates(figures)
    group, category = asked["group"].to_numpy(), asked["category"].to_numpy()
    open_ones = ~asked["settled"].to_numpy(bool)
    events, cases, days = (np.zeros(len(asked), np.int64) for _ in range(3))
    for rank in sorted(rates["rank"].unique()):
        own = rates[rates["rank"] == rank]
        window, grace = int(own["days"].iloc[0]), int(own["grace"].iloc[0])
        known = np.full((2, len(labels.groups) + 1, len(labels.categories)), -1, np.int64)
        known[:, own["group"], own["category"]] = own[["events", "cases"]].to_numpy().T
        found = known[:, group, category]
        chosen = open_ones & (found[0] >= 0) & _judged(asked, window, grace)
        events, cases = np.where(chosen, found[0], events), np.where(chosen, found[1], cases)
        days = np.where(chosen, window, days)
        open_ones = open_ones & ~chosen
    return _told(asked, days > 0, np.maximum(events - asked["counted"].to_numpy(), 0), cases, days)


def _main_rates(figures: Figures) -> pd.DataFrame:
    """`group, category, events, cases, days, grace, rank` of main levels over all strata; the lowest rank says most."""
    labels, settings = figures.labels, figures.settings
    main = pd.DataFrame(
        {
            "category": labels.categories,
            "level": [levels[0] for levels in labels.levels],
            "number": np.arange(len(labels.categories)),
        }
    )
    rates = figures.rates
    own = rates[
        (rates["stratum"] == "none") & rates["procedure"].isin(labels.groups) & rates["events"].notna()
    ]
    own = own[own["rate"].notna()].merge(main, on=["category", "level"])
    windows = pd.DataFrame(
        [(w.days, w.grace, rank) for rank, w in enumerate(_by_weight(settings))],
        columns=["days", "grace", "rank"],
    )
    own = own.assign(group=own["procedure"].map({key: n for n, key in enumerate(labels.groups)}))
    own = own.drop(columns="category").rename(columns={"window_days": "days", "number": "category"})
    return own[["group", "category", "events", "cases", "days"]].astype("int64").merge(windows, on="days")


def _by_weight(settings: Settings) -> list[Window]:
    """The stated comparison's window first, then the longest up to a year and shorter ones, then longer ones."""
    stated = settings.primary.window if settings.primary else USUAL_DAYS

    def order(window: Window) -> tuple[bool, bool, int]:
        longer = window.days > USUAL_DAYS
        return window.days != stated, longer, window.days if longer else -window.days

    return sorted(settings.windows, key=order)


def _told(
    asked: pd.DataFrame, moves: np.ndarray, events: np.ndarray, cases: np.ndarray, days: np.ndarray
) -> Moved:
    """One sentence for all questions that would move equal counts equally.

    Args:
        moves: bool, a question moves anything.
        events, cases, days: What it would move, where it does.
    """
    own = pd.DataFrame(
        {"events": events, "cases": cases, "days": days, "undoes": asked["undoes"].to_numpy(bool)}
    )
    number = np.full(len(asked), -1, np.int64)
    number[moves] = own[moves].groupby(list(own.columns)).ngroup()
    alike = own[moves].drop_duplicates().sort_values(list(own.columns))
    more = (alike["events"] + 1).clip(upper=alike["cases"])
    now, then = alike["events"].where(~alike["undoes"], more), more.where(~alike["undoes"], alike["events"])
    words = [
        f"{e} of {n} would become {m} of {n} ({d} days)"
        for e, m, n, d in zip(now, then, alike["cases"], alike["days"], strict=True)
    ]
    weight = _log_odds(more, alike["cases"]) - _log_odds(alike["events"], alike["cases"])
    return Moved(number, words, np.append(weight.to_numpy().round(9), 0.0)[number])


def _log_odds(events: pd.Series, cases: pd.Series) -> pd.Series:
    odds = (events + 0.5) / (cases - events + 0.5)
    return pd.Series(np.log(odds.to_numpy()), index=events.index)


def _stated_comparison(asked: pd.DataFrame, figures: Figures) -> Moved:
    """For the arm of the stated comparison that the case is in."""
    stated, comparisons = figures.settings.primary, figures.comparisons
    rows = comparisons[comparisons["primary"].astype(bool) & (comparisons["analysis"] == "all_cases")]
    nothing = np.zeros(len(asked), np.int64)
    if stated is None or rows.empty:
        return _told(asked, nothing > 0, nothing, nothing, nothing)
    window = next(window for window in figures.settings.windows if window.days == stated.window)
    speaks = _judged(asked, window.days, window.grace) & _moves_outcome(asked, stated, figures)
    row, (in_a, in_b) = rows.iloc[0], _arms(asked, stated, figures)
    moves = speaks & ~asked["settled"].to_numpy(bool) & (in_a | in_b)
    events, cases = (
        np.where(in_a, *(int(row[f"{name}_{arm}"]) for arm in "ab")) for name in ("events", "cases")
    )
    counted = asked["counted"].to_numpy()
    return _told(asked, moves, np.maximum(events - counted, 0), cases, np.full(len(asked), stated.window))


def _arms(asked: pd.DataFrame, stated: Primary, figures: Figures) -> tuple[np.ndarray, np.ndarray]:
    """bool: in the first and in the second arm of the stated comparison, which takes isolated cases alone."""
    labels = figures.labels
    cases = figures.cases.iloc[asked["case"]]
    column, words = (
        ("group", labels.groups) if stated.by == "procedure" else (f"by:{stated.by}", labels.by[stated.by])
    )
    inside = cases["isolated"].to_numpy().astype(bool)
    if stated.among:
        inside &= cases[f"among:{stated.among}"].to_numpy().astype(bool)
    if stated.within:
        inside &= (cases["group"] == labels.groups.index(stated.within)).to_numpy()
    held = cases[column].to_numpy()
    in_a, in_b = (
        inside & np.array([*(word == arm for word in words), False])[held] for arm in (stated.a, stated.b)
    )
    return in_a, in_b & ~in_a


def _moves_outcome(asked: pd.DataFrame, stated: Primary, figures: Figures) -> np.ndarray:
    """bool: a yes would make an event of the stated outcome that the case does not have yet."""
    labels, entries = figures.labels, figures.catalogue.complications
    if stated.category != ANY_COMPLICATION:
        main = stated.level in ("", entries[stated.category].main_level)
        return (asked["category"] == labels.categories.index(stated.category)).to_numpy() & main
    member = np.array([entries[key].in_any for key in labels.categories[:-1]] + [True], dtype=bool)
    return member[asked["category"]] & ~_counted_otherwise(asked, stated, figures)


def _counted_otherwise(asked: pd.DataFrame, stated: Primary, figures: Figures) -> np.ndarray:
    """bool: the case has another counted complication than the one in question within the window of any complication."""
    labels, entries, rows = figures.labels, figures.catalogue.complications, figures.complications
    member = np.array([entries[key].in_any for key in labels.categories[:-1]] + [False], dtype=bool)
    own = rows[member[rows["category"]] & (rows["level"] == 0) & (rows["status"] == COUNTED)]
    own = own[own["day"] <= stated.window]
    every = _times(asked["case"].to_numpy(), own["case"].to_numpy())
    return every > _times(_pairs(asked, figures), _pairs(own, figures))


def _times(asked: np.ndarray, known: np.ndarray) -> np.ndarray:
    """How often each number stands among the known ones."""
    rising = np.sort(known)
    found: np.ndarray = np.searchsorted(rising, asked, "right") - np.searchsorted(rising, asked, "left")
    return found

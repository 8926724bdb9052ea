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
    both = np.where(own["words"] == stated["words"], SAME, STATED + stated["words"])
    own["words"] = own["words"].mask(unnamed & (own["words"] != ""), ANY + own["words"])
    told = own["words"].where(stated["words"] == "", own["words"] + both).str.removeprefix("; ")
    weight = np.where(stated["weight"] > 0, stated["weight"], own["weight"])
    return pd.DataFrame({"would_move": told, "stated": stated["weight"] > 0, "weight": weight})


def _with_what_is_known(asked: pd.DataFrame, figures: Figures) -> pd.DataFrame:
    """The questions with the case's dates, `day` (-1 not known), `counted` (by one reviewer's yes) and `settled` (otherwise)."""
    whole = len(figures.labels.categories) - 1
    asked = asked.assign(category=asked["category"].where(asked["category"] >= 0, whole))
    rows = figures.complications
    main = rows[rows["level"] == 0].sort_values(["case", "category", "status"])
    main = main.drop_duplicates(["case", "category"])[["case", "category", "day", "status"]]
    known = asked.merge(main, how="left", on=["case", "category"])
    dates = figures.cases[["group", "performed", "known_until"]].iloc[known["case"]].reset_index(drop=True)
    is_counted = known["status"] == COUNTED
    return pd.concat([known[["case", "category"]], dates], axis=1).assign(
        day=known["day"].fillna(-1),
        undoes=known.get("undoes", False),
        counted=is_counted & known["second"],
        settled=is_counted & ~known["second"],
    )


def _judged(asked: pd.DataFrame, windows: pd.DataFrame) -> np.ndarray:
    """bool: the case's window is closed and the complication lies within it."""
    end = asked["performed"].to_numpy() + windows["days"].to_numpy() + windows["grace"].to_numpy()
    return (end <= asked["known_until"].to_numpy()) & (asked["day"].to_numpy() <= windows["days"].to_numpy())


def _own_rate(asked: pd.DataFrame, figures: Figures) -> pd.DataFrame:
    """`words` and `weight` for the category's own rate among the operation's cases, in the window that says most."""
    rates = _main_rates(figures)
    pairs = asked.reset_index(names="question").merge(rates, on=["group", "category"])
    pairs = pairs[_judged(pairs, pairs) & ~pairs["settled"]]
    chosen = pairs.sort_values(["question", "rank"]).drop_duplicates("question").set_index("question")
    events = (chosen["events"] - chosen["counted"]).clip(lower=0)
    return _told(asked, events, chosen["cases"], chosen["days"])


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


def _told(asked: pd.DataFrame, events: pd.Series, cases: pd.Series, days: pd.Series) -> pd.DataFrame:
    """`words` and `weight` over all questions; empty and 0 where nothing would move."""
    more = (events + 1).clip(upper=cases)
    undoes = asked["undoes"].reindex(events.index, fill_value=False)
    now, then = events.where(~undoes, more), more.where(~undoes, events)
    sentences = [
        f"{e} of {n} would become {m} of {n} ({d} days)"
        for e, m, n, d in zip(now, then, cases, days, strict=True)
    ]
    weight = _log_odds(more, cases) - _log_odds(events, cases)
    words = pd.Series(sentences, index=events.index, dtype=object).reindex(asked.index, fill_value="")
    return pd.DataFrame({"words": words, "weight": weight.reindex(asked.index).fillna(0.0).round(9)})


def _log_odds(events: pd.Series, cases: pd.Series) -> pd.Series:
    odds = (events + 0.5) / (cases - events + 0.5)
    return pd.Series(np.log(odds.to_numpy()), index=events.index)


def _stated_comparison(asked: pd.DataFrame, figures: Figures) -> pd.DataFrame:
    """`words` and `weight` for the arm of the stated comparison that the case is in."""
    stated, comparisons = figures.settings.primary, figures.comparisons
    rows = comparisons[comparisons["primary"].astype(bool) & (comparisons["analysis"] == "all_cases")]
    nothing = pd.Series(dtype="int64")
    if stated is None or rows.empty:
        return _told(asked, nothing, nothing, nothing)
    window = next(window for window in figures.settings.windows if window.days == stated.window)
    ends = pd.DataFrame({"days": window.days, "grace": window.grace}, index=asked.index)
    speaks = _judged(asked, ends) & _moves_outcome(asked, stated, figures) & ~asked["settled"].to_numpy()
    row, arm = rows.iloc[0], _arm(asked, stated, figures)
    counts = pd.DataFrame(
        {name: np.where(arm == "a", row[f"{name}_a"], row[f"{name}_b"]) for name in ("events", "cases")},
        index=asked.index,
    )[speaks & (arm != "")].astype("int64")
    events = (counts["events"] - asked.loc[counts.index, "counted"]).clip(lower=0)
    return _told(asked, events, counts["cases"], pd.Series(stated.window, index=counts.index))


def _arm(asked: pd.DataFrame, stated: Primary, figures: Figures) -> np.ndarray:
    """`a`, `b` or nothing: where each case stands in the stated comparison, which takes isolated cases alone."""
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
    held = np.array([*words, ""], dtype=object)[cases[column].to_numpy()]
    return np.where(inside & (held == stated.a), "a", np.where(inside & (held == stated.b), "b", ""))


def _moves_outcome(asked: pd.DataFrame, stated: Primary, figures: Figures) -> np.ndarray:
    """bool: a yes would make an event of the stated outcome that the case does not have yet."""
    labels, entries = figures.labels, figures.catalogue.complications
    if stated.category != ANY_COMPLICATION:
        main = stated.level in ("", entries[stated.category].main_level)
        return (asked["category"] == labels.categories.index(stated.category)).to_numpy() & main
    member = np.array([entries[key].in_any for key in labels.categories[:-1]] + [True], dtype=bool)
    return member[asked["category"]] & ~_counted_otherwise(asked, stated, figures).to_numpy()


def _counted_otherwise(asked: pd.DataFrame, stated: Primary, figures: Figures) -> pd.Series:
    """bool: the case has another counted complication of the stated outcome within the window."""
    labels, entries = figures.labels, figures.catalogue.complications
    if stated.category != ANY_COMPLICATION:
        return pd.Series(False, index=asked.index)
    rows = figures.complications
    member = np.array([entries[key].in_any for key in labels.categories[:-1]] + [False], dtype=bool)
    own = rows[member[rows["category"]] & (rows["level"] == 0) & (rows["status"] == COUNTED)]
    own = own[own["day"] <= stated.window]
    met = asked.reset_index(names="question")[["question", "case", "category"]].merge(
        own[["case", "category"]], on="case", suffixes=("", "_counted")
    )
    others = met.loc[met["category"] != met["category_counted"], "question"]
    return pd.Series(asked.index.isin(others), index=asked.index)

"""The tables of an outward edition, with its gaps."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.disclosure.basis import HIDES, KEY
from pipeline.publish import words
from pipeline.publish.outward.basis import STRATA, parents_of, stated_rows
from pipeline.settings import Settings
from schemas.outward import FEW, OUTWARD_COMPARISON, OUTWARD_QUALITY, OUTWARD_RATES

PLACE = KEY[1:]
#: Which figures a figure can be worked out from, or needs; each is hidden with any of them.
NEEDS = {
    "cases": ("cases",), "followed": ("cases", "lost"), "lost": ("lost",), "events": ("events",),
    **dict.fromkeys(("rate", "ci_low", "ci_high", "method"), ("cases", "events")),
    **dict.fromkeys(("rate_followed", "rf_ci_low", "rf_ci_high", "worst_case"), ("cases", "lost", "events")),
}  # fmt: skip
#: Notes of rates that say something of the operation or the records, nothing of hidden counts.
PLAIN_NOTES = ("cannot occur here", "recurrence:", "new:", "counts only operations", "records ")
CANNOT = "cannot occur here"
RANGE = "read the range"  # follows from figures of the row
_OF_AGE = re.compile(
    r" ?(?:Within age bands|Only within age bands|These groups hardly overlap in age).*", re.DOTALL
)


def rates_shown(
    rates: pd.DataFrame, shown: pd.DataFrame, name: str, earlier: pd.DataFrame | None
) -> pd.DataFrame:
    """Rates of all sites and of each, without what is hidden; and operations after which it cannot occur.

    Args:
        rates: The department's.
        shown: The basis of this edition.
        name: Of this edition.
        earlier: `rates.csv` of the one before, from which repeated rows are taken as they stand.
    """
    own = rates[rates["stratum"].isin(STRATA)].assign(
        stratum_value=lambda rows: rows["stratum_value"].fillna("")
    )
    whole = shown[shown["part"] == "whole"]
    fresh = whole.loc[whole["figures_of"] == name, [*PLACE, "figures_of", *HIDES]].merge(own, on=PLACE)
    never = own[own["events"].isna() & own["note"].fillna("").str.startswith(CANNOT)].assign(figures_of=name)
    frames = [_with_gaps(fresh), never.assign(**dict.fromkeys(NEEDS, None), hidden=None)]
    table = pd.concat([frame.astype("object") for frame in frames], ignore_index=True)
    told = zip(table["note"], table["hidden"], strict=True)
    table = table.assign(note=_objects(_plain(*each) for each in told))
    columns = list(OUTWARD_RATES.names)
    if earlier is None:
        return table[columns]
    again = whole.loc[whole["figures_of"] != name, PLACE].merge(earlier, on=PLACE)
    return pd.concat([table[columns], again[columns].astype("object")], ignore_index=True)


def _with_gaps(rows: pd.DataFrame) -> pd.DataFrame:
    gaps = {name: np.any([rows[f"hides_{need}"] for need in needs], axis=0) for name, needs in NEEDS.items()}
    filled = {name: rows[name].astype("object").mask(gap, None) for name, gap in gaps.items()}
    return rows.assign(**filled, hidden=marks(np.any(list(gaps.values()), axis=0)))


def marks(gap: np.ndarray) -> pd.Series:
    """The word that stands where a figure is left out."""
    return _objects(FEW if each else None for each in gap)


def _objects(values: Iterable[object]) -> pd.Series:
    return pd.Series(list(values), dtype="object")


def _plain(note: object, hidden: object) -> str | None:
    parts = [] if note is None or note != note else str(note).split("; ")
    allowed = PLAIN_NOTES if hidden else (*PLAIN_NOTES, RANGE)
    return "; ".join(part for part in parts if part.startswith(allowed)) or None


# ---------------------------------------------------------------- the comparison stated before the run

_BY_AGE = ("arm_a", "arm_b", "adj_rd_low", "adj_rd_high")
_ALL_CASES = ("events_a", "cases_a", "events_b", "cases_b")


def comparison_shown(
    comparisons: pd.DataFrame, shown: pd.DataFrame, settings: Settings, catalogue: Catalogue, name: str,
    earlier: pd.DataFrame | None,
) -> pd.DataFrame:  # fmt: skip
    """The stated comparison; nothing where an arm's figures are hidden, and of like ages no more than a few words."""
    columns = list(OUTWARD_COMPARISON.names)
    arms = shown[shown["part"].isin(["arm_a", "arm_b"])]
    if arms.empty:
        return pd.DataFrame(columns=columns)
    if (arms["figures_of"] != name).any():
        return (pd.DataFrame(columns=columns) if earlier is None else earlier[columns]).astype("object")
    rows = stated_rows(comparisons)
    a, b = parents_of(settings) or ("", "")
    hides = {need: bool(arms[f"hides_{need}"].any()) for need in ("cases", "lost", "events")}
    gap = rows["analysis"].map(
        lambda way: hides["cases"] or hides["events"] or (way != "all_cases" and hides["lost"])
    )
    figures = [column for column in columns if column in NUMBERS]
    filled = {column: rows[column].astype("object").mask(gap, None) for column in figures}
    of_age = zip(*(rows[column] for column in _BY_AGE), strict=True)
    said = rows["verdict"].astype("object").mask(gap | any(hides.values()), None)
    return rows.assign(
        figures_of=name, part_of_a=a, part_of_b=b, **filled, hidden=marks(gap.to_numpy(dtype=bool)),
        verdict=_objects(None if told is None or told != told else _OF_AGE.sub("", told) for told in said),
        within_age=_objects(_of_age(one, other, low, high, catalogue) for one, other, low, high in of_age),
    )[columns].astype("object")  # fmt: skip


NUMBERS = (
    *_ALL_CASES, "risk_difference", "rd_ci_low", "rd_ci_high", "risk_ratio", "rr_ci_low", "rr_ci_high", "odds_ratio",
    "or_ci_low", "or_ci_high", "p_fisher", "p_exact", "p_method",
)  # fmt: skip


def _of_age(a: str, b: str, low: float, high: float, catalogue: Catalogue) -> str | None:
    """What the adjusted interval says, without its figures: counts by age are not in this edition."""
    if low != low or high != high:
        return None
    if low <= 0 <= high:
        return "Among patients of like age the counts cannot tell the two apart."
    more = a if low > 0 else b
    entry = catalogue.procedures.get(more)
    return f"Among patients of like age there is more with {entry.name if entry else words.plain(more)}."


# ---------------------------------------------------------------- quality


def quality_shown(quality: pd.DataFrame, verdicts: Mapping[str, str]) -> pd.DataFrame:
    """How many checks of each kind were made of a site's table, and how many are outside their tolerance."""
    some = quality["tolerance"].notna()
    over = some & (quality["share"].astype(float) > quality["tolerance"].astype(float))
    marked = quality.assign(with_tolerance=some, outside=over, checks=1)
    by = (
        marked.groupby(["site", "table", "dimension"], sort=True)[["checks", "with_tolerance", "outside"]]
        .sum()
        .reset_index()
    )
    return by.assign(verdict=by["site"].map(dict(verdicts)).replace("", None))[list(OUTWARD_QUALITY.names)]

"""The exact figures of an outward edition, from the department's tables."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipeline.disclosure.basis import HIDES, KEY, OUTCOME
from pipeline.disclosure.system import KINDS
from pipeline.settings import Settings
from schemas.outward import OUTWARD_BASIS

STRATA = ("none", "site")
ARM_COLUMNS = {"arm_a": "a", "arm_b": "b"}
COUNTS = ["cases", "lost", "events"]


def basis_of(tables: Mapping[str, pd.DataFrame], settings: Settings, name: str) -> pd.DataFrame:
    """Rows of rates that count anything, arms of the stated comparison and what is beside them; nothing hidden yet.

    Args:
        tables: `rates`, `comparisons`, `second_cases`.
        name: Of the edition.
    """
    whole = _whole(tables["rates"])
    arms = _arms(tables["comparisons"], settings, whole)
    figures = pd.concat([whole, arms, _beside(arms, whole)], ignore_index=True)
    basis = _with_patients(figures, tables["second_cases"])
    return as_plain(basis.assign(figures_of=name, **dict.fromkeys(HIDES, False))[list(OUTWARD_BASIS.names)])


def as_plain(basis: pd.DataFrame) -> pd.DataFrame:
    """Texts as they are in Python, whatever file they come from; all sites have no name."""
    texts = [column.name for column in OUTWARD_BASIS.columns if column.kind in ("text", "word")]
    return basis.astype({"window_days": "int64", **dict.fromkeys(texts, "object")}).fillna(
        {"stratum_value": ""}
    )


def _whole(rates: pd.DataFrame) -> pd.DataFrame:
    own = rates[rates["stratum"].isin(STRATA) & rates["events"].notna()]
    return own[[*KEY[1:], *COUNTS]].assign(part="whole", stratum_value=own["stratum_value"].fillna(""))


def _arms(comparisons: pd.DataFrame, settings: Settings, whole: pd.DataFrame) -> pd.DataFrame:
    """Both arms as the stated comparison counts them; nothing where it cannot be told whose cases they are part of."""
    stated = stated_rows(comparisons)
    every = stated[stated["analysis"] == "all_cases"].reset_index(drop=True)
    followed = stated[stated["analysis"] == "followed"].reset_index(drop=True)
    parents = parents_of(settings)
    if every.empty or parents is None or len(every) != len(followed):
        return whole.iloc[:0]
    frames = [
        every[OUTCOME].assign(
            part=part, stratum="none", stratum_value="", procedure=parent, cases=every[f"cases_{arm}"],
            lost=every[f"cases_{arm}"] - followed[f"cases_{arm}"], events=every[f"events_{arm}"],
        )
        for (part, arm), parent in zip(ARM_COLUMNS.items(), parents, strict=True)
    ]  # fmt: skip
    arms = pd.concat(frames, ignore_index=True)
    known = arms.merge(whole[KEY[1:]], on=KEY[1:])
    return arms if len(known) == len(arms) else whole.iloc[:0]


def stated_rows(comparisons: pd.DataFrame) -> pd.DataFrame:
    """The comparison stated before the run, each way of counting the lost."""
    return comparisons[comparisons["primary"].astype(bool)].sort_values("analysis", ignore_index=True)


def parents_of(settings: Settings) -> tuple[str, str] | None:
    """The procedures whose cases hold the arms."""
    asked = settings.primary
    if asked is None:
        return None
    if asked.by == "procedure":
        return asked.a, asked.b
    return (asked.within, asked.within) if asked.within else None


def _beside(arms: pd.DataFrame, whole: pd.DataFrame) -> pd.DataFrame:
    """Cases of the arms' procedures that are in neither arm."""
    if arms.empty:
        return whole.iloc[:0]
    keys = KEY[1:]
    taken = arms.groupby(keys, sort=False)[COUNTS].sum().reset_index()
    both = taken.merge(whole, on=keys, suffixes=("_taken", ""))
    return both[keys].assign(part="beside", **{name: both[name] - both[f"{name}_taken"] for name in COUNTS})


def _with_patients(figures: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """Patients of each kind: cases less those beyond the first of their patient."""
    known = second.assign(stratum_value=second["stratum_value"].fillna(""))
    arms = known["part"].isin(list(ARM_COLUMNS))
    named = figures[figures["part"].isin(list(ARM_COLUMNS))][["part", *OUTCOME, "procedure"]]
    own = known[arms].drop(columns="procedure").merge(named, on=["part", *OUTCOME])
    more = pd.concat([known[~arms], own], ignore_index=True).rename(
        columns={kind: f"second_{kind}" for kind in KINDS}
    )
    both = figures.merge(more, on=KEY, how="left")
    cases, lost, events = (both[name].astype("int64") for name in COUNTS)
    counted = {
        "cases": cases,
        "lost": lost,
        "events": events,
        "quiet": cases - lost - events,
        "without": cases - events,
    }
    patients = {
        f"patients_{kind}": number - both[f"second_{kind}"].fillna(0).astype(np.int64)
        for kind, number in counted.items()
    }
    return both.assign(cases=cases, lost=lost, events=events, **patients)

"""What an outward edition may say anew after an earlier one: figures that stayed, or changed by enough patients.

Two editions side by side are a subtraction. All rows of an outcome share sums, so they are refreshed together or
not at all: where one of them changed by a few patients, the outcome is repeated as it stood, with the name of the edition.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.disclosure.attack import attacked, targets_of
from pipeline.disclosure.basis import KEY, OUTCOME, gaps_of, together, truth_of
from pipeline.disclosure.gaps import watched
from pipeline.disclosure.sheet import Public, grid_of
from pipeline.disclosure.system import KINDS, system_of


def figures_of(rows: pd.DataFrame) -> dict[str, np.ndarray]:
    """The five kinds of cases of each row."""
    cases, lost, events = (rows[name].to_numpy(dtype=np.int64) for name in ("cases", "lost", "events"))
    return {
        "cases": cases,
        "lost": lost,
        "events": events,
        "quiet": cases - lost - events,
        "without": cases - events,
    }


def outcomes(basis: pd.DataFrame) -> set[tuple[str, str, int]]:
    return {(str(c), str(level), int(days)) for c, level, days in basis[OUTCOME].itertuples(index=False)}


def of_outcomes(basis: pd.DataFrame, chosen: set[tuple[str, str, int]]) -> pd.DataFrame:
    named = zip(basis["category"], basis["level"], basis["window_days"].astype(int), strict=True)
    return basis[[each in chosen for each in named]]


def to_repeat(current: pd.DataFrame, earlier: pd.DataFrame, smallest: int) -> set[tuple[str, str, int]]:
    """Outcomes of both that stayed as they were, or of which some figure changed by fewer than `smallest` patients.

    A reader cannot tell one from the other.
    """
    columns = [*KEY, "cases", "lost", "events", *(f"patients_{kind}" for kind in KINDS)]
    sides = [
        frame[columns].assign(stratum_value=frame["stratum_value"].fillna("")) for frame in (current, earlier)
    ]
    both = sides[0].merge(sides[1], on=KEY, how="outer", suffixes=("", "_then"))
    names = [name for name in columns if name not in KEY]
    now = both[names].fillna(0).astype(np.int64)
    then = both[[f"{name}_then" for name in names]].fillna(0).astype(np.int64).set_axis(names, axis=1)
    few, any_change = (np.zeros(len(both), dtype=bool) for _ in range(2))
    before = figures_of(then)
    for kind, number in figures_of(now).items():
        moved = np.abs(now[f"patients_{kind}"].to_numpy() - then[f"patients_{kind}"].to_numpy())
        changed = number != before[kind]
        few |= changed & (moved < smallest)
        any_change |= changed
    stayed = outcomes(both) - outcomes(both[any_change])
    return (stayed | outcomes(both[few])) & outcomes(current) & outcomes(earlier)


def mixed(current: pd.DataFrame, earlier: pd.DataFrame, repeated: set[tuple[str, str, int]]) -> pd.DataFrame:
    """The current edition with some outcomes as they stood."""
    fresh = of_outcomes(current, outcomes(current) - repeated)
    return pd.concat([fresh, of_outcomes(earlier, repeated)], ignore_index=True)


def opened(
    shown: pd.DataFrame, earlier: pd.DataFrame, public: Public, smallest: int
) -> set[tuple[str, str, int]]:
    """Outcomes whose hidden figures both editions side by side give away, or bring others to give away."""
    basis = together(shown, earlier)
    truth = truth_of(basis, public, {})
    gaps = gaps_of(basis)
    sheet = gaps.of(truth.sheet)
    system = system_of(sheet)
    found = attacked(system, targets_of(system, watched(gaps, truth, smallest), sheet), smallest)
    tables = grid_of(sheet.rows).tables
    told = tables.iloc[np.unique(found.targets.table[found.open & (found.targets.table >= 0)])]
    arms = found.open & (found.targets.table < 0)
    extra = outcomes(basis[basis["part"] != "whole"]) if arms.any() else set()
    return outcomes(told) | extra

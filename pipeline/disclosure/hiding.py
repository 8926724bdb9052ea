"""Which figures an outward edition does not show.

First those of few patients and what follows from them in the same row; then others, so that no sum gives them away;
then an attack, and whatever it still works out costs a further gap: the least, found by a linear programme in which
written figures may give way at a price.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline.disclosure.attack import attacked, heard, looked_around, nothing_found, space_of, targets_of
from pipeline.disclosure.closing import closed
from pipeline.disclosure.gaps import Gaps, Truth, few, watched
from pipeline.disclosure.giving_way import given_way
from pipeline.disclosure.sheet import COUNTED, Grid, grid_of
from pipeline.disclosure.system import Frame, frame_of, system_of, true_world
from pipeline.errors import GivesAway

ATTEMPTS = 60
ENOUGH = 0.25  # share that a further world must bring to rest, before something more is hidden instead
SPARE = 24  # rows that are tried to be shown again


def hidden_figures(truth: Truth, smallest: int) -> Gaps:
    """Gaps that no attack closes.

    Raises:
        GivesAway: None were found, or the figures contradict each other.
    """
    first = _with_closed_lines(_few_in_rows(truth.patients, smallest), truth, smallest)
    gaps = _with_rows(first, _few_in_rows(truth.arms, smallest))
    worlds, frame = [true_world(truth.sheet)], frame_of(truth.sheet)
    if not system_of(truth.sheet, frame).holds(worlds[0]):
        raise GivesAway("its figures do not keep the rules of counting that an attack on it rests on")
    for _ in range(ATTEMPTS):
        system = system_of(gaps.of(truth.sheet), frame)
        targets = targets_of(system, watched(gaps, truth, smallest), truth.sheet)
        found, space = nothing_found(targets, smallest), space_of(system)
        heard(space, found, worlds)  # what fitted fits with more gaps too
        looked_around(space, found, ENOUGH)
        if not found.open.any():
            return _shown_again(replace(gaps, worlds=tuple(found.worlds)), truth, frame, smallest)
        more = given_way(space, system, found, gaps, truth)
        worlds = found.worlds
        gaps = _with_rows(more.rows, more.arms)
    raise GivesAway("no set of gaps was found that withstands the attack")


def _shown_again(gaps: Gaps, truth: Truth, frame: Frame, smallest: int) -> Gaps:
    """Rows that protect others shown again, one by one, where the attack still fails; only where they are not many."""
    none_few = ~np.any(list(few(truth.patients, smallest).values()), axis=0)
    spare = np.flatnonzero(none_few & gaps.rows.any(axis=1))
    if len(spare) > SPARE:
        return gaps
    place = truth.sheet.rows
    sums = ((place["site"] == "").astype(int) + (place["procedure"] == "").astype(int)).to_numpy()
    for row in spare[np.argsort(-sums[spare], kind="stable")].tolist():
        fewer = gaps.rows.copy()
        fewer[row] = False
        tried = replace(gaps, rows=fewer)
        system = system_of(tried.of(truth.sheet), frame)
        targets = targets_of(system, watched(tried, truth, smallest), truth.sheet)
        if not attacked(system, targets, smallest, gaps.worlds).open.any():
            gaps = tried
    return gaps


def _few_in_rows(patients: pd.DataFrame, smallest: int) -> np.ndarray:
    """Figures of few patients: their own, or the events that would give away those without."""
    small = few(patients, smallest)
    events = small["events"] | small["quiet"] | small["without"]
    return np.stack([small["cases"], small["lost"], events], axis=1)


def _with_rows(rows: np.ndarray, arms: np.ndarray) -> Gaps:
    """Where events are not shown nobody is told how many are lost: an event keeps a case from being lost."""

    def whole(hidden: np.ndarray) -> np.ndarray:
        cases, lost, events = hidden.T
        return np.stack([cases, lost | events, events], axis=1)

    return Gaps(whole(rows), whole(arms))


def _with_closed_lines(hidden: np.ndarray, truth: Truth, smallest: int) -> np.ndarray:
    """Further gaps so that no line is a subtraction. What nearly all outcomes share is hidden in all of them alike."""
    grid = grid_of(truth.sheet.rows)
    rows = hidden.copy()
    groups = {
        "events": None,
        "lost": _shared(grid, truth, by_way=True),
        "cases": _shared(grid, truth, by_way=False),
    }
    for name, group in groups.items():
        at = COUNTED.index(name)
        gaps = _placed(grid, rows[:, at].astype(float)) == 1
        least = 1 if name == "cases" else 0  # a row that is written has a case
        value = _placed(grid, truth.sheet.rows[name].to_numpy(dtype=float)) - least
        own = closed(gaps, value, smallest)
        while group is not None:
            spread = _spread(own, group) & ~np.isnan(value)
            more = closed(spread, value, smallest)
            if (more == own).all():
                break
            own = more
        rows[:, at] |= _back(grid, own, len(rows))
    return rows


def _shared(grid: Grid, truth: Truth, by_way: bool) -> np.ndarray:
    """Number of the tables whose figures are nearly the same: one date and window, and one way of following."""
    tables = grid.tables.assign(way=grid.tables["category"].map(dict(truth.sheet.public.seen_in)))
    return (
        tables.groupby(["figures_of", "window_days", *(["way"] if by_way else [])], sort=True)
        .ngroup()
        .to_numpy()
    )


def _spread(hidden: np.ndarray, group: np.ndarray) -> np.ndarray:
    any_of = np.zeros((group.max(initial=-1) + 1, *hidden.shape[1:]), dtype=bool)
    np.logical_or.at(any_of, group, hidden)
    return any_of[group]


def _placed(grid: Grid, values: np.ndarray) -> np.ndarray:
    return np.where(grid.row >= 0, np.append(values, np.nan)[grid.row], np.nan)


def _back(grid: Grid, placed: np.ndarray, rows: int) -> np.ndarray:
    back = np.zeros(rows, dtype=bool)
    there = grid.row >= 0
    back[grid.row[there]] = placed[there]
    return back

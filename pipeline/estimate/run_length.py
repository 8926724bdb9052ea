"""How many cases a running chart takes until it asks for a check: exact, for one limit or for every limit at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Steps:
    """What one case may do to a chart.

    Attributes:
        size: int [kind] in whole lattice steps, none twice.
        chance: float [kind], above 0, adding to 1.
    """

    size: np.ndarray
    chance: np.ndarray


def steps_of(size: np.ndarray, chance: np.ndarray) -> Steps:
    """The distribution of a step; chances of equal sizes are added, impossible ones dropped."""
    distinct, place = np.unique(size, return_inverse=True)
    total = np.bincount(place, weights=chance)
    return Steps(distinct[total > 0], total[total > 0] / total.sum())


def run_length(steps: Steps, limit: int) -> float:
    """Mean number of cases until a chart reaches one limit, as `run_lengths` has it for all limits up to there.

    Where steps up are long, heights that a few steps lead to lie far apart: solved as a sparse system, the order of
    elimination is free and little fills up, which is several times faster than height after height.

    Args:
        steps: Of one case.
        limit: In steps.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.linalg import splu

    if steps.size.max() <= 0:
        return float("inf")
    height = np.arange(limit)
    there = np.maximum(0, height[:, None] + steps.size)
    at, kind = np.nonzero(there < limit)
    cells = np.concatenate([at, height]), np.concatenate([there[at, kind], height])
    moves = np.concatenate([-steps.chance[kind], np.ones(limit)])
    system = coo_array((moves, cells), shape=(limit, limit)).tocsc()
    # dominant rows and nothing above 0 beside the diagonal: it bears the elimination in any order
    in_order = splu(
        system, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )
    return float(in_order.solve(np.ones(limit))[0])


def run_lengths(steps: Steps, most: int, enough: float = np.inf, least: int = 0) -> np.ndarray:
    """Mean number of cases until a chart reaches its limit, for limits of 1, 2, … `most` steps.

    The chart starts at 0, adds a step a case and is set back to 0 when below. With Q the chances to move among the
    heights below the limit, the run length is the first entry of (I - Q)⁻¹ 1. Elimination without exchange of rows
    treats the heights one after the other, as a renewal argument does, so that the charts of all lower limits come
    out on the way: run length = Σ v_k y_k over the heights, y being the eliminated right side and v U = e₀. I - Q is
    an M-matrix with dominant rows: no exchange is needed. Infinite where no step leads up.

    Args:
        steps: Of one case.
        most: Highest limit asked for, in steps.
        enough: End early, with the first limit of at least `least` steps whose run length is at least this.
        least: See `enough`.
    """
    if steps.size.max() <= 0:
        return np.full(most, np.inf)
    down, up = max(0, -int(steps.size.min())), int(steps.size.max())
    block = np.zeros((down + 1, down + up + 1))  # rows and columns from the height whose turn it is
    for at in range(down + 1):
        block[at, : at + up + 1] = _row(steps, at, at, up)
    next_row = _row(
        steps, down, down, up
    )  # from any height of at least `down`, none of which a step takes below 0
    right = np.ones(down + 1)
    pending = np.zeros(down + up + 1)
    pending[0] = 1.0
    lengths: list[float] = []
    while len(lengths) < most:
        pivot = block[0, 0]
        share = block[1:, 0] / pivot
        weight = pending[0] / pivot
        lengths.append((lengths[-1] if lengths else 0.0) + weight * right[0])
        if lengths[-1] >= enough and len(lengths) >= least:
            break
        pending[:-1] = pending[1:] - weight * block[0, 1:]
        pending[-1] = 0.0
        block[:-1, :-1] = block[1:, 1:] - share[:, None] * block[0, 1:]
        right[:-1] = right[1:] - share * right[0]
        block[:-1, -1] = 0.0
        block[-1] = next_row
        right[-1] = 1.0
    return np.array(lengths)


def _row(steps: Steps, height: int, at: int, up: int) -> np.ndarray:
    """A row of I - Q: columns from the height `at` below to the one `up` above; below 0 counts as 0."""
    row = np.zeros(at + up + 1)
    np.add.at(row, np.maximum(steps.size, -height) + at, -steps.chance)
    row[at] += 1.0
    return row

"""How many cases a running chart takes until it asks for a check: exact, for one limit or for every limit at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

#: Charts that are treated at the same time, to bound memory.
CHARTS = 32


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
    low = int(size.min())
    there = np.flatnonzero(np.bincount(size - low))
    total = np.bincount(size - low, weights=chance)[there]
    return Steps(there[total > 0] + low, total[total > 0] / total.sum())


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


def run_lengths(steps: Steps, most: int) -> np.ndarray:
    """Mean number of cases until a chart reaches its limit, for limits of 1, 2, … `most` steps.

    The chart starts at 0, adds a step a case and is set back to 0 when below. With Q the chances to move among the
    heights below the limit, the run length is the first entry of (I - Q)⁻¹ 1. Elimination without exchange of rows
    treats the heights one after the other, as a renewal argument does, so that the charts of all lower limits come
    out on the way: run length = Σ v_k y_k over the heights, y being the eliminated right side and v U = e₀. I - Q is
    an M-matrix with dominant rows: no exchange is needed. Infinite where no step leads up.

    Args:
        steps: Of one case.
        most: Highest limit asked for, in steps.
    """
    if steps.size.max() <= 0:
        return np.full(most, np.inf)
    going = _Elimination([steps])
    return np.cumsum([going.gained()[0] for _ in range(most)])


def lowest_limits(several: Sequence[Steps], most: int, enough: float, least: int) -> list[tuple[int, float]]:
    """The lowest limit from `least` on, at most `most`, whose run length is at least `enough`, with that run length.

    Args:
        several: Of one case, by chart; all are treated at the same time.
        most, enough, least: See above. Where nothing leads up it is `most`, never reached.
    """
    found = {
        at: lowest
        for begin in range(0, len(several), CHARTS)
        for at, lowest in _lowest(
            several, range(begin, min(len(several), begin + CHARTS)), most, enough, least
        )
    }
    return [found.get(at, (most, np.inf)) for at in range(len(several))]


def _lowest(
    several: Sequence[Steps], chosen: range, most: int, enough: float, least: int
) -> Iterator[tuple[int, tuple[int, float]]]:
    """By position; charts that nothing leads up are left out."""
    open_ones = np.array([at for at in chosen if several[at].size.max() > 0], dtype=np.int64)
    if not len(open_ones):
        return
    going = _Elimination([several[at] for at in open_ones])
    lengths = np.zeros(len(open_ones))
    for limit in range(1, most + 1):
        lengths = lengths + going.gained()
        done = (lengths >= enough) & (limit >= least) | (limit == most)
        if done.any():
            yield from (
                (int(at), (limit, float(own))) for at, own in zip(open_ones[done], lengths[done], strict=True)
            )
            open_ones, lengths = open_ones[~done], lengths[~done]
            going.keep(~done)
        if not len(open_ones):
            return


class _Elimination:
    """Elimination of several charts at once: rows and columns of I - Q from the height whose turn it is.

    Charts with shorter steps have zeros where others have chances, which change nothing.
    """

    def __init__(self, several: Sequence[Steps]) -> None:
        down = max(0, *(-int(steps.size.min()) for steps in several))
        up = max(int(steps.size.max()) for steps in several)
        self.block = np.zeros((len(several), down + 1, down + up + 1))
        for at in range(down + 1):
            self.block[:, at, : at + up + 1] = [_row(steps, at, at, up) for steps in several]
        # from any height of at least `down`, none of which a step takes below 0
        self.next_row = np.array([_row(steps, down, down, up) for steps in several])
        self.right = np.ones((len(several), down + 1))
        self.pending = np.zeros((len(several), down + up + 1))
        self.pending[:, 0] = 1.0

    def gained(self) -> np.ndarray:
        """v_k y_k of the height whose turn it is, by chart; the next one's turn comes."""
        block, right, pending = self.block, self.right, self.pending
        pivot = block[:, :1, 0]
        share, weight = block[:, 1:, 0] / pivot, pending[:, :1] / pivot
        found = weight[:, 0] * right[:, 0]
        pending[:, :-1] = pending[:, 1:] - weight * block[:, 0, 1:]
        pending[:, -1] = 0.0
        block[:, :-1, :-1] = block[:, 1:, 1:] - share[:, :, None] * block[:, :1, 1:]
        right[:, :-1] = right[:, 1:] - share * right[:, :1]
        block[:, :-1, -1] = 0.0
        block[:, -1] = self.next_row
        right[:, -1] = 1.0
        return np.asarray(found)

    def keep(self, chosen: np.ndarray) -> None:
        """Go on with some of the charts."""
        self.block, self.next_row = self.block[chosen], self.next_row[chosen]
        self.right, self.pending = self.right[chosen], self.pending[chosen]


def _row(steps: Steps, height: int, at: int, up: int) -> np.ndarray:
    """A row of I - Q: columns from the height `at` below to the one `up` above; below 0 counts as 0."""
    row = np.zeros(at + up + 1)
    np.add.at(row, np.maximum(steps.size, -height) + at, -steps.chance)
    row[at] += 1.0
    return row

"""Small changes of a world that keep the sums: what one part gains another loses.

From one world that fits all that is written, these lead to many others without a linear programme each. Which of them
keep every written figure and rule, and how far they may be taken, is worked out for all at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from scipy import sparse


def moves_of(grids: list[np.ndarray], bundles: sparse.csr_matrix, free: np.ndarray) -> sparse.csc_matrix:
    """Candidates, one a column: +1 at a cell, or -1 at another of its line, or a rectangle of four.

    Args:
        grids: Each [site, procedure]: a column of `bundles`, or -1; those that may trade with each other.
        bundles: [unknown, cell]: the unknowns that change together.
        free: bool, the unknowns that may change at all.
    """
    if not bundles.shape[1]:
        return sparse.csc_matrix((bundles.shape[0], 0))
    cells = np.stack(grids)
    stuck = np.asarray(bundles[~free].sum(axis=0)).ravel() > 0
    cells = np.where((cells >= 0) & ~stuck[np.maximum(cells, 0)], cells, -1)
    plus: list[np.ndarray] = []
    minus: list[np.ndarray] = []
    for several, signs in _patterns(cells):
        plus.append(np.stack([several[:, at] for at, sign in enumerate(signs) if sign > 0], axis=1))
        minus.append(
            np.stack([several[:, at] for at, sign in enumerate(signs) if sign < 0], axis=1)
            if -1 in signs
            else several[:, :0]
        )
    return _columns(plus, minus, bundles)


def _patterns(cells: np.ndarray) -> Iterator[tuple[np.ndarray, tuple[int, ...]]]:
    _, sites, procedures = cells.shape
    yield _kept(cells.reshape(-1, 1)), (1,)
    for one, other in combinations(range(procedures), 2):
        yield _kept(np.stack([cells[:, :, one], cells[:, :, other]], axis=-1)), (1, -1)
    for one, other in combinations(range(sites), 2):
        yield _kept(np.stack([cells[:, one, :], cells[:, other, :]], axis=-1)), (1, -1)
        for p, q in combinations(range(procedures), 2):
            corners = [cells[:, one, p], cells[:, one, q], cells[:, other, p], cells[:, other, q]]
            yield _kept(np.stack(corners, axis=-1)), (1, -1, -1, 1)


def _kept(several: np.ndarray) -> np.ndarray:
    flat = several.reshape(-1, several.shape[-1])
    return flat[(flat >= 0).all(axis=1)]


def _columns(
    plus: list[np.ndarray], minus: list[np.ndarray], bundles: sparse.csr_matrix
) -> sparse.csc_matrix:
    number = sum(len(each) for each in plus)
    rows, columns, values = [], [], []
    at = 0
    for gains, losses in zip(plus, minus, strict=True):
        own = np.arange(at, at + len(gains))
        for side, sign in ((gains, 1.0), (losses, -1.0)):
            rows.append(side.ravel())
            columns.append(np.repeat(own, side.shape[1]))
            values.append(np.full(side.size, sign))
        at += len(gains)
    shape = (bundles.shape[1], number)
    pattern = sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape
    )
    one_way = (bundles @ pattern).tocsc()
    return sparse.hstack([one_way, -one_way], format="csc")


def steps(changes: sparse.csr_matrix, room: np.ndarray) -> np.ndarray:
    """How often each move may be taken: `changes` [limit, move] eats into `room` [limit]. Whole numbers."""
    eaten = changes.tocoo()
    uses = eaten.data > 1e-9
    most = np.full(changes.shape[1], np.inf)
    np.minimum.at(most, eaten.col[uses], room[eaten.row[uses]] / eaten.data[uses])
    return np.floor(most + 1e-9)

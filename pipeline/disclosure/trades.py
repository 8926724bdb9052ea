"""Which unknowns may trade with each other when a world is changed a little."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import numpy as np
from scipy import sparse

from pipeline.disclosure.sheet import Public
from pipeline.disclosure.unknowns import Unknowns, matrix_of


def trades_of(unknowns: Unknowns, public: Public, total: int) -> tuple[list[np.ndarray], sparse.csr_matrix]:
    """Grids of cells that may trade, and the unknowns each cell changes: see `moves.moves_of`.

    Events alone or with those of all later or all earlier windows; lost alone or in all outcomes followed alike; cases.
    """
    grids: list[np.ndarray] = []
    pairs: list[np.ndarray] = []
    cells = 0
    for sets, changed in _kinds(unknowns, public):
        for chosen in sets:
            grid, pair = _grid(unknowns, chosen, changed, cells)
            grids.append(grid)
            pairs.append(pair)
            cells += int((grid >= 0).sum())
    both = np.unique(np.concatenate(pairs), axis=0) if pairs else np.zeros((0, 2), dtype=np.int64)
    return grids, matrix_of(both[:, 0], both[:, 1], 1.0, (total, cells))


def _kinds(unknowns: Unknowns, public: Public) -> list[tuple[list[np.ndarray], list[np.ndarray]]]:
    """Sets of tables, and the unknowns of them that change together."""
    tables = unknowns.grid.tables
    each = [np.array([at]) for at in range(len(tables))]
    chains = _sets(tables.groupby(["figures_of", "category", "level"], sort=True).indices)
    later = [chain[at:] for chain in chains for at in range(len(chain) - 1)]
    earlier = [chain[:at] for chain in chains for at in range(2, len(chain))]
    way = tables["category"].map(dict(public.seen_in)).fillna("records").to_numpy()
    named = tables.assign(closing=unknowns.closing, way=way)
    return [
        ([*each, *later, *earlier], [unknowns.events]),
        (each, [unknowns.lost]),
        (_sets(named.groupby(["closing", "way"], sort=True).indices), [unknowns.lost, unknowns.unwatched]),
        (_sets(named.groupby("closing", sort=True).indices), [unknowns.cases]),
    ]


def _sets(groups: Mapping[Hashable, object]) -> list[np.ndarray]:
    return [np.asarray(several, dtype=np.int64) for several in groups.values()]


def _grid(
    unknowns: Unknowns, tables: np.ndarray, changed: list[np.ndarray], first: int
) -> tuple[np.ndarray, np.ndarray]:
    """Cells numbered from `first` wherever one of the tables has a part; and (unknown, cell) pairs."""
    own = unknowns.cell[tables][:, 1:, 1:]
    there = (own >= 0).any(axis=0)
    grid = np.full(there.shape, -1, dtype=np.int64)
    grid[there] = first + np.arange(int(there.sum()))
    table, site, procedure = np.nonzero(own >= 0)
    part, cell = own[table, site, procedure], grid[site, procedure]
    return grid, np.concatenate([np.stack([number[part], cell], axis=1) for number in changed])

"""The unknowns of an outward edition: how they are numbered, and matrices over them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse

from pipeline.disclosure.sheet import Grid, Public


@dataclass(frozen=True)
class Linear:
    """Rows of `matrix @ x`; each of them is one question or one rule."""

    matrix: sparse.csr_matrix
    value: np.ndarray


@dataclass(frozen=True)
class Unknowns:
    """Numbers of the unknowns: by part (row of one site and procedure), and shared ones of the parts."""

    grid: Grid
    table: np.ndarray  # of each part
    site: np.ndarray
    procedure: np.ndarray
    cell: np.ndarray  # [table, site, procedure]: the part there, -1
    closing: np.ndarray  # [table]: which date and window
    cases: np.ndarray  # of each part: number of its unknown
    unwatched: np.ndarray
    count: int

    @property
    def parts(self) -> int:
        return len(self.table)

    @property
    def lost(self) -> np.ndarray:
        return np.arange(self.parts)

    @property
    def events(self) -> np.ndarray:
        return self.parts + np.arange(self.parts)


def unknowns_of(grid: Grid, public: Public) -> Unknowns:
    """Lost and events of each part; then cases and, by way of following, who would be lost without events."""
    table, site, procedure = np.nonzero(grid.parts)
    cell = np.full(grid.row.shape, -1, dtype=np.int64)
    cell[table, site, procedure] = np.arange(len(table))
    closing = grid.tables.groupby(["figures_of", "window_days"], sort=True).ngroup().to_numpy()
    way = grid.tables["category"].map(dict(public.seen_in)).fillna("records").to_numpy()
    watched = (
        pd.DataFrame({"closing": closing, "way": way})
        .groupby(["closing", "way"], sort=True)
        .ngroup()
        .to_numpy()
    )
    first = 2 * len(table)
    cases, distinct = _numbered(closing[table], site, procedure)
    unwatched, more = _numbered(watched[table], site, procedure)
    count = first + distinct + more
    return Unknowns(
        grid, table, site, procedure, cell, closing, first + cases, first + distinct + unwatched, count
    )


def _numbered(*keys: np.ndarray) -> tuple[np.ndarray, int]:
    if not len(keys[0]):
        return np.zeros(0, dtype=np.int64), 0
    distinct, number = np.unique(np.stack(keys, axis=1), axis=0, return_inverse=True)
    return number.reshape(-1), len(distinct)


def matrix_of(
    rows: np.ndarray, columns: np.ndarray, values: np.ndarray | float, shape: tuple[int, int]
) -> sparse.csr_matrix:
    filled = np.broadcast_to(np.asarray(values, dtype=float), np.shape(rows))
    return sparse.csr_matrix((filled, (rows, columns)), shape=shape)


@dataclass(frozen=True)
class Terms:
    """Rules before they are a matrix: factor × unknown, summed by rule, is at most `most`."""

    rule: np.ndarray
    unknown: np.ndarray
    factor: np.ndarray
    most: np.ndarray


def at_most_nought(terms: list[tuple[np.ndarray, float]]) -> Terms:
    """One rule a position: the sum of factor × unknown is at most 0."""
    number = len(terms[0][0])
    return Terms(
        np.tile(np.arange(number), len(terms)), np.concatenate([unknown for unknown, _ in terms]),
        np.repeat([float(factor) for _, factor in terms], number), np.zeros(number),
    )  # fmt: skip


def linear_of(several: list[Terms], columns: int) -> Linear:
    """All rules as one matrix."""
    starts = np.cumsum([0, *(len(each.most) for each in several)])
    rule = [each.rule + start for each, start in zip(several, starts, strict=False)]
    joined = [
        np.concatenate([np.zeros(0), *own])
        for own in zip(*((each.unknown, each.factor, each.most) for each in several), strict=True)
    ]
    unknown, factor, most = joined
    rows = np.concatenate([np.zeros(0), *rule])
    return Linear(
        matrix_of(rows.astype(np.int64), unknown.astype(np.int64), factor, (len(most), columns)), most
    )


def stacked(rules: list[Linear]) -> Linear:
    return Linear(
        sparse.vstack([rule.matrix for rule in rules], format="csr"),
        np.concatenate([rule.value for rule in rules]),
    )

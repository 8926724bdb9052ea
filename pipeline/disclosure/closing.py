"""A first set of further gaps: in each line of a table that holds a gap there must be another, or it is a subtraction.

A line is one sum: a procedure at all sites, or all procedures at a site. What is chosen here is quick and nearly
enough; `hiding` then attacks it and adds what is missing.
"""

from __future__ import annotations

import numpy as np

#: What it costs to hide a cell: sums are read most.
CELL, SUM, GRAND = 1.0, 1.4, 2.0
ALONE_ACROSS = 1.0  # its other line would need one more
NOT_ENOUGH = 1.2  # the gaps of the line could still be told within a few patients


def closed(hidden: np.ndarray, value: np.ndarray, smallest: int) -> np.ndarray:
    """The gaps, and more of them, until no line can be subtracted or told within `smallest`.

    Args:
        hidden: bool [table, site, procedure]; place 0 holds the sums.
        value: The same, NaN where there is no row.
    """
    hidden = hidden & ~np.isnan(value)
    while True:
        before = hidden.sum()
        hidden = _along_sites(hidden, value, smallest)
        turned = _along_sites(hidden.swapaxes(1, 2), value.swapaxes(1, 2), smallest)
        hidden = turned.swapaxes(1, 2)
        if hidden.sum() == before:
            return hidden


def _along_sites(hidden: np.ndarray, value: np.ndarray, smallest: int) -> np.ndarray:
    """One more gap in each line along the sites that needs one, until none does."""
    there = ~np.isnan(value)
    hidden = hidden.copy()
    for _ in range(value.shape[1]):
        lacks = _lacks(hidden, value, there, smallest)
        if not (lacks > 0).any():
            return hidden
        table, procedure = np.nonzero(lacks > 0)
        cost = _cost(hidden, value, there, lacks)[table, :, procedure]
        site = np.argmin(cost, axis=1)
        possible = np.isfinite(cost[np.arange(len(site)), site])
        if not possible.any():
            return hidden
        hidden[table[possible], site[possible], procedure[possible]] = True
    return hidden


def _lacks(hidden: np.ndarray, value: np.ndarray, there: np.ndarray, smallest: int) -> np.ndarray:
    """[table, procedure]: how much the gaps of a line fall short; 0 where they do not or there are none."""
    filled = np.where(hidden, np.nan_to_num(value), 0)
    parts, sums = hidden[:, 1:], hidden[:, 0]
    gaps, amount = parts.sum(axis=1), filled[:, 1:].sum(axis=1)
    shown = there[:, 0] & ~sums
    short = np.where(shown & (gaps > 0), np.maximum(smallest - amount, (gaps < 2) * 1.0), 0)
    return np.where(sums & (gaps == 0), 1.0, short)


def _cost(hidden: np.ndarray, value: np.ndarray, there: np.ndarray, lacks: np.ndarray) -> np.ndarray:
    weight = np.full(hidden.shape[1:], CELL)
    weight[0, :] = weight[:, 0] = SUM
    weight[0, 0] = GRAND
    across = hidden.sum(axis=2, keepdims=True) - hidden
    enough = np.nan_to_num(value) >= lacks[:, None, :]
    enough[:, 0, :] = True
    cost = (
        weight
        + ALONE_ACROSS * (across == 0)
        + NOT_ENOUGH * ~enough
        + 1e-4 * np.minimum(np.nan_to_num(value), 999)
    )
    return np.where(there & ~hidden, cost, np.inf)

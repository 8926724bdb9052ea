"""Every record beside every operation of its patient: the small join on which attribution rests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Pairs:
    """`left[i]` and `right[i]` are positions that share a key; sorted by left, then right."""

    left: np.ndarray
    right: np.ndarray

    def where(self, keep: np.ndarray) -> Pairs:
        return Pairs(self.left[keep], self.right[keep])


def pairs_on(left_key: np.ndarray, right_key: np.ndarray) -> Pairs:
    """All pairs with equal keys. `right_key` must be sorted; negative keys pair with nothing.

    Args:
        left_key: (n,) int64.
        right_key: (m,) int64, ascending.
    """
    low, high = _bounds(left_key, right_key)
    many = np.where(left_key < 0, 0, high - low)
    left = np.repeat(np.arange(len(left_key)), many)
    offset = np.arange(len(left)) - np.repeat(np.cumsum(many) - many, many)
    return Pairs(left, low[left] + offset)


def _bounds(wanted: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the run of each wanted key begins and ends among the known ones; looked up in a list where keys are dense."""
    largest = max(int(known[-1]), -1) if len(known) else -1
    if largest > 4 * (len(known) + len(wanted)):
        low, high = (np.searchsorted(known, wanted, side=side) for side in ("left", "right"))
        return low, high
    begins = np.searchsorted(known, np.arange(largest + 3))
    place = np.clip(wanted, 0, largest + 1)
    return begins[place], begins[place + 1]


def last_of(pairs: Pairs, size: int) -> np.ndarray:
    """(size,) position on the right of the last pair of each left, -1 without a pair."""
    last = np.full(size, -1, dtype=np.int64)
    last[pairs.left] = pairs.right  # the last assignment stands: pairs are sorted by left, then right
    return last


def first_of(pairs: Pairs, size: int) -> np.ndarray:
    """(size,) position on the right of the first pair of each left, -1 without a pair."""
    first = np.full(size, -1, dtype=np.int64)
    first[pairs.left[::-1]] = pairs.right[::-1]
    return first


def has_any(pairs: Pairs, size: int) -> np.ndarray:
    """(size,) bool: the left has a pair."""
    return np.bincount(pairs.left, minlength=size).astype(bool)

"""Pieces of work that need nothing of each other, on all cores: Arrow and numpy compute outside Python's lock."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Piece = TypeVar("Piece")
Result = TypeVar("Result")

#: Below this, starting threads costs more than it gains; above four, memory grows faster than speed.
FEWEST_ROWS, MOST_THREADS = 50_000, 4


def in_order(work: Callable[[Piece], Result], pieces: Sequence[Piece], rows: int) -> list[Result]:
    """What `work` gives for each piece, in the order of the pieces whatever finishes first.

    Args:
        work: Changes nothing that another piece reads.
        pieces: Of any size; an exception of the first that fails is raised.
        rows: How many rows all pieces hold together.
    """
    threads = min(len(pieces), os.cpu_count() or 1, MOST_THREADS)
    if threads < 2 or rows < FEWEST_ROWS:
        return [work(piece) for piece in pieces]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, pieces))

"""Pieces of work that need nothing of each other, on all cores: Arrow and numpy compute outside Python's lock."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

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
    many = min(len(pieces), threads())
    if many < 2 or rows < FEWEST_ROWS:
        return [work(piece) for piece in pieces]
    with ThreadPoolExecutor(many) as pool:
        return list(pool.map(work, pieces))


def threads() -> int:
    """How many may work at a time."""
    return min(os.cpu_count() or 1, MOST_THREADS)


def at_once(rows: int, *tasks: Callable[[], Any]) -> list[Any]:
    """What each of several tasks gives; they change nothing that another reads."""
    return in_order(lambda task: task(), tasks, rows)


def begun(rows: int, task: Callable[[], Result]) -> Callable[[], Result]:
    """Begin with a task that changes nothing others read.

    Args:
        rows: How many rows it works on; with few, it is done when it is asked for.

    Returns:
        What waits for its end and gives its result, or raises what it raised.
    """
    if threads() < 2 or rows < FEWEST_ROWS:
        return task
    pool = ThreadPoolExecutor(1, "meanwhile")
    result = pool.submit(task).result
    pool.shutdown(wait=False)
    return result

"""Work on several cores gives what work on one gives."""

from __future__ import annotations

import threading
from time import sleep

import pytest

from pipeline.side_by_side import FEWEST_ROWS, at_once, in_order


def test_results_come_in_the_order_of_the_pieces() -> None:
    def slow_first(number: int) -> int:
        sleep(0.05 if number == 0 else 0)
        return number * number

    assert in_order(slow_first, range(4), FEWEST_ROWS) == [0, 1, 4, 9]


def test_few_rows_stay_in_one_thread() -> None:
    here = threading.get_ident()
    assert in_order(lambda _: threading.get_ident(), [1, 2, 3], FEWEST_ROWS - 1) == [here] * 3


def test_an_exception_reaches_the_caller() -> None:
    def fails(number: int) -> None:
        raise LookupError(str(number))

    with pytest.raises(LookupError, match="0"):
        in_order(fails, [0, 1], FEWEST_ROWS)


def test_tasks_at_once_give_their_results_in_their_order() -> None:
    def slow() -> str:
        sleep(0.05)
        return "first"

    for rows in (0, FEWEST_ROWS):
        assert at_once(rows, slow, lambda: "second") == ["first", "second"]

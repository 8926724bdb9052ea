"""Work on several cores gives what work on one gives."""

from __future__ import annotations

import threading
from time import sleep

import pytest

from pipeline.side_by_side import FEWEST_ROWS, at_once, begun, in_order, threads


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


@pytest.mark.skipif(threads() < 2, reason="one processor: nothing goes on meanwhile")
def test_what_is_begun_goes_on_meanwhile_and_gives_its_result() -> None:
    here, going = threading.get_ident(), threading.Event()

    def waits() -> int:
        assert going.wait(10)
        return threading.get_ident()

    result = begun(FEWEST_ROWS, waits)
    going.set()
    assert result() != here


def test_with_few_rows_it_is_done_when_asked_for() -> None:
    done: list[int] = []
    result = begun(FEWEST_ROWS - 1, lambda: done.append(1))
    assert done == []
    result()
    assert done == [1]


def test_what_fails_meanwhile_is_raised_where_it_is_asked_for() -> None:
    def fails() -> None:
        raise LookupError("meanwhile")

    for rows in (0, FEWEST_ROWS):
        with pytest.raises(LookupError, match="meanwhile"):
            begun(rows, fails)()

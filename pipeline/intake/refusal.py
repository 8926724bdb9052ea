"""Why a file or sheet is set aside whole."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


class Refusal(Exception):
    """Raised while reading one file and turned into a finding by the receiver; never leaves this stage.

    Attributes:
        rule: Code in the catalogue of findings.
        message: What was got, what was expected, what to do; holds no cell values.
        line: Physical line or sheet row the trouble starts at, if one can be named.
        column: The contract's column it is about, if it is about one.
        rows_read: Records counted before the file was given up.
    """

    def __init__(self, rule: str, message: str, line: int | None = None, column: str = "") -> None:
        super().__init__(message)
        self.rule = rule
        self.message = message
        self.line = line
        self.column = column
        self.rows_read = 0


@contextmanager
def rows_counted(rows_read: int) -> Iterator[None]:
    """A refusal raised inside carries the number of rows that were counted before."""
    try:
        yield
    except Refusal as refusal:
        refusal.rows_read = max(rows_read, 0)
        raise

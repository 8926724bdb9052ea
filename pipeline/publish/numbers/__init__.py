"""The lists behind printed numbers: a number leads to the cases it was counted from."""

from __future__ import annotations

from pipeline.publish.numbers.register import Register
from pipeline.publish.numbers.whose import Whose

__all__ = ["Register", "Whose"]

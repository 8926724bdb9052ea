"""Frames put in order by columns of whole numbers or words; cheap where they are nearly in order already."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

#: Codes stay below it.
MOST = 2**62


def in_order(frame: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """As `sort_values(by, kind="stable", ignore_index=True)`, of columns without missing values.

    The columns become one number a row, so that what is in order is left alone, and a few runs that are each in order
    are merged.
    """
    order = new_order_of(frame, by)
    return (frame if order is None else frame.iloc[order]).reset_index(drop=True)


def order_of(frame: pd.DataFrame, by: Sequence[str]) -> np.ndarray:
    """int64 [row]: where the rows stand that `in_order` would give, one after the other."""
    order = new_order_of(frame, by)
    return np.arange(len(frame)) if order is None else order


def new_order_of(frame: pd.DataFrame, by: Sequence[str]) -> np.ndarray | None:
    """The same; None where the rows are in order already."""
    code = _codes(frame, by)
    if code is None:
        return np.lexsort([_numbers(frame[name]) for name in reversed(by)])
    return np.argsort(code, kind="stable") if (code[1:] < code[:-1]).any() else None


def _codes(frame: pd.DataFrame, by: Sequence[str]) -> np.ndarray | None:
    """int64 [row], rising as the columns do; None where they span too much for it."""
    code, size = np.zeros(len(frame), np.int64), 1
    for name in by:
        column = _numbers(frame[name])
        low = int(column.min(initial=0))
        width = int(column.max(initial=0)) - low + 1
        size *= width
        if size >= MOST:
            return None
        code = code * width + (column - low)
    return code


def _numbers(column: pd.Series) -> np.ndarray:
    if column.dtype.kind in "iub":
        return column.to_numpy(np.int64)
    return pd.factorize(column, sort=True)[0].astype(np.int64)

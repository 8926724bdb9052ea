"""Freed memory goes back to the system: what one stage needed is not held while the next one runs."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.memory import given_back


def _resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.mark.skipif(sys.platform != "linux", reason="says how much memory a process holds")
def test_freed_memory_is_given_back() -> None:
    """4,000 arrays of 32 KB are 128 MB in the heap; the last of them stays, so that the top of the heap is not free."""
    held = [np.ones(4096) for _ in range(4000)]
    full = _resident_mb()
    held[:-1] = []
    given_back()
    assert full - _resident_mb() > 100
    assert held[0][0] == 1

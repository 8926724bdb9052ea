"""Child processes that end when the process that started them does."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable

#: From the kernel's <linux/prctl.h>.
SET_PARENT_DEATH_SIGNAL = 1


def ends_with_its_parent() -> Callable[[], None] | None:
    """What a child does before it begins, so that the kernel ends it when its parent is killed (Linux alone can)."""
    if sys.platform != "linux":
        return None
    import ctypes

    control = ctypes.CDLL(None, use_errno=True).prctl
    return lambda: control(SET_PARENT_DEATH_SIGNAL, signal.SIGTERM)

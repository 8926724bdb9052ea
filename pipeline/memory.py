"""Memory that nothing uses any more, given back to the system: allocators would keep it for the next stage."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import lru_cache


def given_back() -> None:
    """Free what Arrow's pool and the C library hold in reserve. No result depends on it; only the peak does."""
    if "pyarrow" in sys.modules:
        import pyarrow as pa

        pa.default_memory_pool().release_unused()
    _trim()(0)


@lru_cache(maxsize=1)
def _trim() -> Callable[[int], object]:
    """`malloc_trim` of the GNU C library, under whose arenas frames of numpy lie; elsewhere nothing is done."""
    import ctypes

    if sys.platform != "linux":
        return lambda _pad: None
    found: Callable[[int], object] | None = getattr(ctypes.CDLL(None), "malloc_trim", None)
    return found or (lambda _pad: None)

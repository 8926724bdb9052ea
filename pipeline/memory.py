"""Memory that nothing uses any more, given back to the system: allocators would keep it for the next stage."""

from __future__ import annotations

import mmap
import sys
import weakref
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

_MAPPED: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()


def mapped(path: Path) -> mmap.mmap:
    """What a file holds (not nothing), read where it is looked at.

    The file loses its name at once, where the system allows that, and its place on the disk when nobody looks at it any
    more: nothing is left of a run that was killed.
    """
    with path.open("rb") as stream:
        content = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
    _MAPPED.add(content)
    with suppress(OSError):
        path.unlink()
    return content


def given_back() -> None:
    """Free what Arrow's pool and the C library hold in reserve, and drop the pages of mapped files, which are read again
    where they are needed. No result depends on it; only the peak does.
    """
    if "pyarrow" in sys.modules:
        import pyarrow as pa

        pa.default_memory_pool().release_unused()
    _trim()(0)
    if hasattr(mmap, "MADV_DONTNEED"):
        for content in list(_MAPPED):
            content.madvise(mmap.MADV_DONTNEED)


@lru_cache(maxsize=1)
def _trim() -> Callable[[int], object]:
    """`malloc_trim` of the GNU C library, under whose arenas frames of numpy lie; elsewhere nothing is done."""
    import ctypes

    if sys.platform != "linux":
        return lambda _pad: None
    found: Callable[[int], object] | None = getattr(ctypes.CDLL(None), "malloc_trim", None)
    return found or (lambda _pad: None)

"""Values in files: arrays lie there as they are, apart from what says how they belong together.

So a value can be mapped into memory: each array is read when it is looked at, and the system may drop its pages again.
They are pickled: who may write into the folder (it is the owner's alone) is trusted as much as the program itself.
"""

from __future__ import annotations

import mmap
import pickle
import secrets
import struct
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import store
from pipeline.memory import mapped

#: Arrays begin at multiples of it.
ALIGNED = 64
#: At the end of a file: where the list of places begins.
_LAST = struct.Struct("<Q")


def lay(value: object, path: Path) -> None:
    """Write a value so that nobody ever sees half of it."""
    _write(value, path, [])


def fetched(path: str | Path) -> Any:
    """The value, read into memory."""
    return _value(memoryview(Path(path).read_bytes()), [])


def put(value: Any, path: Path) -> Any:
    """The same value, lying in a file and mapped. Its arrays cannot be changed; those that are mapped already stay where they
    are.
    """
    elsewhere: list[np.ndarray] = []
    _write(value, path, elsewhere, keep_mapped=True)
    del value
    return _value(memoryview(mapped(path)), elsewhere)


class _Pickler(pickle.Pickler):
    """Leaves mapped arrays out, and says which they were."""

    def __init__(
        self, stream: BytesIO, buffers: list[pickle.PickleBuffer], elsewhere: list[np.ndarray]
    ) -> None:
        super().__init__(stream, pickle.HIGHEST_PROTOCOL, buffer_callback=buffers.append)
        self._elsewhere = elsewhere

    def persistent_id(self, value: object) -> int | None:
        if not (isinstance(value, np.ndarray) and _is_mapped(value)):
            return None
        self._elsewhere.append(value)
        return len(self._elsewhere) - 1


class _Unpickler(pickle.Unpickler):
    def __init__(
        self, stream: BytesIO, buffers: Sequence[memoryview], elsewhere: Sequence[np.ndarray]
    ) -> None:
        super().__init__(stream, buffers=buffers)
        self._elsewhere = elsewhere

    def persistent_load(self, number: int) -> np.ndarray:
        return self._elsewhere[number]


def _is_mapped(array: np.ndarray) -> bool:
    base: object = array
    while isinstance(base, np.ndarray):
        base = base.base
    return isinstance(base, memoryview) and isinstance(base.obj, mmap.mmap)


def _write(value: object, path: Path, elsewhere: list[np.ndarray], keep_mapped: bool = False) -> None:
    buffers: list[pickle.PickleBuffer] = []
    head = BytesIO()
    if keep_mapped:
        _Pickler(head, buffers, elsewhere).dump(value)
    else:
        pickle.dump(value, head, pickle.HIGHEST_PROTOCOL, buffer_callback=buffers.append)
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    with open(aside, "wb", opener=store.opened_privately) as stream:
        places = []
        for content in (*(buffer.raw() for buffer in buffers), head.getbuffer()):
            stream.write(b"\0" * (-stream.tell() % ALIGNED))
            places.append((stream.tell(), content.nbytes))
            stream.write(content)
        start = stream.tell()
        pickle.dump(places, stream)
        stream.write(_LAST.pack(start))
    aside.replace(path)


def _value(content: memoryview, elsewhere: Sequence[np.ndarray]) -> Any:
    (start,) = _LAST.unpack(content[-_LAST.size :])
    places: Sequence[tuple[int, int]] = pickle.loads(content[start : -_LAST.size])
    *buffers, head = (content[at : at + size] for at, size in places)
    return _Unpickler(BytesIO(head), buffers, elsewhere).load()

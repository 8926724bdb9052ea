"""Values in files: arrays lie there as they are, apart from what says how they belong together.

So a value can be mapped into memory: each array is read when it is looked at, and the system may drop its pages again.
They are pickled: who may write into the folder (it is the owner's alone) is trusted as much as the program itself.
"""

from __future__ import annotations

import pickle
import secrets
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline import store
from pipeline.memory import mapped

#: Arrays begin at multiples of it.
ALIGNED = 64
#: At the end of a file: where the list of places begins.
_LAST = struct.Struct("<Q")


def lay(value: object, path: Path) -> None:
    """Write a value so that nobody ever sees half of it."""
    buffers: list[pickle.PickleBuffer] = []
    head = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL, buffer_callback=buffers.append)
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    with open(aside, "wb", opener=store.opened_privately) as stream:
        places = []
        for content in (*(buffer.raw() for buffer in buffers), memoryview(head)):
            stream.write(b"\0" * (-stream.tell() % ALIGNED))
            places.append((stream.tell(), content.nbytes))
            stream.write(content)
        start = stream.tell()
        pickle.dump(places, stream)
        stream.write(_LAST.pack(start))
    aside.replace(path)


def fetched(path: str | Path) -> Any:
    """The value, read into memory."""
    return _value(memoryview(Path(path).read_bytes()))


def put(value: Any, path: Path) -> Any:
    """The same value, lying in a file and mapped. Its arrays cannot be changed."""
    lay(value, path)
    del value
    return _value(memoryview(mapped(path)))


def _value(content: memoryview) -> Any:
    (start,) = _LAST.unpack(content[-_LAST.size :])
    places: Sequence[tuple[int, int]] = pickle.loads(content[start : -_LAST.size])
    *buffers, head = (content[at : at + size] for at, size in places)
    return pickle.loads(head, buffers=buffers)

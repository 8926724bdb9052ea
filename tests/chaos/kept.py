"""Files that were read on an earlier night are kept in this process, so that many nights can be gone through.

What is kept is looked up by all that a file's reading may depend on; that nothing else matters is itself put to the test,
by nights done without it and by the runs from nothing. What was checked the program keeps itself (`pipeline.shelf`).
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from pipeline.intake import receive


class Kept:
    """While it is entered, no file is read that was before."""

    def __init__(self) -> None:
        self.files: dict[Any, Any] = {}
        self.usual = receive.receive_file

    def __enter__(self) -> None:
        receive.receive_file = self._receive_file

    def __exit__(self, *_: object) -> None:
        receive.receive_file = self.usual

    def _receive_file(self, arrival: Any, terms: Any, stated: int | None = None) -> Any:
        key = repr((arrival, terms, stated)), _digest(arrival)
        if key not in self.files:
            self.files[key] = self.usual(arrival, terms, stated)
        return self.files[key]


def _digest(arrival: Any) -> bytes:
    return hashlib.sha256(Path(arrival.path).read_bytes()).digest()

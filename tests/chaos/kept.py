"""Files that were read and checked on an earlier night are kept in this process, so that many nights can be gone through.

What is kept is looked up by all that a file's reading and checking may depend on; that nothing else matters is itself
put to the test, by nights done without it and by the runs from nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.intake import receive
from pipeline.validate import split


class Kept:
    """While it is entered, no file is read or checked that was before."""

    def __init__(self) -> None:
        self.files: dict[Any, Any] = {}
        self.exports: dict[Any, Any] = {}
        self.usual = receive.receive_file, split.checked_together

    def __enter__(self) -> None:
        receive.receive_file, split.checked_together = self._receive_file, self._checked_together

    def __exit__(self, *_: object) -> None:
        receive.receive_file, split.checked_together = self.usual

    def _receive_file(self, arrival: Any, terms: Any, stated: int | None = None) -> Any:
        key = repr((arrival, terms, stated)), _digest(arrival)
        if key not in self.files:
            self.files[key] = self.usual[0](arrival, terms, stated)
        return self.files[key]

    def _checked_together(self, wanted: Sequence[Any], settings: Any, places: Any) -> list[Any]:
        rules = repr((settings.sites, settings.sites_listed)), places
        keys = [(each.source, _lines(each), rules) for each in wanted]
        new = {key: each for key, each in zip(keys, wanted, strict=True) if key not in self.exports}
        made = self.usual[1](list(new.values()), settings, places) if new else []
        self.exports.update(zip(new, made, strict=True))
        return [self.exports[key] for key in keys]


def _lines(export: Any) -> bytes:
    """Which rows of the file are there: some are taken out on request."""
    return hashlib.sha256(export.rows["source_line"].to_numpy().tobytes()).digest()


def _digest(arrival: Any) -> bytes:
    return hashlib.sha256(Path(arrival.path).read_bytes()).digest()

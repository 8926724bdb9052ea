"""Values in files, one a field where they have fields, so that a part of one can be read without the rest.

They are pickled: who may write into the folder (it is the owner's alone) is trusted as much as the program itself.
"""

from __future__ import annotations

import pickle
import secrets
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from pipeline import store


def lay(value: object, path: Path) -> None:
    """Write a value so that nobody ever sees half of it."""
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    with open(aside, "wb", opener=store.opened_privately) as stream:
        pickle.dump(value, stream, protocol=pickle.HIGHEST_PROTOCOL)
    aside.replace(path)


def fetched(path: str) -> Any:
    with open(path, "rb") as stream:
        return pickle.load(stream)


class InFiles:
    """A value of fields that lies in a folder; a field is read each time it is asked for."""

    def __init__(self, kind: type, folder: Path) -> None:
        self._kind = kind
        self._folder = folder

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        return fetched(str(self._folder / name))

    def whole(self) -> Any:
        return self._kind(**{field.name: getattr(self, field.name) for field in fields(self._kind)})


def in_files(value: Any, folder: Path) -> Any:
    """A value of fields, laid in a folder; any other as it is."""
    if not is_dataclass(value) or isinstance(value, type):
        return value
    folder.mkdir(mode=0o700)
    for field in fields(value):
        lay(getattr(value, field.name), folder / field.name)
    return InFiles(type(value), folder)


def whole(piece: Any) -> Any:
    return piece.whole() if isinstance(piece, InFiles) else piece

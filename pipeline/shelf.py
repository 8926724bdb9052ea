"""What an earlier run worked out and a later one may take over: tables under the fingerprint of what they were made from.

Nothing here decides what a result is. An entry says itself what it was made from and has a checksum, so one that is
damaged, or stands under another's name, is noticed and made anew. Only what the last run used is kept: what that did not
ask for is deleted at its end, and with it the rows of patients who have been removed since.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import secrets
import time
from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import store

if TYPE_CHECKING:
    import pyarrow as pa

MAGIC = b"limbaudit kept 1\n"
SUFFIX, PART = ".kept", ".part"
#: A part of an entry that is older than this was left by a run that was killed.
HALF_WRITTEN_SECONDS = 3600
#: Libraries that results depend on.
LIBRARIES = ("numpy", "pandas", "pandera", "pyarrow", "scipy", "statsmodels", "great-tables", "typst")


class Shelf:
    """A folder of entries, for one run. Whatever is wrong with the folder, the run goes on without it.

    Attributes:
        troubles: Sentences for the person at the keyboard.
    """

    def __init__(self, folder: Path, group: str = "") -> None:
        self.folder = folder
        self.group = group
        self.taken = 0
        self._damaged = 0
        self._fault = ""
        self._left: list[str] = []
        self._used: set[str] = set()

    @property
    def troubles(self) -> tuple[str, ...]:
        said = []
        if self._damaged:
            entries = "entry" if self._damaged == 1 else "entries"
            said.append(
                f"{self._damaged} kept {entries} in {self.folder} could not be relied on and were made anew."
            )
        if self._fault:
            said.append(
                f"Not all could be kept in {self.folder} for the next run ({self._fault}). That costs time and nothing "
                "else; see to it that the folder can be written, or delete it."
            )
        if self._left:
            said.append(
                f"{len(self._left)} kept files that are no longer used could not be deleted, and may hold rows of removed "
                f"patients. Delete {self.folder}."
            )
        return tuple(said)

    def get(self, key: str) -> tuple[dict[str, pa.Table], Any] | None:
        """The tables kept under a key, and what was said with them; None where there is no sound entry."""
        self._used.add(key)
        try:
            content = (self.folder / f"{key}{SUFFIX}").read_bytes()
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError:
            content = b""
        found = _opened(content, key)
        self._damaged += found is None
        self.taken += found is not None
        return found

    def put(self, key: str, tables: Mapping[str, pa.Table], told: object) -> None:
        """Keep tables and whatever JSON holds under a key."""
        if self._fault:
            return
        self._used.add(key)
        fresh = self.folder / f"{key}.{secrets.token_hex(4)}{PART}"
        try:
            store.private_folder(self.folder, self.group)
            with open(fresh, "wb", opener=store.opened_privately) as stream:
                stream.writelines(_closed(key, tables, told))
            store.protect(fresh, self.group)
            os.replace(fresh, self.folder / f"{key}{SUFFIX}")
        except OSError as fault:
            self._fault = _said(fault)
            with suppress(OSError):
                fresh.unlink()

    def sweep(self) -> None:
        """Delete what this run did not ask for, and what broken-off runs left half written."""
        kept = {f"{key}{SUFFIX}" for key in self._used}
        try:
            found = sorted(self.folder.iterdir())
        except OSError:
            return
        for path in found:
            if path.name in kept or not self._is_done_with(path):
                continue
            try:
                path.unlink(missing_ok=True)
            except OSError:
                self._left.append(path.name)

    @staticmethod
    def _is_done_with(path: Path) -> bool:
        """An entry, or a part of one that nobody can be writing any more."""
        if path.suffix != PART:
            return path.suffix == SUFFIX
        try:
            return time.time() - path.stat().st_mtime > HALF_WRITTEN_SECONDS
        except OSError:
            return False


def _said(fault: OSError) -> str:
    return fault.strerror or type(fault).__name__


def _closed(key: str, tables: Mapping[str, pa.Table], told: object) -> list[bytes | pa.Buffer]:
    """An entry: a line that names the format, one of JSON, then the tables one after the other."""
    parts = {name: _streamed(table) for name, table in tables.items()}
    digest = hashlib.sha256()
    for part in parts.values():
        digest.update(part)
    head = {
        "key": key,
        "sizes": {name: part.size for name, part in parts.items()},
        "sha256": digest.hexdigest(),
        "told": told,
    }
    line = json.dumps(head, sort_keys=False, ensure_ascii=True).encode()
    return [MAGIC, hashlib.sha256(line).hexdigest().encode(), b"\n", line, b"\n", *parts.values()]


def _opened(content: bytes, key: str) -> tuple[dict[str, pa.Table], Any] | None:
    """The same read back; None where anything about it is not as it was written."""
    import pyarrow as pa

    stream = io.BytesIO(content)
    magic, digest, line = (stream.readline().removesuffix(b"\n") for _ in range(3))
    body = memoryview(content)[stream.tell() :]
    if magic + b"\n" != MAGIC or hashlib.sha256(line).hexdigest().encode() != digest:
        return None
    head = json.loads(line)
    if head["key"] != key or hashlib.sha256(body).hexdigest() != head["sha256"]:
        return None
    tables, start, whole = {}, 0, pa.py_buffer(body)
    for name, size in head["sizes"].items():
        tables[name] = pa.ipc.open_stream(whole.slice(start, size)).read_all()
        start += size
    return tables, head["told"]


def _streamed(table: pa.Table) -> pa.Buffer:
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression="lz4")
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_table(table)
    return sink.getvalue()


class Fingerprint:
    """Adds up to a key: of values by their text, of tables by their bytes."""

    def __init__(self, *values: object) -> None:
        self._hash = hashlib.blake2b(digest_size=20)
        self.add(*values)

    def add(self, *values: object) -> None:
        """Values whose `repr` tells all that matters."""
        for value in values:
            text = repr(value).encode("utf-8", "surrogatepass")
            self._hash.update(b"%d:" % len(text))
            self._hash.update(text)

    def add_table(self, table: pa.Table | None) -> None:
        """Column names, types and every cell, whatever the chunks."""
        import pyarrow as pa

        if table is None:
            self.add(None)
            return
        self.add(table.schema.to_string(), table.num_rows)
        sink = _Hashing(self._hash)
        for at in range(table.num_columns):
            whole = table.select([at]).combine_chunks()
            with pa.ipc.new_stream(pa.PythonFile(sink, mode="w"), whole.schema) as writer:
                writer.write_table(whole)

    @property
    def key(self) -> str:
        return self._hash.hexdigest()


class _Hashing:
    """A file that is only hashed."""

    closed = False

    def __init__(self, into: Any) -> None:
        self._into = into
        self._at = 0

    def write(self, content: bytes) -> int:
        self._into.update(content)
        self._at += len(content)
        return len(content)

    def tell(self) -> int:
        return self._at

    def flush(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        self.closed = True


@lru_cache(maxsize=1)
def program_fingerprint() -> str:
    """Of this program's own files, of Python and of the libraries that results depend on."""
    import platform
    from importlib.metadata import version

    found = Fingerprint(platform.python_version(), [version(name) for name in LIBRARIES])
    root = Path(__file__).parents[1]
    for path in _files(root / "pipeline", root / "schemas"):
        found.add(path.relative_to(root).as_posix(), store.sha256_of(path))
    return found.key


def _files(*folders: Path) -> Iterable[Path]:
    for folder in folders:
        yield from sorted(
            path for path in folder.rglob("*") if path.is_file() and "__pycache__" not in path.parts
        )

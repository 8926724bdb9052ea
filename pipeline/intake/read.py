"""One received file's bytes: hashed, unpacked, of a kind this program reads."""

from __future__ import annotations

import errno
import gzip
import hashlib
import io
import os
import stat
import zlib
from dataclasses import dataclass
from pathlib import Path

from pipeline.intake.arrivals import Arrival
from pipeline.intake.csv_reading import read_delimited
from pipeline.intake.cut import Cut
from pipeline.intake.encoding import decoded
from pipeline.intake.header import Wanted
from pipeline.intake.parquet import read_parquet, stored_parquet
from pipeline.intake.records import counted_records
from pipeline.intake.refusal import Refusal

#: Limit of what a compressed file or workbook may unpack to.
LARGEST_UNPACKED_BYTES = 4 << 30
#: Records pack to a tenth or a twentieth of their size; what grows this much more is a bomb or nothing but blanks.
MOST_TIMES_ITS_SIZE = 200
MOST_UNPACKED_UNSUSPECTED = 1 << 26
#: Limit of a file as it lies on disk.
LARGEST_FILE_BYTES = 16 << 30
CHUNK_BYTES = 1 << 24
OWN_DELIMITER = {"csv": ",", "txt": ",", "tsv": "\t"}
ENDINGS = (*OWN_DELIMITER, "xlsx", "parquet")
_ARCHIVE_MARKS = (
    b"PK\x03\x04",
    b"PK\x05\x06",
    b"7z\xbc\xaf",
    b"Rar!",
    b"\x1f\x8b",
    b"\xd0\xcf\x11\xe0",
    b"%PDF",
)
_LINK = "is a link, and links are not followed"
#: Never through a link, never waiting for the other end of a pipe (where the system knows these).
_SAFELY = (
    os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
)
_MACRO_ENDINGS = ("xlsm", "xlsb", "xltm", "xls")
_ARCHIVE_ENDINGS = ("zip", "7z", "rar", "tar", "tgz", "bz2", "xz", "zst")


@dataclass(frozen=True)
class Opened:
    """A file's unpacked bytes; `kind` is its ending."""

    kind: str
    content: bytes


def digest(stored: bytes) -> str:
    """SHA-256 of a file as it lies on disk."""
    return hashlib.sha256(stored).hexdigest()


def ending(file_name: str) -> str:
    """The ending that says how to read a file, lower-cased, `.gz` taken off."""
    return file_name.lower().removesuffix(".gz").rpartition(".")[2]


def stored_bytes(arrival: Arrival) -> bytes:
    """The file as it lies on disk. Nothing but a regular file is ever opened for reading.

    Raises:
        Refusal: A link, a pipe or a device, too large, changed while it was read, or not to be opened.
    """
    name = arrival.name
    try:
        return _bytes_of(arrival.path, name)
    except OSError as error:
        what = _LINK if error.errno == errno.ELOOP else f"cannot be opened ({error.strerror})"
        remedy = "Put the file itself there" if error.errno == errno.ELOOP else "Check its permissions"
        raise _unreadable(name, what, remedy) from None


def _bytes_of(path: Path, name: str) -> bytes:
    if not stat.S_ISREG(path.lstat().st_mode) and not path.is_symlink():
        raise _unreadable(name, "is a pipe, a socket or a device", "Put a file there")
    with open(os.open(path, _SAFELY), "rb", buffering=0) as stream:
        before = os.fstat(stream.fileno())
        if not stat.S_ISREG(before.st_mode):
            raise _unreadable(name, "is a pipe, a socket or a device", "Put a file there")
        if before.st_size > LARGEST_FILE_BYTES:
            raise _too_large(name, f"has more than {LARGEST_FILE_BYTES >> 30} GiB")
        stored = stream.readall()
        after = os.fstat(stream.fileno())
    if len(stored) != before.st_size or after.st_mtime_ns != before.st_mtime_ns:
        raise _unreadable(name, "was written to while it was read", "Run again when copying has ended")
    return stored


def _too_large(name: str, what: str) -> Refusal:
    return Refusal("file_too_large", f"{name} {what}. Send it in parts.")


def opened(stored: bytes, name: str) -> Opened:
    """The file unpacked.

    Raises:
        Refusal: An archive, a locked or macro file, an ending this program does not read, or too large.
    """
    kind = ending(name)
    _refuse_other_kinds(kind, name)
    content = _unpacked(stored, name) if name.lower().endswith(".gz") else stored
    if kind in OWN_DELIMITER and content.startswith(_ARCHIVE_MARKS):
        raise _unreadable(name, f"is not text, as its ending {kind} says", "Send it as CSV, XLSX or Parquet")
    return Opened(kind, content)


def _unreadable(name: str, what: str, remedy: str) -> Refusal:
    return Refusal("file_unreadable", f"{name} {what}. {remedy}.")


def _refuse_other_kinds(kind: str, name: str) -> None:
    if kind in ENDINGS:
        return
    if kind in _ARCHIVE_ENDINGS:
        raise _unreadable(name, "is an archive, and archives are not opened", "Unpack it and send the files")
    if kind in _MACRO_ENDINGS:
        raise _unreadable(
            name, "may hold macros or is in an old format", "Save it as XLSX or CSV and send that"
        )
    raise _unreadable(name, "has an ending this program does not read", f"Send one of {', '.join(ENDINGS)}")


def _unpacked(stored: bytes, name: str) -> bytes:
    parts: list[bytes] = []
    size = 0
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(stored)) as packed:
            while part := packed.read(CHUNK_BYTES):
                parts.append(part)
                size += len(part)
                if size > MOST_UNPACKED_UNSUSPECTED and size > MOST_TIMES_ITS_SIZE * len(stored):
                    raise _too_large(name, f"unpacks to more than {MOST_TIMES_ITS_SIZE} times its size")
                if size > LARGEST_UNPACKED_BYTES:
                    raise _too_large(name, f"unpacks to more than {LARGEST_UNPACKED_BYTES} bytes")
    except EOFError:
        raise Refusal(
            "file_truncated", f"{name} breaks off while unpacking. Ask the sender for the whole file."
        ) from None
    except (gzip.BadGzipFile, zlib.error):
        raise _unreadable(name, "is not what its ending .gz says, or damaged", "Send it again") from None
    return b"".join(parts)


def cut(file: Opened, wanted: Wanted) -> Cut:
    """The cells of a delimited or Parquet file. Raises Refusal as the readers of these do."""
    if file.kind == "parquet":
        return read_parquet(file.content, wanted)
    return read_delimited(file.content, wanted, OWN_DELIMITER[file.kind])


def rows_of_unclaimed(file: Opened, name: str) -> int:
    """Rows of a file that nobody claimed, one record being taken for its header; 0 if it cannot be read."""
    try:
        if file.kind == "parquet":
            return stored_parquet(file.content, name)[1]
        return max(0, counted_records(decoded(file.content, "", name).content) - 1)
    except Refusal as refusal:
        return refusal.rows_read

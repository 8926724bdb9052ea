"""Files as the audit writes them: one CSV writer, one Parquet writer, one JSON writer.

Equal tables give equal bytes, whatever the machine's locale, time zone or hash seed. What is written is
readable by its owner and, where the settings name one, by one group.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import WrongUse
from pipeline.side_by_side import threads

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

SIGNIFICANT_DIGITS = 10
ROW_GROUP_ROWS = 65_536
SYNCED_AT_ONCE = 8  # files


# ---------------------------------------------------------------- bytes and JSON


def opened_privately(path: str, flags: int) -> int:
    """For `open`: nobody else may read what is written."""
    return os.open(path, flags, 0o600)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, 64 hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_of_each(paths: Sequence[Path]) -> list[str]:
    """The same of several files, on all cores."""
    with ThreadPoolExecutor(min(len(paths), threads()) or 1) as pool:
        return list(pool.map(sha256_of, paths))


def json_text(value: object) -> str:
    """JSON with sorted keys, indented, ending in a line feed; days become `YYYY-MM-DD`."""
    return (
        json.dumps(value, sort_keys=True, indent=2, ensure_ascii=False, default=str, allow_nan=False) + "\n"
    )


def write_json(value: object, path: Path) -> None:
    write_text(json_text(value), path)


def write_text(text: str, path: Path) -> None:
    """UTF-8, line feeds as given, folders made where they lack."""
    write_bytes(text.encode("utf-8"), path)


def write_bytes(content: bytes, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def hashes_under(folder: Path) -> dict[str, str]:
    """Path inside the folder → SHA-256, for every file, sorted."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    names = [path.relative_to(folder).as_posix() for path in files]
    return dict(zip(names, sha256_of_each(files), strict=True))


# ---------------------------------------------------------------- tables


def plain_table(frame: pd.DataFrame | pa.Table) -> pa.Table:
    """The frame in Arrow: plain strings, no metadata, one chunk, floats rounded to 10 significant digits."""
    import pyarrow as pa

    table = frame if isinstance(frame, pa.Table) else pa.Table.from_pandas(frame, preserve_index=False)
    columns = [_plain(column) for column in table.columns]
    return pa.table(columns, names=table.column_names) if columns else table.replace_schema_metadata(None)


def write_csv(frame: pd.DataFrame | pa.Table, path: Path) -> None:
    """The table as `csv_text` has it, in UTF-8; some rows at a time."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as stream:
        stream.writelines(_csv(frame))


def csv_text(frame: pd.DataFrame | pa.Table) -> str:
    """The one form of CSV, as `pipeline.csv_cells` says it."""
    return b"".join(_csv(frame)).decode("utf-8")


def _csv(frame: pd.DataFrame | pa.Table) -> Iterator[bytes | memoryview]:
    import pyarrow as pa

    from pipeline.csv_cells import cells_of, header_of, lines_of

    table = frame if isinstance(frame, pa.Table) else plain_table(frame)
    yield header_of(table.column_names)
    for start in range(0, len(table) if table.num_columns else 0, ROW_GROUP_ROWS):
        yield lines_of(cells_of(plain_table(table.slice(start, ROW_GROUP_ROWS))))


def write_parquet(frame: pd.DataFrame | pa.Table, path: Path) -> None:
    """Parquet with a fixed row-group size and compression, and without pandas' notes; a row group at a time."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path.parent.mkdir(parents=True, exist_ok=True)
    table = frame if isinstance(frame, pa.Table) else plain_table(frame)
    groups = (table.slice(start, ROW_GROUP_ROWS) for start in range(0, len(table) or 1, ROW_GROUP_ROWS))
    with pq.ParquetWriter(
        path, plain_table(table.slice(0, 0)).schema, compression="zstd", compression_level=3,
        version="2.6", data_page_version="1.0", use_dictionary=True, store_schema=False,
    ) as writer:  # fmt: skip
        for group in groups:
            writer.write_table(plain_table(group), row_group_size=ROW_GROUP_ROWS)


def _plain(column: pa.ChunkedArray) -> pa.Array:
    """One chunk; categories and large or viewed strings become plain strings; floats are rounded."""
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if (
        pa.types.is_null(column.type)
        or pa.types.is_large_string(column.type)
        or column.type == pa.string_view()
    ):
        column = column.cast(pa.string())
    whole = column.combine_chunks()
    whole = pa.concat_arrays(whole.chunks) if isinstance(whole, pa.ChunkedArray) else whole
    return _rounded(whole) if pa.types.is_floating(whole.type) else whole


def _rounded(numbers: pa.Array) -> pa.Array:
    """Rounded to 10 significant digits; not-a-number becomes null, minus zero becomes zero."""
    import numpy as np
    import pyarrow as pa

    from pipeline.csv_cells import rounded

    values = numbers.cast(pa.float64()).to_numpy(zero_copy_only=False)
    return pa.array(rounded(values), mask=np.isnan(values), type=pa.float64())


# ---------------------------------------------------------------- safe replacing, modes, syncing


def replace_text(text: str, path: Path, group: str = "") -> None:
    """Replace a small file in one step: readers see the old text or the new one."""
    replace_bytes(text.encode("utf-8"), path, group)


def replace_bytes(content: bytes, path: Path, group: str = "") -> None:
    """The same of bytes."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        write_bytes(content, fresh)
        protect(fresh, group)
        _sync_file(fresh)
        os.replace(fresh, path)
    except OSError:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def protect(path: Path, group: str = "") -> None:
    """Owner only (0600, folders 0700), or owner and one named group (0640, 0750), for a file or a whole tree."""
    owner_group = group_id(group)
    for place in [path, *(path.rglob("*") if path.is_dir() else ())]:
        mode = (0o750 if group else 0o700) if place.is_dir() else (0o640 if group else 0o600)
        if owner_group is not None:
            os.chown(place, -1, owner_group)
        place.chmod(mode)


def group_id(group: str) -> int | None:
    """The number of a named group; None for no group.

    Raises:
        WrongUse: The machine has no such group.
    """
    if not group:
        return None
    try:
        import grp

        return grp.getgrnam(group).gr_gid
    except (ImportError, KeyError):
        raise WrongUse(
            f"audit.toml names the group `{group}` under [access], but this machine has no such group. "
            "Create it, or leave `group` empty so that only the owner reads the outputs."
        ) from None


def private_folder(folder: Path, group: str) -> None:
    """Make the folder and those above it where they lack, readable as its contents are; one that exists keeps its mode."""
    group_id(group)
    if not folder.exists():
        private_folder(folder.parent, group)
        folder.mkdir(mode=0o700, exist_ok=True)
        protect(folder, group)


def sync(folder: Path) -> None:
    """Have the disk hold every file and folder under `folder`; several at a time, since it is the disk that is waited for."""
    places = [*folder.rglob("*"), folder]
    folders = [place for place in places if place.is_dir()]
    files = [place for place in places if not place.is_dir()]
    with ThreadPoolExecutor(SYNCED_AT_ONCE) as several:
        list(several.map(_sync_file, files))
        list(several.map(sync_folder, folders))


def _sync_file(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Have the disk hold which names a folder has. Some systems cannot sync a folder; there a rename is as safe as it gets."""
    with suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

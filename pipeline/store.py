"""Files as the audit writes them: one CSV writer, one Parquet writer, one JSON writer.

Equal tables give equal bytes, whatever the machine's locale, time zone or hash seed. What is written is
readable by its owner and, where the settings name one, by one group.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import WrongUse

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

SIGNIFICANT_DIGITS = 10
ROW_GROUP_ROWS = 65_536


# ---------------------------------------------------------------- bytes and JSON


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, 64 hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


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
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in files}


# ---------------------------------------------------------------- tables


def plain_table(frame: pd.DataFrame | pa.Table) -> pa.Table:
    """The frame in Arrow: plain strings, no metadata, one chunk, floats rounded to 10 significant digits."""
    import pyarrow as pa

    table = frame if isinstance(frame, pa.Table) else pa.Table.from_pandas(frame, preserve_index=False)
    columns = [_plain(column) for column in table.columns]
    return pa.table(columns, names=table.column_names) if columns else table.replace_schema_metadata(None)


def write_csv(frame: pd.DataFrame | pa.Table, path: Path) -> None:
    """The table as `csv_text` has it, in UTF-8."""
    write_text(csv_text(frame), path)


def csv_text(frame: pd.DataFrame | pa.Table) -> str:
    r"""The one CSV writer: `\n`, quotes only where needed, empty for null, ISO days, yes and no.

    Numbers are rounded to 10 significant digits. A text cell that a spreadsheet would take for a formula
    (it begins with `= + - @` or a control character) gets an apostrophe in front.
    """
    import pyarrow.compute as pc

    table = plain_table(frame)
    cells = [_quoted(_as_text(column), alone=table.num_columns == 1) for column in table.columns]
    lines = pc.binary_join_element_wise(*cells, ",").to_pylist() if cells else []
    header = ",".join(table.column_names)
    return "\n".join([header, *lines]) + "\n"


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

    values = numbers.cast(pa.float64()).to_numpy(zero_copy_only=False)
    distinct, place = np.unique(values, return_inverse=True)
    short = np.array([float(f"{value:.{SIGNIFICANT_DIGITS}g}") + 0.0 for value in distinct], dtype="float64")
    return pa.array(short[place] if len(short) else values, mask=np.isnan(values), type=pa.float64())


def _as_text(column: pa.ChunkedArray) -> pa.Array:
    """The column's cells as they stand in a CSV file, before quoting."""
    import pyarrow as pa
    import pyarrow.compute as pc

    whole = pa.concat_arrays(column.chunks) if column.num_chunks else pa.array([], column.type)
    if pa.types.is_string(whole.type):
        risky = pc.match_substring_regex(whole, r"\A[=+\-@\x00-\x1f\x7f]")
        if not pc.any(risky).as_py():
            return whole
        return pc.if_else(risky, pc.binary_join_element_wise("'", whole, ""), whole)
    if pa.types.is_boolean(whole.type):
        return pc.if_else(whole, "yes", "no")
    if pa.types.is_floating(whole.type):
        distinct = whole.dictionary_encode()
        return pa.array([_shortest(cell) for cell in distinct.dictionary.to_pylist()], pa.string()).take(
            distinct.indices
        )
    if pa.types.is_timestamp(whole.type):
        return pc.strftime(whole.cast(pa.timestamp("s"), safe=False), format="%Y-%m-%dT%H:%M:%S")
    return whole.cast(pa.string())


def _shortest(number: float) -> str:
    return f"{number:.{SIGNIFICANT_DIGITS}g}"


def _quoted(cells: pa.Array, *, alone: bool) -> pa.Array:
    """Quotation marks where a cell holds a comma, a quotation mark or a line end; `alone`: also where empty."""
    import pyarrow.compute as pc

    filled = pc.fill_null(cells, "")
    needed = pc.match_substring_regex(filled, r'[",\r\n]')
    if alone:
        needed = pc.or_(needed, pc.equal(filled, ""))
    if not pc.any(needed).as_py():
        return filled
    marked = pc.binary_join_element_wise('"', pc.replace_substring(filled, '"', '""'), '"', "")
    return pc.if_else(needed, marked, filled)


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
    """Have the disk hold every file and folder under `folder`."""
    for place in sorted(folder.rglob("*")):
        (sync_folder if place.is_dir() else _sync_file)(place)
    sync_folder(folder)


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

"""What is wrong with rows that can be read: limits and required cells by pandera, then rules across cells."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.code_sides import side_of_code
from pipeline.handover import Export
from pipeline.settings import Settings
from pipeline.validate.copied_notes import copied_forward
from pipeline.validate.parse import one_chunk
from pipeline.validate.year_scope import is_scoped
from schemas.columns import Table
from schemas.exports import DAY_COLUMN, ID_COLUMN
from schemas.fit import failures

if TYPE_CHECKING:
    import pandas as pd

SITE_ID = r"^[A-Za-z0-9_-]+$"
#: Days of what has happened: never after the day on which the export was received.
DAYS_PAST: dict[str, tuple[str, ...]] = {
    "operations": ("performed_on", "onset_on"),
    "events": ("occurred_on",),
    "followups": ("seen_on", "returned_on"),
    "measurements": ("measured_on",),
    "patients": ("died_on",),
}
#: Earlier day, later day, and the column that is named if it is the other way round.
ORDER_OF_DAYS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "operations": (("onset_on", "performed_on", "onset_on"),),
    "surgeons": (("active_from", "active_to", "active_to"),),
}
#: Columns of an event any one of which says something.
TELLING = (
    "code", "note", "instability_level", "through_fixation_site", "energy", "reduced_by", "severity_grade", "management",
)  # fmt: skip
MOTIONS = ("forward_flexion", "external_rotation", "abduction", "flexion", "extension_deficit")
ICD_10_CM = "ICD-10-CM"
#: Says neither how far nor from where; `extension_deficit` does.
BARE_EXTENSION = "extension"
#: Motions of which a reading just below zero is real: turned or stretched beyond the middle.
BELOW_ZERO = ("extension_deficit", "external_rotation")
#: Motions of which a reading of zero says that the joint does not move, or that nobody measured.
NEVER_ZERO = tuple(motion for motion in MOTIONS if motion not in BELOW_ZERO)
#: Just above half a turn in radians.
LARGEST_RADIANS = 3.2
LOWEST_DEGREES, HIGHEST_DEGREES = -30, 200
#: Rules that a row which takes its record back does not have to keep.
NEEDED_TO_COUNT = ("value_missing", "event_says_nothing")
_PLACEHOLDER = (
    r"(?i)^(?:0+|x{3,}|9{6,}|(?:z+)?(?:test|dummy|placeholder|sample|example)[^a-z].*"
    r"|(?:z+)?(?:test|dummy|placeholder)(?:patient|pat)?)$"
)

Failure = tuple[str, str, pa.Array]  # column, rule, where


def row_failures(
    typed: pa.Table, table: Table, export: Export, settings: Settings, of_model: pd.DataFrame
) -> pd.DataFrame:
    """`row, column, rule` of what is wrong with rows, apart from cells that could not be read.

    Args:
        typed: Columns of the contract in their types.
        table: Their description.
        export: Where they came from; its `rows` name the site of each row.
        settings: Sites listed, and whether their dates are exact.
        of_model: What the model says of these rows.
    """
    import pandas as pd

    found = [of_model]
    for column, rule, where in _rules(typed, table.name, export, settings):
        rows = np.flatnonzero(pc.fill_null(where, False).to_numpy(zero_copy_only=False))
        if len(rows):
            found.append(
                pd.DataFrame({"row": rows, "column": column, "rule": rule}).astype({"column": "object"})
            )
    needed = {ID_COLUMN[table.name]} | (
        {DAY_COLUMN[table.name]} if is_scoped(export.reading, table) else set()
    )
    return _without_withdrawn(pd.concat(found, ignore_index=True), typed, needed)


def _without_withdrawn(found: pd.DataFrame, typed: pa.Table, needed: set[str]) -> pd.DataFrame:
    """A row that takes a record back needs nothing but what its id is made of."""
    withdrawn = pc.fill_null(pc.equal(typed["record_status"], "withdrawn"), False).to_numpy(
        zero_copy_only=False
    )
    lacking = found["rule"].isin(NEEDED_TO_COUNT) & ~found["column"].isin(needed)
    return found[~(lacking.to_numpy() & withdrawn[found["row"].to_numpy("int64")])]


def model_failures_of(typed: Sequence[pa.Table], table: Table) -> list[pd.DataFrame]:
    """What the model says of each of several exports of one table, asked once: many files are small."""
    starts = np.cumsum([0, *(each.num_rows for each in typed)])
    found = _model_failures(pa.concat_tables(typed), table)
    rows = found["row"].to_numpy()
    return [
        found[(rows >= start) & (rows < end)].assign(row=lambda own, start=start: own["row"] - start)
        for start, end in pairwise(starts)
    ]


def _model_failures(typed: pa.Table, table: Table) -> pd.DataFrame:
    """Limits, words and required cells, row by row; an empty table has none."""
    import pandas as pd

    if not typed.num_rows:
        return pd.DataFrame(
            {
                "row": pd.Series(dtype="int64"),
                "column": pd.Series(dtype=object),
                "rule": pd.Series(dtype=object),
            }
        )
    found = failures(table, _filled(typed, table).to_pandas(types_mapper=pd.ArrowDtype))
    found = found[found["row"].notna()].drop_duplicates(["row", "column", "rule"])
    return found.astype({"row": "int64", "column": "object", "rule": "object"})[["row", "column", "rule"]]


def _filled(typed: pa.Table, table: Table) -> pa.Table:
    """Without the columns that hold nothing and need not: nothing can be wrong with them."""
    empty = [name for name in typed.column_names if typed[name].null_count == len(typed)]
    return typed.drop_columns([name for name in empty if name not in table.required])


def _rules(typed: pa.Table, name: str, export: Export, settings: Settings) -> Iterator[Failure]:
    yield "site", "row_site_unclear", _site_unclear(export, settings)
    if "patient_id" in typed.column_names:
        yield "patient_id", "placeholder_patient", pc.match_substring_regex(typed["patient_id"], _PLACEHOLDER)
    if "note" in export.rows.column_names:
        copied = copied_forward(typed["patient_id"], export.rows["site"], typed["note"])
        yield "note", "note_copied_forward", copied
    yield from _after_receipt(typed, name, export, settings)
    for earlier, later, named in ORDER_OF_DAYS.get(name, ()):
        yield named, "dates_in_wrong_order", pc.greater(typed[earlier], typed[later])
    yield from _OF_TABLE.get(name, _no_rules)(typed)


def usable_sites(site: pa.Array | pa.ChunkedArray) -> pa.Array:
    """Which names may stand for a site; each distinct one is looked at once."""
    return pc.is_in(site, value_set=_well_formed(pc.unique(site)))


def _well_formed(names: pa.Array) -> pa.Array:
    return names.filter(pc.fill_null(pc.match_substring_regex(names, SITE_ID), False))


def _site_unclear(export: Export, settings: Settings) -> pa.Array:
    site = export.rows["site"]
    unclear = pc.invert(usable_sites(site))
    if settings.sites_listed:
        listed = pa.array(sorted(settings.sites), pa.string())
        unclear = pc.or_(unclear, pc.invert(pc.is_in(site, value_set=listed)))
    return unclear


def _after_receipt(typed: pa.Table, name: str, export: Export, settings: Settings) -> Iterator[Failure]:
    """Days of the future; not asked of sites whose days are not real ones, nor of what was only booked."""
    inexact = pa.array(
        sorted(site.site_id for site in settings.sites.values() if site.dates != "exact"), pa.string()
    )
    asked = pc.invert(pc.is_in(export.rows["site"], value_set=inexact))
    if name == "operations":
        asked = pc.and_(asked, pc.is_in(typed["status"], value_set=pa.array(["performed", "abandoned"])))
    receipt = pa.scalar(export.source.receipt, pa.date32())
    for column in DAYS_PAST.get(name, ()):
        yield column, "date_after_receipt", pc.and_(asked, pc.greater(typed[column], receipt))
    day_after = pa.scalar(
        datetime.combine(export.source.receipt + timedelta(days=1), time()), pa.timestamp("us")
    )
    yield "recorded_at", "recorded_after_receipt", pc.greater_equal(typed["recorded_at"], day_after)


def _event_rules(typed: pa.Table) -> Iterator[Failure]:
    told = pa.scalar(False)
    for column in TELLING:
        told = pc.or_(told, typed[column].is_valid())
    yield "code", "event_says_nothing", pc.invert(told)


def _operation_rules(typed: pa.Table) -> Iterator[Failure]:
    """The side a diagnosis code names, looked up once a distinct code, against the side operated on."""
    codes = one_chunk(typed["diagnosis_code"]).dictionary_encode()
    said = [side_of_code(ICD_10_CM, code) for code in codes.dictionary.to_pylist()]
    named = pa.array(said, pa.string()).take(codes.indices)
    asked = pc.and_(
        pc.equal(typed["diagnosis_system"], ICD_10_CM),
        pc.is_in(typed["side"], value_set=pa.array(["left", "right"])),
    )
    yield "side", "side_against_diagnosis", pc.and_(asked, pc.not_equal(typed["side"], named))


def _measurement_rules(typed: pa.Table) -> Iterator[Failure]:
    degrees, motion = pc.equal(typed["unit"], "deg"), pc.is_in(typed["measure"], value_set=pa.array(MOTIONS))
    low, high = pc.less(typed["value"], LOWEST_DEGREES), pc.greater(typed["value"], HIGHEST_DEGREES)
    yield "value", "value_out_of_range", pc.and_(degrees, pc.or_(low, high))
    yield "value", "value_out_of_range", pc.and_(degrees, _looks_like_radians(typed))
    yield "measure", "value_unknown_word", pc.equal(typed["measure"], BARE_EXTENSION)
    yield "unit", "score_without_points", pc.and_(motion, pc.equal(typed["unit"], "points"))
    zero = pc.and_(pc.is_in(typed["measure"], value_set=pa.array(NEVER_ZERO)), pc.equal(typed["value"], 0))
    yield "value", "reading_zero", pc.and_(degrees, zero)
    real = pc.is_in(typed["measure"], value_set=pa.array(BELOW_ZERO))
    yield "value", "value_missing", pc.and_not(pc.equal(typed["value"], -1), real)


def _looks_like_radians(typed: pa.Table) -> pa.ChunkedArray:
    """A fraction between 0 and 3.2 where a joint that moves reads tens of degrees: nobody reads 1.92 degrees."""
    large = pc.is_in(typed["measure"], value_set=pa.array(NEVER_ZERO))
    small = pc.and_(pc.greater(typed["value"], 0), pc.less(typed["value"], LARGEST_RADIANS))
    return pc.and_(large, pc.and_(small, pc.not_equal(pc.floor(typed["value"]), typed["value"])))


def _no_rules(typed: pa.Table) -> Iterator[Failure]:
    return iter(())


_OF_TABLE: dict[str, Callable[[pa.Table], Iterator[Failure]]] = {
    "operations": _operation_rules,
    "events": _event_rules,
    "measurements": _measurement_rules,
}

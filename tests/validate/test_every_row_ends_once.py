"""Whatever is sent: nothing escapes, and every row ends in exactly one place."""

from __future__ import annotations

from datetime import date

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.findings import CATALOGUE
from pipeline.handover import Export, Reading, Source
from pipeline.settings import Settings, Site
from pipeline.validate import checked
from pipeline.validate.split import accepted_schema, quarantined_schema
from schemas.exports import EXPORTS
from schemas.models import model_failures

PLACES = ("shoulder", "knee")
TELLING = st.sampled_from(
    [
        "", " ", "left", "L", "none", "N/A", "?", "2025-03-03", "03/04/2025", "13/04/2025", "04/13/2025", "3.4.25",
        "45123", "99999", "2025-03-03T10:00Z", "0000-00-00", "29 Feb 2025", "12", "12,5", "12.0", "-1", "999", "110°",
        "1e308", "1e400", "nan", "inf", "−5", "90+", ">89", "yes", "0", "deg", "points", "shoulder", "a;b", "a|b", ";",
        "m24411", "a@b.org", "Mr Smith", "087 123 4567", "000000", "\u00a0", "٣", "\x00", "²", "9" * 40, "seen", "I",
    ]
)  # fmt: skip
CELLS = st.none() | TELLING | st.text(max_size=12)
READINGS = st.builds(
    Reading,
    date_order=st.sampled_from(["", "DMY", "MDY", "YMD"]),
    decimal=st.sampled_from([".", ","]),
    timezone=st.sampled_from(["", "Europe/Dublin"]),
    excel_base=st.sampled_from([None, 1900, 1904]),
    year_pivot=st.sampled_from([None, 30, 1950]),
)


@st.composite
def exports(draw, table: str) -> Export:
    """An export of some columns of a table, with any text in its cells."""
    names = draw(st.lists(st.sampled_from(EXPORTS[table].names), unique=True))
    count = draw(st.integers(0, 4))
    cells = {name: draw(st.lists(CELLS, min_size=count, max_size=count)) for name in names}
    cells["site"] = draw(
        st.lists(st.sampled_from(["harbour", "quay", "", "a b"]), min_size=count, max_size=count)
    )
    rows = pa.table({name: pa.array(texts, pa.string()) for name, texts in cells.items()})
    rows = rows.append_column("source_line", pa.array(range(2, 2 + count), pa.int64()))
    source = Source(
        "harbour", date(2026, 11, 1), "received/harbour/2026-11-01/x.csv", "", table, "00", rows_read=count
    )
    return Export(source, rows, reading=draw(READINGS), headers=tuple(names))


@pytest.mark.parametrize("table", list(EXPORTS))
@given(st.data())
@settings(max_examples=20, deadline=None)
def test_every_row_ends_in_one_place(table, data):
    export = data.draw(exports(table))
    numbered = data.draw(st.booleans())
    sites = {"harbour": Site("harbour", dates="day_numbers" if numbered else "exact")}
    result = checked(export, Settings(sites=sites), PLACES)
    sent, went_on = export.rows["source_line"].to_pylist(), result.accepted["source_line"].to_pylist()
    held = result.quarantined["source_line"].to_pylist()
    if result.source.reason:
        assert (went_on, held, result.source.refused) == ([], [], len(sent))
    else:
        assert sorted([*went_on, *held]) == sent
    said = result.findings[result.findings["action"] == "quarantine"]
    assert set(said["source_line"].dropna()) == set(held)
    assert set(result.findings["rule"]) | set(result.repairs["rule"]) <= set(CATALOGUE)
    assert not result.findings.duplicated(["source_line", "column", "rule"]).any()


@pytest.mark.parametrize("table", list(EXPORTS))
@given(st.data())
@settings(max_examples=8, deadline=None)
def test_what_goes_on_fits_the_contract(table, data):
    import pandas as pd

    result = checked(data.draw(exports(table)), Settings(), PLACES)
    described, located = EXPORTS[table], ["site", "source_line"]
    assert result.accepted.schema.names == [*described.names, *located]
    whole, held = accepted_schema(described), quarantined_schema(described)
    assert all(
        result.accepted.schema.field(name).type == whole.field(name).type
        for name in whole.names
        if name in located
    )
    assert all(
        result.quarantined.schema.field(name).type == held.field(name).type for name in described.names
    )
    frame = result.accepted.select(list(described.names)).to_pandas(types_mapper=pd.ArrowDtype)
    assert model_failures(described, frame).empty

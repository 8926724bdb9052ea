"""The reader's interface: what comes back for any texts."""

from __future__ import annotations

import pyarrow as pa
import pytest

from pipeline.catalogue import Catalogue, load_catalogue
from pipeline.letters import read


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def test_texts_that_say_nothing(catalogue: Catalogue) -> None:
    reading = read(pa.array([None, "", "Seen today."]), catalogue, catalogue.places)
    assert len(reading.statements) == 0
    assert reading.spoken.tolist() == [False, False, False]


def test_a_statement_points_to_its_text_and_category(catalogue: Catalogue) -> None:
    texts = pa.chunked_array([["Seen today."], ["The wound is infected."]])
    reading = read(texts, catalogue, catalogue.places)
    row = reading.statements.iloc[0]
    assert (row["text"], list(catalogue.complications)[row["category"]]) == (1, "infection")
    assert (row["begin"], row["end"]) == (0, 22)
    assert reading.spoken.tolist() == [False, True]

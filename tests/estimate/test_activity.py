"""The period's own news."""

import pandas as pd

from pipeline.estimate import activity_table
from schemas.fit import typed
from schemas.models import model_failures
from schemas.published import ACTIVITY


def test_news_of_all_sources_stand_in_one_row(counts_of, labels):
    operations = pd.DataFrame({"site": [0, 1], "group": [0, 1], "operations": [5, 3]})
    decisions = pd.DataFrame({"site": [0], "group": [0], "decisions": [4]})
    frame = activity_table(counts_of([]), labels, operations, decisions)
    assert frame[["site", "procedure", "operations", "cases", "decisions"]].to_numpy().tolist() == [
        ["harbour", "anchor_loop", 5, 2, 4],
        ["meadow", "bone_shift", 3, 0, 0],
    ]
    assert len(model_failures(ACTIVITY, typed(ACTIVITY, frame))) == 0


def test_a_row_without_news_is_left_out(counts_of, labels):
    none = pd.DataFrame({"site": [1], "group": [1], "operations": [0]})
    decisions = pd.DataFrame({"site": [], "group": [], "decisions": []}, dtype="int64")
    frame = activity_table(counts_of([]), labels, none, decisions)
    assert list(frame["site"]) == ["harbour"]

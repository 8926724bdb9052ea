"""The published `benefit_and_harm`: of every comparison one line an outcome, side by side, never summed, never tested."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue
from pipeline.counts import Counts
from pipeline.estimate.arm_lines import ESTIMATED, change_lines, day_lines, share_lines
from pipeline.estimate.asked import Asked, Line, asked_comparisons
from pipeline.estimate.benefit_lines import days_told, reason_lines, score_lines, sport_lines
from pipeline.estimate.harm_lines import harm_lines
from pipeline.handover import Labels
from pipeline.settings import Settings

COUNTED = ("events_a", "n_a", "unknown_a", "events_b", "n_b", "unknown_b")
ORDER = (
    "among", "by", "arm_a", "arm_b", "line", "kind", "outcome", "detail", "from_day", "to_day", "counted_of", "figure",
    *COUNTED, *ESTIMATED, "unit", "method", "better", "primary", "verdict", "note",
)  # fmt: skip


def benefit_and_harm_table(
    counts: Counts, settings: Settings, labels: Labels, catalogue: Catalogue, comparisons: pd.DataFrame
) -> pd.DataFrame:
    """Lines of every comparison, isolated cases only.

    Args:
        counts: Of all cases.
        settings: Who is compared with whom.
        labels: What the integers stand for.
        catalogue: Which category an unplanned return proves, and how arms are called.
        comparisons: The published table: the stated comparison has the same verdict in both.
    """
    frames = [_lines(asked) for asked in asked_comparisons(counts, settings, labels, catalogue)]
    if not frames:
        return pd.DataFrame(columns=list(ORDER))
    table = pd.concat(frames, ignore_index=True)
    stated = comparisons[comparisons["primary"].astype(bool) & (comparisons["analysis"] == "all_cases")]
    own = table["primary"].to_numpy(bool)
    table.loc[own, "verdict"] = stated["verdict"].to_numpy(dtype=object)
    return table[list(ORDER)]


def _lines(asked: Asked) -> pd.DataFrame:
    """All lines of one comparison, numbered in the order of print."""
    frames = [
        _shares([*harm_lines(asked), *sport_lines(asked)], asked),
        _days(asked),
        _shares(reason_lines(asked), asked),
        _changes(asked),
    ]
    lines = pd.concat([frame.astype(object) for frame in frames if len(frame)], ignore_index=True)
    entry = asked.entry
    return lines.assign(
        among=entry.among, by=entry.by, arm_a=entry.a, arm_b=entry.b, line=np.arange(1, len(lines) + 1)
    )


def _shares(lines: Iterable[Line], asked: Asked) -> pd.DataFrame:
    frame = pd.DataFrame(list(lines))
    return share_lines(frame, asked.names, asked.settings) if len(frame) else frame


def _changes(asked: Asked) -> pd.DataFrame:
    frame = pd.DataFrame(list(score_lines(asked)))
    return change_lines(frame, asked.names, asked.settings) if len(frame) else frame


def _days(asked: Asked) -> pd.DataFrame:
    told = days_told(asked)
    return day_lines(pd.DataFrame([told[0]]), told[1], asked.settings) if told else pd.DataFrame()

"""The published `benefit_and_harm`: of every comparison one line an outcome, side by side, never summed, never tested."""

from __future__ import annotations

from collections.abc import Iterator

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
_SHARES, _DAYS, _REASONS, _CHANGES = range(4)


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
    asked = list(asked_comparisons(counts, settings, labels, catalogue))
    if not asked:
        return pd.DataFrame(columns=list(ORDER))
    frames = [_shares(asked, settings), *_days(asked, settings), _changes(asked, settings)]
    table = pd.concat([frame.astype(object) for frame in frames if len(frame)], ignore_index=True)
    table = table.sort_values(["comparison", "section"], kind="stable", ignore_index=True)
    stated = comparisons[comparisons["primary"].astype(bool) & (comparisons["analysis"] == "all_cases")]
    own = table["primary"].to_numpy(bool)
    table.loc[own, "verdict"] = stated["verdict"].to_numpy(dtype=object)
    return table.assign(line=table.groupby("comparison").cumcount() + 1)[list(ORDER)]


def _of(asked: Asked, section: int, line: Line) -> Line:
    """A line with its comparison; sections of a comparison stand in the order of print."""
    entry = asked.entry
    return {
        "comparison": asked.number, "section": section, "among": entry.among, "by": entry.by, "arm_a": entry.a,
        "arm_b": entry.b, "names": asked.names, **line,
    }  # fmt: skip


def _shares(asked: list[Asked], settings: Settings) -> pd.DataFrame:
    parts = ((_SHARES, harm_lines), (_SHARES, sport_lines), (_REASONS, reason_lines))
    lines = [
        _of(each, section, line) for each in asked for section, lines_of in parts for line in lines_of(each)
    ]
    return share_lines(pd.DataFrame(lines), settings)


def _days(asked: list[Asked], settings: Settings) -> Iterator[pd.DataFrame]:
    for each in asked:
        told = days_told(each)
        if told:
            yield day_lines(pd.DataFrame([_of(each, _DAYS, told[0])]), told[1], settings)


def _changes(asked: list[Asked], settings: Settings) -> pd.DataFrame:
    lines = [_of(each, _CHANGES, line) for each in asked for line in score_lines(each)]
    return change_lines(pd.DataFrame(lines), settings) if lines else pd.DataFrame()

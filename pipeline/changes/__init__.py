"""What moved since the last signed edition: case by case with its cause, and for every printed figure the sum of causes.

Three evaluations are compared: the signed edition; today's knowledge of the same days (`then`); and this edition (`now`).
From the first to the second the causes are records, people and definitions; from the second to the third it is time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.changes import figures
from pipeline.changes.causes import causes_of, news_of, rules_changed, with_members
from pipeline.changes.differences import PRESENCE, differences
from pipeline.changes.figures import KEY, Standing

if TYPE_CHECKING:
    from pipeline.changes.told import Told

UNEXPLAINED = "not_explained"


def change_tables(
    earlier: Told, then: Told, now: Told, removed: frozenset[str] = frozenset()
) -> dict[str, pd.DataFrame]:
    """The published `changes` and `changed_figures`.

    Args:
        earlier: The signed edition.
        then: Today's knowledge up to the cut of the signed edition.
        now: This edition.
        removed: Cases of the signed edition that were left out on request since; they move figures and are not listed.
    """
    found = differences(earlier, then)
    found = found[~found["case_id"].isin(removed)].reset_index(drop=True)
    standing = figures.standings(earlier, then, now)
    since = figures.moves(standing[0], standing[1])
    by_time = figures.moves(standing[1], standing[2])
    rules = rules_changed(earlier, now)
    cases = pd.Index(sorted({*found["case_id"], *since["case_id"]} - removed))
    news = news_of(earlier, then, cases)
    because = with_members(found, causes_of(found, news, rules))
    told = pd.concat([found, because], axis=1)
    moved = pd.concat(
        [
            since.assign(because=_of_moves(since, told, standing[:2], rules)).assign(
                because=lambda rows: rows["because"].mask(rows["case_id"].isin(removed), "removal")
            ),
            by_time.assign(because=_by_time(by_time, *standing[1:])),
        ],
        ignore_index=True,
    )
    changes = told[["case_id", "field", "before", "after", "because", "file", "line"]]
    return {"changes": changes, "changed_figures": _summed(moved, earlier, now, rules)}


def _of_moves(moved: pd.DataFrame, told: pd.DataFrame, both: tuple[Standing, ...], rules: str) -> np.ndarray:
    """The cause of each move between the signed edition and today's knowledge of the same days."""
    known = told.drop_duplicates(["case_id", "field"]).set_index(["case_id", "field"])["because"]

    def cause(fields: pd.Series | str) -> np.ndarray:
        named = pd.MultiIndex.from_arrays([moved["case_id"], np.broadcast_to(fields, len(moved))])
        return np.asarray(known.reindex(named).to_numpy(dtype=object))

    complication = cause(moved["category"] + "." + moved["level"])
    reached = both[0].reach != both[1].reach
    reach = pd.Series("reach", index=range(len(moved)), dtype=object).where(
        reached[both[0].at(moved["case_id"])], None
    )
    nearest = [cause(PRESENCE), cause("group"), cause("performed_on")]
    of_events = [complication, reach]
    of_lost = [complication, cause("died"), cause("contact_until"), reach]
    figure = moved["figure"].to_numpy()
    order = {"cases": [*nearest, reach], "events": [*nearest, *of_events], "lost": [*nearest, *of_lost]}
    found = pd.Series(None, index=range(len(moved)), dtype=object)
    for name, causes in order.items():
        for each in causes:
            found = found.where((figure != name) | found.notna(), pd.Series(each, dtype=object))
    return np.asarray(found.fillna(rules or "other_records").to_numpy(dtype=object))


def _by_time(moved: pd.DataFrame, then: Standing, now: Standing) -> np.ndarray:
    at = then.at(moved["case_id"])
    windows = {window.days: window for window in now.told.rules.windows}
    closed = np.zeros(len(moved), dtype=bool)
    for days in moved["window_days"].unique():
        own = (moved["window_days"] == days).to_numpy()
        closed[own] = then.closed(windows[days])[at[own]]
    return np.select([~then.present[at], ~closed], ["new_case", "window_closed"], default="since_the_cut")


def _summed(moved: pd.DataFrame, earlier: Told, now: Told, rules: str) -> pd.DataFrame:
    """Moves of printed figures by cause, with the figure before and after."""
    before, after = figures.printed(earlier), figures.printed(now)
    own = figures.of_printed(moved, before, after).assign(
        came=lambda rows: rows["change"] > 0, went=lambda rows: rows["change"] < 0
    )
    sums = own.groupby([*KEY, "because"], sort=True)[["change", "came", "went"]].sum().reset_index()
    both = before.merge(after, how="outer", on=KEY, suffixes=("_before", "_after"))
    both = both.fillna({"value_before": 0, "value_after": 0})
    both = both.rename(columns={"value_before": "before", "value_after": "after"})
    sums = pd.concat([sums, _rest(both, sums, rules)], ignore_index=True)
    numbers = dict.fromkeys(("before", "after", "change", "came", "went"), "int64")
    return (
        sums.groupby([*KEY, "because"])[["change", "came", "went"]]
        .sum()
        .reset_index()
        .merge(both, on=KEY)
        .astype(numbers)
    )


def _rest(both: pd.DataFrame, sums: pd.DataFrame, rules: str) -> pd.DataFrame:
    """What cases that moved do not make up: a figure that another definition first printed, or no longer prints."""
    total = sums.groupby(KEY)["change"].sum().reset_index()
    joined = both.merge(total, how="left", on=KEY).fillna({"change": 0})
    joined["change"] = joined["after"] - joined["before"] - joined["change"]
    return joined[joined["change"] != 0][[*KEY, "change"]].assign(
        because=rules or UNEXPLAINED, came=0, went=0
    )

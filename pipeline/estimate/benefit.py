"""The published `volumes`, `nonoperative_care`, `return_to_sport` and `scores`: what stands beside complications."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.counts import Cells, Counts
from pipeline.estimate.changes import Sums, mean_change, mean_of
from pipeline.estimate.proportions import proportion_interval, share_of
from pipeline.handover import Labels
from pipeline.periods import numbered_period
from pipeline.settings import Settings
from schemas.exports import EXPORTS

LEVELS = EXPORTS["operations"]["sport_level"].vocabulary
ALL = len(LEVELS)
SPORT_KEYS = ["group", "sport_level"]


def benefit_tables(counts: Counts, settings: Settings, labels: Labels) -> dict[str, pd.DataFrame]:
    """All four by name."""
    return {
        "volumes": volumes_table(counts, settings, labels),
        "nonoperative_care": nonoperative_care_table(counts, settings, labels),
        "return_to_sport": return_to_sport_table(counts, settings, labels),
        "scores": scores_table(counts, settings, labels),
    }


def volumes_table(counts: Counts, settings: Settings, labels: Labels) -> pd.DataFrame:
    """One row a period, procedure, age band and site with cases."""
    cells = counts.benefit.volumes
    number, place = np.unique(cells.keys["period"].to_numpy(np.int64), return_inverse=True)
    names = np.array([numbered_period(settings.period, int(each)).name for each in number], dtype=object)
    return pd.DataFrame(
        {
            "period": names[place],
            "procedure": _named(labels.groups, cells.keys["group"]),
            "age_band": _named((*labels.age_bands, "unknown"), cells.keys["age_band"]),
            "site": _named(labels.sites, cells.keys["site"]),
            "cases": cells["cases"],
        }
    )


def nonoperative_care_table(counts: Counts, settings: Settings, labels: Labels) -> pd.DataFrame:
    """One row a procedure for which the settings state weeks, also without a case."""
    stated = [group for group in labels.groups if group in settings.nonoperative_weeks_expected]
    numbers = [labels.groups.index(group) for group in stated]
    cells = counts.benefit.care
    found = cells.keys[["group"]].assign(**cells.statistics).set_index("group")
    found = found.reindex(numbers, fill_value=0).astype("int64")
    limits = proportion_interval(
        found["reached"].to_numpy(), found["recorded"].to_numpy(), settings.interval, settings.confidence
    )
    return pd.DataFrame(
        {
            "procedure": np.array(stated, dtype=object),
            "elective": found["elective"].to_numpy(),
            "recorded": found["recorded"].to_numpy(),
            "expected_weeks": np.array(
                [settings.nonoperative_weeks_expected[each] for each in stated], float
            ),
            "reached": found["reached"].to_numpy(),
            "share": share_of(found["reached"].to_numpy(), found["recorded"].to_numpy()),
            "ci_low": limits.low,
            "ci_high": limits.high,
        }
    )


def return_to_sport_table(counts: Counts, settings: Settings, labels: Labels) -> pd.DataFrame:
    """One row a procedure, group of the settings (or all patients) and level of sport (or all) with cases."""
    sport, days = counts.benefit.sport, counts.benefit.sport_days
    parts = [_of_group(sport, days, None)]
    parts += [_of_group(sport, days, name) for name in labels.among]
    found = pd.concat(parts, ignore_index=True)
    columns: dict[str, object] = {
        "procedure": _named(labels.groups, found["group"]),
        "among": found["among"].to_numpy(dtype=object),
        "sport_level": _named((*LEVELS, "all"), found["sport_level"]),
    }
    columns |= {name: found[name].to_numpy(np.int64) for name in sport.statistics}
    for part in ("any_return", "same_or_higher"):
        for whole, word in (("asked", "asked"), ("cases", "all")):
            columns |= _share(f"{part}_share_of_{word}", found[part], found[whole], settings)
    return pd.DataFrame({**columns, "median_days": found["median_days"].to_numpy(float)})


def _of_group(sport: Cells, days: Cells, name: str | None) -> pd.DataFrame:
    """Counts and median day by procedure and level, and of all levels together."""
    if name is not None:
        sport, days = (each.where(each.keys[f"among:{name}"].to_numpy() == 1) for each in (sport, days))
    by_level, by_day = sport.by(*SPORT_KEYS), days.by(*SPORT_KEYS, "day")
    counted = _with_all(by_level.keys.assign(**by_level.statistics), SPORT_KEYS)
    medians = _medians(_with_all(by_day.keys.assign(**by_day.statistics), [*SPORT_KEYS, "day"]))
    return counted.join(medians, on=SPORT_KEYS).assign(among=name)


def _with_all(frame: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    both = pd.concat([frame, frame.assign(sport_level=ALL)])
    return both.groupby(keys, as_index=False).sum()


def _medians(histogram: pd.DataFrame) -> pd.Series:
    """`median_days` by procedure and level of how many cases there are with each day."""
    until = histogram.groupby(SPORT_KEYS)["cases"].cumsum()
    total = histogram.groupby(SPORT_KEYS)["cases"].transform("sum")
    low, high = (
        histogram[until > place].drop_duplicates(SPORT_KEYS).set_index(SPORT_KEYS)["day"]
        for place in ((total - 1) // 2, total // 2)
    )
    return ((low + high) / 2).rename("median_days")


def _share(name: str, part: pd.Series, whole: pd.Series, settings: Settings) -> dict[str, np.ndarray]:
    events, cases = part.to_numpy(np.int64), whole.to_numpy(np.int64)
    limits = proportion_interval(events, cases, settings.interval, settings.confidence)
    return {name: share_of(events, cases), f"{name}_low": limits.low, f"{name}_high": limits.high}


def scores_table(counts: Counts, settings: Settings, labels: Labels) -> pd.DataFrame:
    """One row a procedure and measure with a reading before or after."""
    scores = counts.benefit.scores
    seen = scores.where((scores["before_n"] + scores["after_n"]) > 0)
    sums = Sums(seen["paired_n"], seen["change_sum"], seen["change_squares"])
    change = mean_change(sums, settings.confidence)
    return pd.DataFrame(
        {
            "procedure": _named(labels.groups, seen.keys["group"]),
            "measure": _named(labels.measures, seen.keys["measure"]),
            "before_n": seen["before_n"],
            "before_mean": mean_of(seen["before_sum"], seen["before_n"]),
            "after_n": seen["after_n"],
            "after_mean": mean_of(seen["after_sum"], seen["after_n"]),
            "paired_n": seen["paired_n"],
            "change": change.value,
            "ci_low": change.low,
            "ci_high": change.high,
        }
    )


def _named(words: tuple[str, ...], positions: pd.Series) -> np.ndarray:
    return np.array(words, dtype=object)[positions.to_numpy(np.int64)]

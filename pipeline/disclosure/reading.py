"""An outward edition as its reader has it: the files as written, nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.disclosure.basis import ALL, OUTCOME, order_of
from pipeline.disclosure.sheet import Public, Sheet, public_from

LAST_STEP = "index cases"


def sheet_read(*folders: Path) -> Sheet:
    """The sheet that the files of one outward edition, or of several side by side, make."""
    rows = pd.concat([_rows(_csv(folder / "rates.csv")) for folder in folders], ignore_index=True)
    arms = pd.concat([_arms(_csv(folder / "comparison.csv")) for folder in folders], ignore_index=True)
    entered = {
        key: number for folder in folders for key, number in _entered(_csv(folder / "flow.csv")).items()
    }
    place = ["figures_of", "site", "procedure", *OUTCOME]
    rows = rows.drop_duplicates(place).sort_values(place, ignore_index=True)
    own = ["figures_of", "procedure", *OUTCOME, "arm"]
    arms = arms.drop_duplicates(own).sort_values(own, ignore_index=True)
    return Sheet(rows, arms, entered, public_of_folder(folders[0]))


def public_of_folder(folder: Path) -> Public:
    return public_from(json.loads((folder / "manifest.json").read_text("utf-8"))["arithmetic"])


def _csv(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def _number(cells: pd.Series) -> pd.Series:
    return pd.to_numeric(cells.replace("", np.nan)).astype(float)


def _rows(told: pd.DataFrame) -> pd.DataFrame:
    """Rows that count: those that cannot are the only ones with neither a figure nor a gap."""
    counts = told[(told["cases"] != "") | (told["hidden"] != "")]
    return pd.DataFrame(
        {
            "figures_of": counts["figures_of"].map(order_of), "site": counts["stratum_value"],
            "procedure": counts["procedure"].replace(ALL, ""), "category": counts["category"], "level": counts["level"],
            "window_days": counts["window_days"].astype(int), "cases": _number(counts["cases"]),
            "lost": _number(counts["lost"]), "events": _number(counts["events"]),
        }
    )  # fmt: skip


def _arms(told: pd.DataFrame) -> pd.DataFrame:
    """Both arms, put together from the ways of counting that are shown."""
    frames = []
    keys = ["figures_of", *OUTCOME]
    for arm in ("a", "b"):
        every = told[told["analysis"] == "all_cases"]
        followed = told[told["analysis"] == "followed"].set_index(keys)[f"cases_{arm}"]
        cases = _number(every[f"cases_{arm}"])
        seen = _number(
            pd.Series(
                followed.reindex(pd.MultiIndex.from_frame(every[keys])).to_numpy(), index=every.index
            ).fillna("")
        )
        frames.append(
            pd.DataFrame(
                {
                    "figures_of": every["figures_of"].map(order_of), "procedure": every["part_of_" + arm].replace(ALL, ""),
                    "category": every["category"], "level": every["level"], "window_days": every["window_days"].astype(int),
                    "cases": cases, "lost": cases - seen, "events": _number(every[f"events_{arm}"]), "arm": arm,
                }
            )
        )  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def _entered(told: pd.DataFrame) -> dict[tuple[str, str], int]:
    last = told[(told["step"] == LAST_STEP) & (told["after"] != "")]
    return {
        (order_of(name), site): int(after)
        for name, site, after in zip(last["figures_of"], last["site"], last["after"], strict=True)
    }

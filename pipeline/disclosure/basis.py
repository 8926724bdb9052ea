"""The exact figures behind an outward edition, row by row, and the sheet they make.

A basis is a frame in the columns of `schemas.outward.OUTWARD_BASIS`: rows of rates, arms of the stated comparison and
what its procedures hold besides, each with its patients and with which figures are hidden.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipeline.disclosure.gaps import Gaps, Truth
from pipeline.disclosure.sheet import COUNTED, Public, Sheet
from pipeline.disclosure.system import KINDS
from pipeline.periods import parse_period

ALL = "all"
WHOLE, ARMS, BESIDE = ("whole",), ("arm_a", "arm_b"), ("beside",)
HIDES = [f"hides_{name}" for name in COUNTED]
#: Outcomes: what is refreshed or repeated as one.
OUTCOME = ["category", "level", "window_days"]
KEY = ["part", "stratum", "stratum_value", "procedure", *OUTCOME]


def edition_name(period: str, number: int) -> str:
    """`<period>/<n>`: what a signed edition is called, and a draft will be."""
    return f"{period}/{number}"


def order_of(name: str) -> str:
    """Sorts names of editions by the end of their periods, then by number."""
    period, _, number = name.partition("/")
    return f"{parse_period(period).last_day.toordinal():08d}/{int(number or 1):06d}"


def in_order(basis: pd.DataFrame, *parts: str) -> pd.DataFrame:
    """Rows of these parts in the order of a sheet."""
    own = basis[basis["part"].isin(parts)]
    own = own.assign(
        age=own["figures_of"].map({name: order_of(name) for name in own["figures_of"].unique()}),
        site=own["stratum_value"].fillna("").astype(str),
        of=own["procedure"].replace(ALL, ""),
    )
    return own.sort_values(["age", "site", "of", *OUTCOME, "part"], ignore_index=True)


def truth_of(basis: pd.DataFrame, public: Public, entered: Mapping[tuple[str, str], int]) -> Truth:
    """The sheet without gaps, with its patients.

    Args:
        entered: (name of the edition, site) → index cases.
    """
    whole, arms, beside = (in_order(basis, *parts) for parts in (WHOLE, ARMS, BESIDE))
    sheet = Sheet(
        _rows(whole), _arms(arms), {(order_of(name), site): n for (name, site), n in entered.items()}, public
    )
    return Truth(sheet, *(_patients(own) for own in (whole, arms, _as_arms_come(beside, arms))))


def _rows(own: pd.DataFrame) -> pd.DataFrame:
    figures = {name: own[name].astype(float) for name in COUNTED}
    return pd.DataFrame(
        {
            "figures_of": own["age"],
            "site": own["site"],
            "procedure": own["of"],
            **{k: own[k] for k in OUTCOME},
            **figures,
        }
    )


def _arms(own: pd.DataFrame) -> pd.DataFrame:
    return _rows(own).drop(columns="site").assign(arm=own["part"].str.removeprefix("arm_"))


def _as_arms_come(beside: pd.DataFrame, arms: pd.DataFrame) -> pd.DataFrame:
    """One row for each procedure of the arms, in the order in which the arms name them."""
    named = arms[["age", "of", *OUTCOME]].drop_duplicates()
    return named.merge(beside, on=["age", "of", *OUTCOME], how="left", validate="one_to_one")


def _patients(own: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame({kind: own[f"patients_{kind}"].to_numpy(dtype=np.int64) for kind in KINDS})


def gaps_of(basis: pd.DataFrame) -> Gaps:
    """Which figures the basis hides."""
    rows, arms = (
        in_order(basis, *parts)[HIDES].to_numpy(dtype=bool).reshape(-1, 3) for parts in (WHOLE, ARMS)
    )
    return Gaps(rows, arms)


def with_gaps(basis: pd.DataFrame, gaps: Gaps) -> pd.DataFrame:
    """The basis of one edition hiding these figures, in the order of a sheet."""
    whole, arms, beside = (in_order(basis, *parts) for parts in (WHOLE, ARMS, BESIDE))
    shown = [
        whole.assign(**dict(zip(HIDES, gaps.rows.T, strict=True))),
        arms.assign(**dict(zip(HIDES, gaps.arms.T, strict=True))),
        beside.assign(**dict.fromkeys(HIDES, True)),
    ]
    return pd.concat(shown, ignore_index=True)[list(basis.columns)]


def together(*several: pd.DataFrame) -> pd.DataFrame:
    """The rows of several bases, a repeated one once."""
    return pd.concat(several, ignore_index=True).drop_duplicates([*KEY, "figures_of"], ignore_index=True)

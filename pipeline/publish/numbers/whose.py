"""Over which cases a number was counted."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass

ALL = "all"


@dataclass(frozen=True)
class Whose:
    """Some of the cases, in the words of the published tables; what is empty does not narrow them.

    Attributes:
        procedure: Catalogue key of an operation, two joined by `+`, or `all`.
        site, surgeon, fixation, age_band, period: As in `stratum_value`.
        among, by, arm_a, arm_b, arm: An arm (`a` or `b`) of a comparison of the settings.
        isolated: Only cases in which nothing else was done.
        laid: Only complications that are laid to a surgeon, where the category can occur, as in `surgeon_outcomes`.
    """

    procedure: str = ALL
    site: str = ""
    surgeon: str = ""
    fixation: str = ""
    age_band: str = ""
    period: str = ""
    among: str = ""
    by: str = ""
    arm_a: str = ""
    arm_b: str = ""
    arm: str = ""
    isolated: bool = False
    laid: bool = False

    @staticmethod
    def of_rates(row: Mapping[Hashable, object]) -> Whose:
        """The cases of a row of `rates` or `cohorts`."""
        stratum = str(row["stratum"])
        narrowed = {} if stratum == "none" else {stratum: str(row["stratum_value"])}
        narrowed |= {"period": str(row["period"])} if "period" in row else {}
        return Whose(procedure=str(row["procedure"]), **narrowed)  # type: ignore[arg-type]

    @staticmethod
    def of_arm(row: Mapping[Hashable, object], arm: str) -> Whose:
        """The cases of arm `a` or `b` of a row of `comparisons`."""
        texts = {
            name: "" if row[name] is None or row[name] != row[name] else str(row[name])
            for name in ("among", "by", "arm_a", "arm_b", "stratum_value")
        }
        age_band = texts.pop("stratum_value")
        return Whose(**texts, arm=arm, age_band=age_band, isolated=bool(row["isolated_only"]))  # type: ignore[arg-type]

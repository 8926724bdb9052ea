"""Over which cases a number was counted."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.settings import Primary

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
    def of_stated(stated: Primary, arm: str) -> Whose:
        """The cases of arm `a` or `b` of the comparison stated beforehand, in which nothing else was done."""
        return Whose(among=stated.among, by=stated.by, arm_a=stated.a, arm_b=stated.b, arm=arm, isolated=True)

    @staticmethod
    def of_arm(row: Mapping[Hashable, object], arm: str) -> Whose:
        """The cases of arm `a` or `b` of a row of `comparisons`, or of a table that counts isolated cases alone."""
        texts = {name: _text(row[name]) for name in ("among", "by", "arm_a", "arm_b")}
        age_band, isolated = _text(row.get("stratum_value")), bool(row.get("isolated_only", True))
        return Whose(**texts, arm=arm, age_band=age_band, isolated=isolated)  # type: ignore[arg-type]


def _text(cell: object) -> str:
    """What a published table says; nothing where it says nothing."""
    return "" if cell is None or cell != cell else str(cell)

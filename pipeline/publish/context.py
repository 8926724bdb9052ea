"""What an edition says about itself, beside its tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from pipeline import findings
from pipeline.catalogue import Catalogue
from pipeline.publish.numbers import Register
from pipeline.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.removals import Request
    from pipeline.signed import SignedEdition


@dataclass(frozen=True)
class SiteState:
    """How far one site's records reach in this edition.

    Attributes:
        site: Its id.
        name: Its name in print; empty: the id.
        data_until: The day to which its records are taken as complete; None if it sent nothing usable.
        late: Its due day has passed and nothing newer was accepted.
        incomplete: Required tables it has never sent.
        set_aside: Exports (source files) that broke a stop limit and were not used.
        verdict: One of `schemas.measures.VERDICTS`: whether its figures may be compared; empty: not judged.
        reasons: Why it is not simply fit, in words.
    """

    site: str
    name: str = ""
    data_until: date | None = None
    late: bool = False
    incomplete: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    verdict: str = ""
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Input:
    """A file the edition was made from: path from the workspace with `/`, and the SHA-256 of its bytes."""

    path: str
    sha256: str


@dataclass(frozen=True)
class Signature:
    """In which role an edition was signed. The moment stands beside the edition: nothing here depends on a clock.

    Attributes:
        role: Of who signed, such as `quality officer`.
        despite: Why it was signed although it is out of tolerance; empty where it is not.
    """

    role: str
    despite: str = ""


@dataclass(frozen=True)
class Context:
    """Facts of one edition. Nothing in it depends on the machine or the clock.

    Attributes:
        period: `2026-10`, `2026-Q4` or `2026`.
        cut_on: Last day of the period: nothing later is used.
        as_of: Last day whose receipts and decisions are used.
        sites: In order of their ids.
        settings, catalogue: In force for this run.
        version: Of the program.
        inputs: Every file read, sorted by path.
        found: All findings, in the layout of `pipeline.findings`.
        for_senders: Those that no later export has settled, with `header`, the column as the sender names it.
        warnings: Sentences that say why the run ends with exit code 1; empty: within tolerance.
        as_used: Name → bytes of settings, catalogue and mapping files, copied into the edition.
        versions: Library → version, for the manifest.
        removals: Requests to leave a patient out that are in force, each with the rows it takes out.
        patients_removed: How many patients that are.
        made_from: Hex of all that the edition depends on but the signed one before it.
        number: Of this edition among the signed ones of its period: the one it has, or will have once it is signed.
        signature: None: a draft.
        lists: Of the cases behind printed numbers; pages ask it for links.
        compared_with: Name → SHA-256 of the manifest of the signed edition that `changes` looks back to.
        set_against: The signed edition whose outward edition was the last; None: there is none.
    """

    period: str
    cut_on: date
    as_of: date
    sites: tuple[SiteState, ...]
    settings: Settings
    catalogue: Catalogue
    version: str
    inputs: tuple[Input, ...] = ()
    found: pd.DataFrame = field(default_factory=findings.empty)
    for_senders: pd.DataFrame = field(default_factory=findings.empty)
    warnings: tuple[str, ...] = ()
    as_used: Mapping[str, bytes] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    removals: tuple[Request, ...] = ()
    patients_removed: int = 0
    made_from: str = ""
    number: int = 1
    signature: Signature | None = None
    compared_with: Mapping[str, str] = field(default_factory=dict)
    lists: Register = field(default_factory=Register)
    set_against: SignedEdition | None = None

    @property
    def state(self) -> str:
        """`draft` or `signed`."""
        return "signed" if self.signature else "draft"

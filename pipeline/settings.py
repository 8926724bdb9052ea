"""`audit.toml`: one frozen object, checked when it is read."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from schemas.defaults import HANDOUT_OUTCOMES, SURGEON_OUTCOMES

if TYPE_CHECKING:
    from pipeline.catalogue import Catalogue


@dataclass(frozen=True)
class Window:
    """Days 0…`days`, completed by a contact up to `early` days before its end, judged `grace` after it."""

    days: int
    early: int
    grace: int


@dataclass(frozen=True)
class Site:
    site_id: str
    name: str = ""
    sends: str = ""  # "everything", "changes"; empty: not stated
    due_day: int | None = None
    required: tuple[str, ...] = ("operations", "events", "followups")
    dates: str = "exact"  # "shifted", "day_numbers"
    data_until: date | None = None


@dataclass(frozen=True)
class Group:
    """Who is compared: a narrow kind of patient. `None` asks nothing."""

    name: str
    age_below: int | None = None
    age_from: int | None = None
    isolated: bool | None = None
    where: dict[str, tuple[str, ...]] = field(default_factory=dict)  # column of operations → words


@dataclass(frozen=True)
class Primary:
    """The one comparison stated before the run. `by` is "procedure" or a column of operations."""

    a: str
    b: str
    category: str
    window: int
    level: str = ""  # empty: the category's main level
    among: str = ""
    by: str = "procedure"
    within: str = ""


@dataclass(frozen=True)
class Compare:
    """A descriptive comparison, over every category, level and window."""

    a: str
    b: str
    by: str = "procedure"
    within: str = ""
    among: str = ""


@dataclass(frozen=True)
class SurgeonTables:
    categories: tuple[str, ...] = SURGEON_OUTCOMES
    windows: tuple[int, ...] = (90, 365)


@dataclass(frozen=True)
class Handout:
    """The printed handout: size of the sheet, and whose rates it shows."""

    paper: str = "a4"  # or "letter"
    categories: tuple[str, ...] = HANDOUT_OUTCOMES


@dataclass(frozen=True)
class Tolerance:
    quarantined_share: float = 0.02
    observed_share: float = 0.8
    volume_drop: float = 0.30
    vanished_share: float = 0.01
    control_total: float = 0.02


@dataclass(frozen=True)
class Schedule:
    nightly: str = "15 2 * * *"
    monthly: str = "0 6 3 * *"
    timezone: str = "Europe/Dublin"


DEFAULT_WINDOWS = (Window(30, 0, 30), Window(90, 14, 60), Window(365, 60, 90), Window(730, 90, 120))


@dataclass(frozen=True)
class Settings:
    """All of audit.toml. Small tables are flattened: `[counting] counted` is `counted`."""

    period: str = "month"  # "month", "quarter", "year"
    interval: str = "wilson"  # or "clopper-pearson"
    confidence: float = 0.95
    age_bands: tuple[int, ...] = (25, 35, 45, 55, 65)
    strata: tuple[str, ...] = ("site", "surgeon", "fixation", "age_band")
    windows: tuple[Window, ...] = DEFAULT_WINDOWS
    surgeon_tables: SurgeonTables = SurgeonTables()
    handout: Handout = Handout()
    worthwhile_difference: float = 0.10
    count_from: date | None = None
    severity_scale: str = "orthopaedic"  # or "clavien_dindo"
    keep_months: int = 36
    sites: dict[str, Site] = field(default_factory=dict)
    sites_listed: bool = False  # False: every folder under received/ is a site
    groups: dict[str, Group] = field(default_factory=dict)
    primary: Primary | None = None
    compare: tuple[Compare, ...] = ()
    counted: tuple[str, ...] = ("definite", "probable")
    tolerance: Tolerance = Tolerance()
    tolerance_of_rule: dict[str, float] = field(default_factory=dict)  # rule → share of failing rows
    shared_identity: tuple[str, ...] = ()
    access_group: str = ""
    nonoperative_weeks_expected: dict[str, int] = field(default_factory=dict)
    notice_webhook: str = ""
    notice_mail_to: str = ""
    smallest_cell: int = 5
    schedule: Schedule = Schedule()

    @property
    def age_band_labels(self) -> tuple[str, ...]:
        """`0-24`, `25-34` … `65+`, from the lower edges in `age_bands`."""
        edges = (0, *self.age_bands)
        closed = tuple(f"{low}-{high - 1}" for low, high in pairwise(edges))
        return (*closed, f"{edges[-1]}+")


def load_settings(path: Path, catalogue: Catalogue, operation_columns: Collection[str]) -> Settings:
    """`audit.toml`, every key checked against its vocabulary, the catalogue and the columns of operations.

    Raises:
        WrongUse: No such workspace or file, not TOML, an unknown key, a wrong value, or a name that does not
            exist. The message names file, line and key.
    """
    from pipeline.settings_reading import read_settings

    return read_settings(path, catalogue, operation_columns)


def default_settings_text() -> str:
    """The commented `audit.toml` of a new workspace; what it sets is what an absent key means."""
    return files("schemas").joinpath("new_audit.toml").read_text(encoding="utf-8")

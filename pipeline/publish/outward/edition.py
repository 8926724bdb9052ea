"""Writing an outward edition: figures, gaps, an attack on what was written, and nothing at all if it succeeds."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline import store
from pipeline.catalogue import ANY_COMPLICATION
from pipeline.disclosure.attack import Watched, attacked, targets_of
from pipeline.disclosure.basis import edition_name, gaps_of, together, truth_of, with_gaps
from pipeline.disclosure.chains import opened_steps
from pipeline.disclosure.gaps import watched
from pipeline.disclosure.hiding import hidden_figures
from pipeline.disclosure.reading import sheet_read
from pipeline.disclosure.refreshing import mixed, opened, outcomes, to_repeat
from pipeline.disclosure.sheet import Public, public_of
from pipeline.disclosure.system import system_of
from pipeline.errors import GivesAway
from pipeline.publish.context import Context
from pipeline.publish.flow_table import ADDING, BALANCES
from pipeline.publish.outward.basis import as_plain, basis_of
from pipeline.publish.outward.flow import CASES, flow_shown, people_of
from pipeline.publish.outward.page import outward_page
from pipeline.publish.outward.tables import comparison_shown, quality_shown, rates_shown
from pipeline.publish.tables import ready
from schemas.outward import OUTWARD, OUTWARD_BASIS

if TYPE_CHECKING:
    import pyarrow as pa

FOLDER, BASIS = "outward", "outward_basis"
LEFT_OUT = {
    "surgeons": "figures by surgeon, fixation or age",
    "days": "dates, curves, running charts, figures over time under observation",
    "cases": "case list, letters, questions for reviewers",
    "changes": "what changed since the last edition, case by case",
    "ages": "figures within age bands: only in words",
}


#: Tables it is made from, and their columns where not all are needed.
MADE_FROM: dict[str, tuple[str, ...]] = {
    "rates": (), "comparisons": (), "second_cases": (), "flow": (), "quality": (), "cases": ("site", "patient"),
    "records": ("table", "site", "patient", "role"),
}  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """How it went.

    Attributes:
        reason: Why there is no outward edition; empty: there is one.
        basis: The table the department keeps; None where there is no outward edition.
        files: File → SHA-256 of what was written.
        after: Name of the outward edition it was set against; empty: none.
    """

    reason: str = ""
    basis: pa.Table | None = None
    files: Mapping[str, str] | None = None
    after: str = ""


def write_outward(folder: Path, written: Mapping[str, pa.Table], context: Context) -> Outcome:
    """Write `folder/outward/`, unless an attack on it succeeds.

    Args:
        folder: The edition's, while it is being built.
        written: The department's tables.
    """
    place = folder / FOLDER
    missing = [name for name in MADE_FROM if name not in written]
    if missing:
        return Outcome(reason=f"the edition has no table {missing[0]}")
    tables = {name: table.to_pandas() for name, table in needed(written).items()}
    try:
        made = _Making(tables, context).written(place)
    except GivesAway as problem:
        shutil.rmtree(place, ignore_errors=True)
        return Outcome(reason=str(problem))
    return made


def needed(written: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
    """Of the department's tables those it is made from, with the columns that are looked at."""
    there = [name for name in MADE_FROM if name in written]
    return {name: _narrowed(written[name], MADE_FROM[name]) for name in there}


def _narrowed(table: pa.Table, columns: tuple[str, ...]) -> pa.Table:
    import pyarrow.compute as pc

    if "role" in columns:
        table = table.filter(pc.equal(table["table"], "operations"))
    return table.select(columns) if columns else table


class _Making:
    """One outward edition on its way."""

    def __init__(self, tables: Mapping[str, pd.DataFrame], context: Context) -> None:
        self.tables, self.context = tables, context
        self.earlier = context.set_against.folder if context.set_against else None
        self.smallest = context.settings.smallest_cell
        self.name = edition_name(context.period, context.number)
        self.public = public_of(context.catalogue, context.settings.windows, ANY_COMPLICATION)
        people = people_of(tables["records"], tables["cases"])
        self.worlds: tuple[np.ndarray, ...] = ()
        self.flow, self.few_steps = flow_shown(tables["flow"], people, self.smallest, self.name)

    def written(self, place: Path) -> Outcome:
        before = self._before()
        shown = self._shown(before)
        self._write(place, shown, before)
        self._attack(place, shown, before)
        kept = ready(shown, OUTWARD_BASIS)
        after = self.context.set_against.name if self.context.set_against else ""
        return Outcome("", kept, store.hashes_under(place), after)

    def _before(self) -> pd.DataFrame | None:
        if self.earlier is None:
            return None
        return as_plain(pd.read_parquet(self.earlier / "department" / f"{BASIS}.parquet"))

    def _shown(self, before: pd.DataFrame | None) -> pd.DataFrame:
        """The basis with its gaps: fresh, or repeated outcome by outcome."""
        plain = basis_of(self.tables, self.context.settings, self.name)
        truth = truth_of(plain, self.public, self._entered())
        gaps = hidden_figures(truth, self.smallest)
        self.worlds = gaps.worlds
        fresh = with_gaps(plain, gaps)
        if before is None:
            return fresh
        repeated = to_repeat(fresh, before, self.smallest)
        while True:
            shown = mixed(fresh, before, repeated)
            more = (opened(shown, before, self.public, self.smallest) & outcomes(before)) - repeated
            if not more:
                return shown
            repeated |= more

    def _entered(self) -> dict[tuple[str, str], int]:
        last = self.flow[(self.flow["step"] == CASES) & self.flow["after"].notna()]
        return {
            (self.name, site): int(after) for site, after in zip(last["site"], last["after"], strict=True)
        }

    def _write(self, place: Path, shown: pd.DataFrame, before: pd.DataFrame | None) -> None:
        then = (
            {file: _as_written(self.earlier / FOLDER / file) for file in ("rates.csv", "comparison.csv")}
            if self.earlier
            else {}
        )
        settings, catalogue = self.context.settings, self.context.catalogue
        verdicts = {site.site: site.verdict for site in self.context.sites}
        made = {
            "rates.csv": rates_shown(self.tables["rates"], shown, self.name, then.get("rates.csv")),
            "comparison.csv": comparison_shown(
                self.tables["comparisons"], shown, settings, catalogue, self.name, then.get("comparison.csv")
            ),
            "flow.csv": self.flow,
            "quality.csv": quality_shown(self.tables["quality"], verdicts),
        }
        printed = {}
        for file, frame in made.items():
            table = ready(frame, OUTWARD[file])
            store.write_csv(table, place / file)
            printed[file] = table.to_pandas()
        store.write_text(outward_page(printed, self.context, self.name), place / "index.html")
        store.write_json(self._manifest(place, printed, before), place / "manifest.json")

    def _manifest(
        self, place: Path, printed: Mapping[str, pd.DataFrame], before: pd.DataFrame | None
    ) -> dict[str, object]:
        """No day, no input and no hash of one: what was received when is the department's."""
        rates = printed["rates.csv"]
        return {
            "contract": 1,
            "name": self.name,
            "state": self.context.state,
            "program": {"name": "limbaudit", "version": self.context.version},
            "sites": [{"site": site.site, "name": site.name} for site in self.context.sites],
            "smallest_cell": self.smallest,
            "rows": {"all": len(rates), "with_gaps": int(rates["hidden"].notna().sum()),
                     "repeated": int((rates["figures_of"] != self.name).sum())},
            "set_against": None if before is None else sorted(before["figures_of"].unique()),
            "left_out": LEFT_OUT,
            "arithmetic": self.public.as_json(),
            "files": store.hashes_under(place),
        }  # fmt: skip

    def _attack(self, place: Path, shown: pd.DataFrame, before: pd.DataFrame | None) -> None:
        """What a reader could work out from the files, alone and beside those of the edition before."""
        open_steps = opened_steps(place / "flow.csv", self.few_steps, BALANCES, ADDING, self.smallest)
        if open_steps:
            raise GivesAway(
                f"the flow gives away what a step at {open_steps[0][0]} moved: it was not written"
            )
        attack_files([place], asked_of(shown, self.public, self.smallest), self.smallest, self.worlds)
        if self.earlier is not None and before is not None:
            both = asked_of(together(shown, before), self.public, self.smallest)
            attack_files([place, self.earlier / FOLDER], both, self.smallest)


def asked_of(basis: pd.DataFrame, public: Public, smallest: int) -> Watched:
    """Which figures the attack asks for: their places, not their values."""
    return watched(gaps_of(basis), truth_of(basis, public, {}), smallest)


def attack_files(
    folders: list[Path], asked: Watched, smallest: int, witnesses: Sequence[np.ndarray] = ()
) -> None:
    """Attack outward editions as written.

    Args:
        witnesses: Worlds found while hiding; each is held against what stands in the files before it counts.

    Raises:
        GivesAway: A hidden figure can be worked out too closely.
    """
    sheet = sheet_read(*folders)
    system = system_of(sheet)
    found = attacked(system, targets_of(system, asked, sheet), smallest, witnesses)
    if found.open.any():
        raise GivesAway(
            f"an attack on the outward edition{' beside the one before' if len(folders) > 1 else ''} works out "
            f"{int(found.open.sum())} of {len(found.open)} figures of few patients or beside such: it was not written"
        )


def _as_written(path: Path) -> pd.DataFrame:
    """A table of an outward edition with its numbers, gaps as None."""
    table = OUTWARD[path.name]
    told = pd.read_csv(path, dtype=str, keep_default_na=False)
    for column in table.columns:
        text = told[column.name]
        if column.kind in ("integer", "number"):
            told[column.name] = (
                pd.to_numeric(text.where(text != ""), errors="raise").astype("object").where(text != "", None)
            )
        else:
            told[column.name] = text.astype("object").where(
                (text != "") | (column.name == "stratum_value"), None
            )
    return told

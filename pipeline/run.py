"""The whole job, stage by stage: this module is the table of contents.

    received ─ intake ─ validate ─ resolve ─ link ─ classify ─ count ─ estimate ─ publish

`checked` goes as far as the ledger; `audited` goes to the end and writes an edition. Both are pure in their
inputs: the same files, settings, period and `as_of` give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import findings
from pipeline.catalogue import Catalogue, load_catalogue
from pipeline.clock import Clock, Listener, silent
from pipeline.errors import CannotFinish, WrongUse
from pipeline.known import marked
from pipeline.periods import Period, last_complete, parse_period
from pipeline.settings import Compare, Primary, Settings, load_settings
from pipeline.store import sha256_of
from pipeline.summary import Summary, summary_of
from schemas.exports import EXPORTS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.handover import ControlTotal, Intake, Resolved, Validated
    from pipeline.lookup import Lookup
    from pipeline.people import People
    from pipeline.publish.context import Context
    from pipeline.scorecard import Scorecard
    from pipeline.sites import Reach

STAGES = ("intake", "validate", "resolve", "link", "classify", "count", "estimate", "publish")
LIBRARIES = ("numpy", "pandas", "pandera", "pyarrow", "scipy", "statsmodels", "great-tables", "typst")
AS_USED = Path("department") / "as_used"


@dataclass(frozen=True)
class Asked:
    """What was asked for.

    Attributes:
        workspace: Its folder.
        period: Name of the edition; empty: the last whole one on `as_of`.
        as_of: Last day whose receipts and decisions are known; None: the newest date in the workspace.
        rules: Folder with audit.toml, catalogue.toml and mappings/ if not the workspace's own (`--as-in`).
        parts: Into how many parts the patients are cut; changes nothing but memory.
    """

    workspace: Path
    period: str = ""
    as_of: date | None = None
    rules: Path | None = None
    parts: int = 1

    @property
    def rules_folder(self) -> Path:
        return self.rules or self.workspace


@dataclass(frozen=True)
class Ground:
    """What every stage stands on: rules in force and the two dates."""

    asked: Asked
    settings: Settings
    catalogue: Catalogue
    look: Lookup
    period: Period
    as_of: date

    @property
    def cut_on(self) -> date:
        return self.period.last_day


@dataclass(frozen=True)
class Accounted:
    """As far as `check` goes: every row in its place."""

    ground: Ground
    intake: Intake
    validated: Validated
    people: People
    resolved: Resolved
    reached: tuple[Reach, ...]
    ledger: pd.DataFrame
    findings: pd.DataFrame
    warnings: tuple[str, ...]
    scorecard: Scorecard

    @property
    def over_tolerance(self) -> set[tuple[str, str]]:
        """(site, table) of whose newest receipt too many rows are held back."""
        return {(reach.site.site_id, table) for reach in self.reached for table in reach.over_tolerance}


@dataclass(frozen=True)
class Done:
    """How a run ended. `exit_code` is 0, or 1 with `warnings` that say why; `place` is what it wrote."""

    place: Path
    warnings: tuple[str, ...]
    ground: Ground
    summary: Summary

    @property
    def exit_code(self) -> int:
        return 1 if self.warnings else 0


def ground_of(asked: Asked) -> Ground:
    """Read settings and catalogue, and settle period and as_of.

    Raises:
        WrongUse: The workspace, its settings or its catalogue cannot be used.
    """
    from pipeline.lookup import lookup_for

    if not asked.workspace.is_dir():
        raise WrongUse(
            f"{asked.workspace} is not a folder. `limbaudit new {asked.workspace}` makes a workspace."
        )
    catalogue = load_catalogue(asked.rules_folder / "catalogue.toml")
    settings = load_settings(asked.rules_folder / "audit.toml", catalogue, EXPORTS["operations"].names)
    as_of = asked.as_of or _newest_date(asked.workspace)
    period = parse_period(asked.period) if asked.period else last_complete(settings.period, as_of)
    look = lookup_for(catalogue, _compared_procedures(settings))
    return Ground(asked, settings, catalogue, look, period, as_of)


def _newest_date(workspace: Path) -> date:
    """The newest receipt or decision in the workspace, never the machine's clock."""
    from pipeline.intake import newest_receipt
    from pipeline.people import newest_decision

    known = [day for day in (newest_receipt(workspace), newest_decision(workspace)) if day is not None]
    if not known:
        raise CannotFinish(
            f"{workspace} holds no exports: received/<site>/<YYYY-MM-DD>/ is empty. "
            "`limbaudit receive WORKSPACE SITE FILE` puts one there. Nothing was written."
        )
    return max(known)


def _compared_procedures(settings: Settings) -> list[tuple[str, str]]:
    asked: list[Compare | Primary] = [*([settings.primary] if settings.primary else []), *settings.compare]
    return [(entry.a, entry.b) for entry in asked if entry.by == "procedure"]


def accounted(ground: Ground, clock: Clock) -> Accounted:
    """Intake, validate, resolve, and the ledger in which every row has its place.

    Raises:
        CannotFinish: No site is usable, or rows do not add up.
    """
    from pipeline.intake import receive_all
    from pipeline.ledger import ledger_of
    from pipeline.people import people_known
    from pipeline.scorecard import scorecard_of
    from pipeline.sites import about_sites, reaches, warnings
    from pipeline.validate import validated, without_identifiers
    from pipeline.validate.masking import without_names

    asked, settings = ground.asked, ground.settings
    with clock.stage("intake"):
        intake = receive_all(asked.workspace, settings, ground.as_of, asked.rules_folder / "mappings")
        people = without_names(people_known(asked.workspace, ground.as_of))
    with clock.stage("validate"):
        checked = validated(intake, settings, ground.catalogue.places)
    with clock.stage("resolve"):
        checked, found, limits = _within_limits(checked, intake.controls, people, ground)
        ledger = ledger_of(checked, found.fates)
    intake = replace(
        intake,
        findings=findings.without_refused(intake.findings, checked.accepted.sources),
        repairs=without_identifiers(findings.without_refused(intake.repairs, checked.accepted.sources)),
    )
    reached = reaches(checked, found.fates, settings, ground.cut_on, ground.as_of)
    own = findings.frame(ground.catalogue.notes)
    told = findings.joined(
        [own, intake.findings, people.findings, checked.findings, found.findings, limits, about_sites(reached)]
    )  # fmt: skip
    told = findings.without_advice_on_identifiers(told)
    scores = scorecard_of(checked, found.fates, told, reached, settings)
    told = without_identifiers(findings.joined([told, scores.findings]))
    return Accounted(
        ground, intake, checked, people, found, reached, ledger, told, warnings(reached, checked, told), scores,
    )  # fmt: skip


def _within_limits(
    checked: Validated, controls: tuple[ControlTotal, ...], people: People, ground: Ground
) -> tuple[Validated, Resolved, pd.DataFrame]:
    """Rows of the exports that keep the stop limits, resolved, and what the limits say.

    Whether a death contradicts an operation is known after `resolve` only; setting an export aside brings back what
    it had replaced, so all is looked at again until nothing more is set aside.
    """
    from pipeline import stop_limits
    from pipeline.resolve import resolved

    impossible: tuple[stop_limits.SetAside, ...] = ()
    while True:
        possible = stop_limits.without(checked, impossible)
        looked = stop_limits.looked_at(possible, controls, ground.settings)
        kept = stop_limits.without(possible, looked.aside)
        found = resolved(kept.accepted, people, ground.settings, ground.look, ground.cut_on)
        more = stop_limits.contradictory(kept.accepted, found.impossible)
        if not more:
            aside = [told for each in (*impossible, *looked.aside) for told in each.findings]
            return kept, found, findings.frame([*aside, *looked.told])
        impossible += more


def checked(asked: Asked, out: Path, listener: Listener = silent) -> Done:
    """Account for every row and write ledger, held-back rows, repairs, quality and notes to the senders."""
    from pipeline.publish import write_check
    from pipeline.publish.row_tables import row_tables

    ground = ground_of(asked)
    clock = Clock(listener)
    rows = accounted(ground, clock)
    if not rows.intake.sources:
        raise CannotFinish(
            f"{asked.workspace} holds no exports received up to {ground.as_of}. Nothing was written."
        )
    with clock.stage("publish"):
        sites = tuple(reach.site.site_id for reach in rows.reached)
        told = marked(rows.findings, rows.people.known_findings, ground.as_of)
        tables = row_tables(rows.validated, rows.resolved.fates, rows.ledger, told, rows.intake.repairs)
        tables |= rows.scorecard.tables
        standing = _for_senders(rows, told)
        write_check(out, tables, standing, sites, ground.settings.access_group)
    return Done(out, rows.warnings, ground, summary_of(told, standing, rows.over_tolerance))


def _for_senders(rows: Accounted, told: pd.DataFrame) -> pd.DataFrame:
    from pipeline.standing import for_senders

    return for_senders(told, rows.validated, rows.intake.exports, rows.ground.settings)


def audited(asked: Asked, editions: Path, listener: Listener = silent) -> Done:
    """Run everything and publish an edition under `editions/<period>/`.

    Raises:
        WrongUse: Settings, catalogue or a mapping cannot be used.
        CannotFinish: Nothing was written; the message says why.
    """
    from pipeline.audit import analysed, edition_tables
    from pipeline.editions import edition_hex
    from pipeline.publish import write_edition

    ground = ground_of(asked)
    clock = Clock(listener)
    rows = accounted(ground, clock)
    if not any(reach.data_until for reach in rows.reached):
        raise CannotFinish(
            f"No site sent anything usable up to {ground.as_of}. Nothing was written. "
            f"`limbaudit check {asked.workspace}` says what is wrong with each file."
        )
    result = analysed(rows, clock)
    with clock.stage("publish"):
        inputs = inputs_of(rows)
        context = context_of(rows, result.findings, inputs)
        name = edition_hex(_identity(ground, inputs))
        tables = edition_tables(rows, result)
        place = write_edition(editions, name, tables, context, clock.record)
    summary = summary_of(context.found, context.for_senders, rows.over_tolerance)
    return Done(place, rows.warnings, ground, summary)


def inputs_of(rows: Accounted) -> dict[str, str]:
    """Path from the workspace → SHA-256 of every file the edition depends on."""
    asked = rows.ground.asked
    exports = {
        source.source_file.partition("#")[0]: source.sha256 for source in rows.validated.accepted.sources
    }
    written = {path.relative_to(asked.workspace).as_posix(): sha256_of(path) for path in rows.people.files}
    rules = {name: sha256_of(path) for name, path in rule_files(asked.rules_folder).items()}
    return dict(sorted({**exports, **written, **rules}.items()))


def rule_files(folder: Path) -> dict[str, Path]:
    """Settings, catalogue and mappings as they lie in a workspace or an edition's copies."""
    names = ["audit.toml", "catalogue.toml"]
    files = [folder / name for name in names if (folder / name).is_file()]
    files += sorted(path for path in folder.glob("mappings/*.toml") if path.is_file())
    return {path.relative_to(folder).as_posix(): path for path in files}


def _identity(ground: Ground, inputs: dict[str, str]) -> dict[str, object]:
    """All that an edition depends on; its name is the start of the hash of this."""
    return {
        "inputs": inputs,
        "as_of": ground.as_of,
        "period": ground.period.name,
        "program": program_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
    }


def program_version() -> str:
    return version("limbaudit")


def context_of(rows: Accounted, found: pd.DataFrame, inputs: dict[str, str]) -> Context:
    """What an edition says about itself."""
    from pipeline.publish.context import Context, Input, SiteState

    ground = rows.ground
    sites = tuple(
        SiteState(
            site=reach.site.site_id,
            name=reach.site.name,
            data_until=reach.data_until,
            late=reach.late,
            incomplete=reach.incomplete,
            set_aside=tuple(source.source_file for source in reach.set_aside),
            verdict=rows.scorecard.verdicts[reach.site.site_id].word,
            reasons=rows.scorecard.verdicts[reach.site.site_id].reasons,
        )
        for reach in rows.reached
    )
    return Context(
        period=ground.period.name,
        cut_on=ground.cut_on,
        as_of=ground.as_of,
        sites=sites,
        settings=ground.settings,
        catalogue=ground.catalogue,
        version=program_version(),
        inputs=tuple(Input(path, digest) for path, digest in inputs.items()),
        found=found,
        for_senders=_for_senders(rows, found),
        warnings=rows.warnings,
        as_used={name: path.read_bytes() for name, path in rule_files(ground.asked.rules_folder).items()},
        versions={name: version(name) for name in LIBRARIES},
    )

"""The whole job, stage by stage: this module is the table of contents.

    received ─ intake ─ validate ─ resolve ─ link ─ classify ─ count ─ estimate ─ publish

`checked` goes as far as the ledger; `audited` goes to the end and writes an edition. Both are pure in their
inputs: the same files, settings, period and `as_of` give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import findings
from pipeline.clock import Clock, Listener, silent
from pipeline.errors import CannotFinish
from pipeline.ground import Asked, Ground, ground_of
from pipeline.known import marked
from pipeline.second import ALONE, Alone, helping_hand
from pipeline.side_by_side import at_once
from pipeline.summary import Summary, summary_of

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from pipeline.handover import ControlTotal, Intake, Resolved, Validated
    from pipeline.people import People
    from pipeline.publish.context import Context
    from pipeline.removals import Removed
    from pipeline.room import Room
    from pipeline.scorecard import Scorecard
    from pipeline.signed import SignedEdition
    from pipeline.sites import Reach

__all__ = [
    "STAGES",
    "Accounted",
    "Asked",
    "Done",
    "Ground",
    "Made",
    "accounted",
    "audited",
    "checked",
    "ground_of",
    "made",
]

STAGES = ("intake", "validate", "resolve", "link", "classify", "count", "estimate", "publish")


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
    removed: Removed
    troubles: tuple[str, ...] = ()

    @property
    def over_tolerance(self) -> set[tuple[str, str]]:
        """(site, table) of whose newest receipt too many rows are held back."""
        return {(reach.site.site_id, table) for reach in self.reached for table in reach.over_tolerance}


@dataclass(frozen=True)
class Done:
    """How a run ended. `exit_code` is 0, or 1 with `warnings` that say why; `place` is what it wrote or left standing.

    `notes` say what else the person at the keyboard should know.
    """

    place: Path
    warnings: tuple[str, ...]
    ground: Ground
    summary: Summary
    notes: tuple[str, ...] = ()
    written: bool = True

    @property
    def exit_code(self) -> int:
        return 1 if self.warnings else 0


def accounted(ground: Ground, clock: Clock) -> Accounted:
    """Intake, validate, resolve, and the ledger in which every row has its place.

    Raises:
        CannotFinish: No site is usable, or rows do not add up.
    """
    from pipeline.file_work import without_texts
    from pipeline.intake.receive import here, receive_all
    from pipeline.ledger import ledger_of
    from pipeline.people import people_known
    from pipeline.removals import without_removed
    from pipeline.scorecard import scorecard_of
    from pipeline.shelf import Shelf
    from pipeline.sites import about_sites, reaches, warnings
    from pipeline.validate import without_identifiers
    from pipeline.validate.kept import validated_with
    from pipeline.validate.masking import without_names

    asked, settings = ground.asked, ground.settings
    with clock.stage("intake"):
        written = people_known(asked.workspace, ground.as_of)
        workers = None if written.removals.shape[0] else asked.engine.for_files()
        reader = workers.received if workers else partial(here, room_for=asked.engine.room_for)
        intake = receive_all(asked.workspace, settings, ground.as_of, asked.rules_folder / "mappings", reader)
        intake, written, removed = without_removed(intake, written, "patient" in settings.shared_identity)
        people = without_names(written)
    with clock.stage("validate"):
        shelf = Shelf(asked.kept, settings.access_group) if asked.kept and not workers else None
        room = asked.engine.room_for(sum(source.rows_read for source in intake.sources))
        if workers:
            checked = workers.checked(intake, settings, ground.catalogue.places, room)
        else:
            checked = validated_with(shelf, intake, settings, ground.catalogue.places, room)
        intake = replace(intake, exports=tuple(without_texts(export) for export in intake.exports))
    with clock.stage("resolve"):
        checked, found, limits = _within_limits(checked, intake.controls, people, ground, room)
        ledger = ledger_of(checked, found.fates)
    intake = replace(
        intake,
        findings=findings.without_refused(intake.findings, checked.accepted.sources),
        repairs=without_identifiers(findings.without_refused(intake.repairs, checked.accepted.sources)),
    )
    reached = reaches(checked, found.fates, settings, ground.cut_on, ground.as_of)
    own = findings.frame(ground.catalogue.notes)
    told = findings.joined(
        [own, intake.findings, people.findings, removed.findings, checked.findings, found.findings, limits, about_sites(reached)]
    )  # fmt: skip
    told = findings.without_advice_on_identifiers(told)
    scores = scorecard_of(checked, found.fates, told, reached, settings)
    told = without_identifiers(findings.joined([told, scores.findings]))
    return Accounted(
        ground, intake, checked, people, found, reached, ledger, told, warnings(reached, checked, told), scores, removed,
        shelf.troubles if shelf else (),
    )  # fmt: skip


def _within_limits(
    checked: Validated, controls: tuple[ControlTotal, ...], people: People, ground: Ground, room: Room
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
        found = resolved(kept.accepted, people, ground.settings, ground.look, ground.cut_on, room)
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
    summary = summary_of(told, standing, rows.over_tolerance, rows.ledger)
    return Done(out, rows.warnings, ground, summary, rows.troubles)


def _for_senders(rows: Accounted, told: pd.DataFrame) -> pd.DataFrame:
    from pipeline.standing import for_senders

    return for_senders(told, rows.validated, rows.intake.exports, rows.ground.settings)


@dataclass(frozen=True)
class Made:
    """An edition before it is written, without the rows it was made from.

    Attributes:
        ground: Settings and days of the run.
        over_tolerance: (site, table) of whose newest receipt too many rows are held back.
        removed: What requests to remove patients took out.
        troubles: What hindered keeping things for the next run.
        tables: Every published table, by name.
        context: What the edition says about itself.
        earlier: The signed edition it is compared with, if there is one.
    """

    ground: Ground
    over_tolerance: set[tuple[str, str]]
    removed: Removed
    troubles: tuple[str, ...]
    tables: dict[str, pd.DataFrame | pa.Table]
    context: Context
    earlier: SignedEdition | None

    def done(self, place: Path, editions: Path, notes: tuple[str, ...], written: bool = True) -> Done:
        """How the run that made it ends."""
        from pipeline.still_held import told_of

        found, standing = self.context.found, self.context.for_senders
        told = summary_of(found, standing, self.over_tolerance, self.tables["ledger"])
        notes = (*notes, *self.troubles, *told_of(editions, self.removed))
        return Done(place, self.context.warnings, self.ground, told, notes, written)


def made(asked: Asked, editions: Path, clock: Clock, hand: Alone = ALONE) -> Made:
    """Everything of an edition, worked out and not yet written.

    Args:
        editions: Folder of all editions, in which the signed one is found that this one is compared with.
        hand: Who does part of the work meanwhile.

    Raises:
        WrongUse: Settings, catalogue or a mapping cannot be used.
        CannotFinish: No site sent anything usable.
    """
    from pipeline.audit import analysed
    from pipeline.edition_facts import context_of
    from pipeline.edition_tables import edition_tables
    from pipeline.listing import listing
    from pipeline.looking_back import fault_of, looked_back
    from pipeline.signed import last_outward, last_signed, next_number

    ground = ground_of(asked)
    rows = accounted(ground, clock)
    if not any(reach.data_until for reach in rows.reached):
        raise CannotFinish(
            f"No site sent anything usable up to {ground.as_of}. Nothing was written. "
            f"`limbaudit check {asked.workspace}` says what is wrong with each file."
        )
    result = analysed(rows, clock, hand)
    earlier = last_signed(editions, ground.period, ground.as_of)
    broken = fault_of(earlier) if earlier else ""
    with clock.stage("publish"):
        tables, standing = at_once(
            len(result.whole.cases),
            lambda: edition_tables(rows, result),
            lambda: _for_senders(rows, result.findings),
        )
    context = replace(
        context_of(rows, result.findings, standing),
        warnings=(*rows.warnings, *([broken] if broken else [])),
        number=next_number(editions, ground.period),
        compared_with={earlier.name: earlier.manifest_sha256} if earlier else {},
        set_against=last_outward(editions, ground.cut_on, ground.as_of),
    )
    with clock.stage("publish"):
        comparable = None if broken else earlier
        tables |= looked_back(comparable, rows, result, tables, context, clock)
        listed = replace(context, lists=listing(rows, result, tables))
    return Made(ground, rows.over_tolerance, rows.removed, rows.troubles, tables, listed, earlier)


def audited(asked: Asked, editions: Path, listener: Listener = silent) -> Done:
    """Run everything and publish a draft under `editions/<period>/`; where nothing has changed since the last signed
    edition of the period was signed, that one stands and nothing is written.

    Raises:
        WrongUse: Settings, catalogue or a mapping cannot be used.
        CannotFinish: Nothing was written; the message says why.
    """
    from pipeline.publish import PREPARES, write_front_page
    from pipeline.stands_already import before

    known = before(ground_of(asked), editions)
    again = known.done() if known else None
    if again is not None:
        if again.written:
            write_front_page(editions, again.ground.settings.access_group)
        return again
    clock = Clock(listener)
    with helping_hand(asked.processes, PREPARES) as hand:
        new = made(asked, editions, clock, hand)
        done = _published(new, editions, clock, hand)
    if known:
        known.keep(done, new.troubles)
    return done


def _published(new: Made, editions: Path, clock: Clock, hand: Alone) -> Done:
    """The edition written, or the signed one left that holds the same."""
    from pipeline.edition_facts import draft_hex
    from pipeline.editions import wiser_than, without_outward
    from pipeline.publish import write_edition
    from pipeline.signed import holds_the_same, point_to

    signed = new.earlier
    if signed and holds_the_same(signed, new.context.period, new.context.made_from):
        point_to(editions, signed, new.context.settings.access_group)
        stands = f"Nothing has changed since {signed.name} was signed; it stands."
        return new.done(signed.folder, editions, (stands,), written=False)
    with clock.stage("publish"):
        place = write_edition(editions, draft_hex(new.context), new.tables, new.context, clock.record, hand)
    wiser = wiser_than(place)
    stays = f"{wiser} stays the current edition: it uses what was received or decided later."
    untold = without_outward(place)
    return new.done(place, editions, tuple(note for note in (stays if wiser else "", untold) if note))

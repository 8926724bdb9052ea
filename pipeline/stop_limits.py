"""Exports that break a stop limit: far fewer rows, too many records gone, a control total missed.

An export is what one receipt of a site brings of one table. Exports are looked at in the order of their receipts,
each against those before it that were not set aside. A site that sends everything must go on sending what it sent;
one that sends changes need not. Where audit.toml does not say which, an export with fewer than half the usual rows
is taken as a list of changes, unless the site has sent everything twice before.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from pipeline.exports_sent import Sent, exports_sent, rows_kept
from pipeline.findings import without_refused
from pipeline.handover import Accepted, ControlTotal, Source, Validated
from pipeline.settings import Settings, Site

if TYPE_CHECKING:
    import pyarrow as pa

#: Exports before this one that its volume is held against.
EXPORTS_COMPARED = 8
#: Share of the usual rows below which an export of unstated kind is a list of changes.
CHANGES_BELOW = 0.5
#: Share of the records of the export before that one of everything holds again.
HOLDS_AGAIN = 0.9
VANISHED = (
    "This record was sent before and is not in the newest export. Mark it as withdrawn if it was taken back; "
    "until then it is kept."
)


@dataclass(frozen=True)
class SetAside:
    """An export that is not used, by site, table and receipt, and why; `lines`: file and line of rows that show it."""

    site: str
    table: str
    receipt: date
    rule: str
    message: str
    source_file: str = ""
    lines: tuple[tuple[str, int], ...] = ()

    @property
    def findings(self) -> list[dict[str, object]]:
        """One, or one a line."""
        said = {"site": self.site, "table": self.table, "rule": self.rule, "message": self.message}
        lines: Sequence[tuple[str, int | None]] = self.lines or [(self.source_file, None)]
        return [{**said, "source_file": file, "source_line": line} for file, line in lines]


@dataclass(frozen=True)
class Looked:
    """Exports to set aside, and findings about those that go on."""

    aside: tuple[SetAside, ...] = ()
    told: tuple[dict[str, object], ...] = ()


@dataclass(frozen=True)
class _History:
    """What a site has sent of a table so far: rows of each export of everything, and its records (bool over all).

    `newest`: in the newest export; `taken`: those of them that were accepted; `known`: ever accepted; `certain`: of
    these (operations: performed) that stand.
    """

    newest: np.ndarray
    taken: np.ndarray
    known: np.ndarray
    certain: np.ndarray
    withdrawn: np.ndarray
    volumes: tuple[int, ...] = ()
    sends_everything: bool = False
    newest_file: str = ""


def looked_at(validated: Validated, controls: Sequence[ControlTotal], settings: Settings) -> Looked:
    """Every export against the limits of the settings, in the order site, table, receipt."""
    found = [
        _of_site(exports, settings, [each for each in controls if each.site == exports[0].site])
        for exports in exports_sent(validated, {(total.site, total.receipt) for total in controls})
    ]
    return Looked(
        tuple(each for looked in found for each in looked.aside),
        tuple(each for looked in found for each in looked.told),
    )


def _of_site(exports: Sequence[Sent], settings: Settings, controls: Sequence[ControlTotal]) -> Looked:
    """The exports of one table of one site."""
    site = settings.sites.get(exports[0].site, Site(exports[0].site))
    none = exports[0].none
    history = _History(none, none, none, none, none)
    aside: list[SetAside] = []
    told: list[dict[str, object]] = []
    for sent in exports:
        whole = _is_everything(sent, site, history)
        broken = _broken(sent, whole, history, settings, controls)
        if broken:
            aside.append(broken)
            continue
        if not whole and not site.sends:
            told.append(_unstated(sent, history))
        history = _after(history, sent, whole)
    return Looked(tuple(aside), (*told, *_vanished(exports, history)))


def _is_everything(sent: Sent, site: Site, history: _History) -> bool:
    """Whether an export stands for all records of its table."""
    if site.sends or not history.volumes:
        return site.sends != "changes"
    return history.sends_everything or sent.rows >= CHANGES_BELOW * _usual(history)


def _usual(history: _History) -> float:
    return float(median(history.volumes[-EXPORTS_COMPARED:]))


def _broken(
    sent: Sent, whole: bool, history: _History, settings: Settings, controls: Sequence[ControlTotal]
) -> SetAside | None:
    """The first limit that an export breaks."""
    limits = settings.tolerance
    checks = (
        [_volume(sent, history, limits.volume_drop), _gone(sent, history, limits.vanished_share)]
        if whole
        else []
    )
    missed = _controls_missed(sent, whole, history, controls, limits.control_total)
    return next((each for each in (*checks, missed) if each), None)


def _aside(sent: Sent, rule: str, what: str) -> SetAside:
    message = _not_used(what, sent.table, sent.receipt)
    return SetAside(sent.site, sent.table, sent.receipt, rule, message, sent.source_file)


def _not_used(what: str, table: str, receipt: date) -> str:
    return f"{what} The export of {table} of {receipt} is not used; the one before stands."


def _volume(sent: Sent, history: _History, limit: float) -> SetAside | None:
    if not history.volumes or sent.rows >= (1 - limit) * _usual(history):
        return None
    compared = len(history.volumes[-EXPORTS_COMPARED:])
    before = "the export before has" if compared == 1 else f"the median of the {compared} exports before is"
    return _aside(
        sent,
        "volume_drop",
        f"It has {sent.rows} rows, {before} {_usual(history):g}: down by more than {limit:.0%}.",
    )


def _gone(sent: Sent, history: _History, limit: float) -> SetAside | None:
    """Records of the export before that this one lacks, withdrawn ones apart."""
    before = history.taken & ~history.withdrawn
    gone, stood = int((before & ~sent.records).sum()), int(before.sum())
    if not gone or gone <= limit * stood:
        return None
    return _aside(
        sent,
        "vanished_share",
        f"{gone} of the {stood} records of the export before are gone: more than {limit:.0%}.",
    )


def _controls_missed(
    sent: Sent, whole: bool, history: _History, controls: Sequence[ControlTotal], limit: float
) -> SetAside | None:
    theirs = [each for each in controls if each.receipt == sent.receipt and each.rows is not None]
    for total in theirs:
        fewest, most = _counted(sent, whole, history, total)
        stated = total.rows or 0
        if (total.file and total.file not in sent.files) or total.table not in ("", sent.table):
            continue
        if stated - most > limit * stated or fewest - stated > limit * stated:
            sent_rows = f"{fewest}" if fewest == most else f"{fewest} to {most}"
            counted = total.file or "the sender"
            what = f"{counted} should hold" if total.file else f"{counted} counted"
            return _aside(
                sent,
                "control_total_missed",
                f"{what} {stated} records by {total.source_file}, line {total.line}, but {sent_rows} were sent: "
                f"off by more than {limit:.0%}.",
            )
    return None


def _counted(sent: Sent, whole: bool, history: _History, total: ControlTotal) -> tuple[int, int]:
    """Fewest and most records that were sent of what a total counts; rows held back or removed may belong to it or not."""
    if total.file:
        rows = sent.files.get(total.file, 0)
        return rows, rows + sent.removed
    certain = sent.certain_between(total.first_day, total.last_day)
    fewest, most = int(certain.sum()), int((certain | sent.uncertain).sum()) + sent.removed
    if whole:
        return fewest, most
    dated = sent.dated_between(total.first_day, total.last_day)
    before = int((history.certain & ~sent.records & dated).sum())
    return fewest + before, most + before


def _after(history: _History, sent: Sent, whole: bool) -> _History:
    """The history with one more export that was accepted."""
    before = history.taken & ~history.withdrawn
    held_again = (before & sent.records).sum() >= HOLDS_AGAIN * before.sum()
    return _History(
        newest=sent.records if whole else history.newest | sent.records,
        taken=sent.accepted if whole else history.taken | sent.accepted,
        known=history.known | sent.accepted,
        certain=(history.certain & ~sent.records) | sent.certain_between(None, None),
        withdrawn=(history.withdrawn | sent.withdrawn) & ~sent.active,
        volumes=(*history.volumes, sent.rows) if whole else history.volumes,
        sends_everything=history.sends_everything or bool(whole and before.any() and held_again),
        newest_file=sent.source_file if whole else history.newest_file,
    )


def _unstated(sent: Sent, history: _History) -> dict[str, object]:
    message = (
        f"It has {sent.rows} rows where {_usual(history):g} are usual and was taken as a list of changes. "
        f'Say `sends = "changes"` or `sends = "everything"` under [sites.{sent.site}] in audit.toml.'
    )
    place = {"site": sent.site, "source_file": sent.source_file, "table": sent.table}
    return {**place, "rule": "sends_not_stated", "message": message}


def _vanished(exports: Sequence[Sent], history: _History) -> Iterator[dict[str, object]]:
    """One finding a record that is kept although the newest export of everything lacks it."""
    gone = history.known & ~(history.newest | history.withdrawn)
    place = {"site": exports[0].site, "source_file": history.newest_file, "table": exports[0].table}
    for record in sorted(exports[0].names_of(gone)):
        yield {**place, "rule": "records_vanished", "record_id": record, "message": VANISHED}


def contradictory(accepted: Accepted, impossible: Mapping[str, np.ndarray]) -> tuple[SetAside, ...]:
    """Exports to set aside because together they say that a patient was operated on after death.

    Of the rows that contradict each other those of the newest receipt are doubted, in every table they stand in.
    """
    places = [
        (str(site), name, accepted.sources[int(number)], int(line))
        for name, rows in impossible.items()
        for site, number, line in _places(accepted.tables[name], rows)
    ]
    newest: dict[str, date] = {}
    for site, _, source, _ in places:
        newest[site] = max(newest.get(site, source.receipt), source.receipt)
    doubted: dict[tuple[str, str], set[tuple[str, int]]] = {}
    for site, name, source, line in places:
        if source.receipt == newest[site]:
            doubted.setdefault((site, name), set()).add((source.source_file, line))
    return tuple(
        _after_death(site, name, newest[site], tuple(sorted(lines)))
        for (site, name), lines in sorted(doubted.items())
    )


def _after_death(site: str, table: str, receipt: date, lines: tuple[tuple[str, int], ...]) -> SetAside:
    what = f"By line {lines[0][1]} a patient is operated on after the day of death"
    more = len(lines) - 1
    what += f", and by {more} more {'line' if more == 1 else 'lines'}." if more else "."
    message = _not_used(what, table, receipt)
    return SetAside(site, table, receipt, "death_before_operation", message, lines[0][0], lines)


def _places(table: pa.Table, rows: np.ndarray) -> Iterator[tuple[str, int, int]]:
    """Site, ledger line and line in the file of some rows."""
    taken = table.select(["site", "source_number", "source_line"]).take(rows)
    return zip(*(taken[name].to_pylist() for name in taken.column_names), strict=True)


def without(validated: Validated, aside: Sequence[SetAside]) -> Validated:
    """The rows that go on when exports are set aside; theirs are counted as refused.

    Nothing said about single rows of such an export stays, as with every refused file.
    """
    if not aside:
        return validated
    accepted, held_back, dropped = rows_kept(validated, {(a.site, a.table, a.receipt) for a in aside})
    rules = {(a.table, a.receipt): a.rule for a in aside}
    sources = tuple(
        _refused_in_part(source, int(rows), rules.get((source.table, source.receipt), ""))
        for source, rows in zip(validated.accepted.sources, dropped, strict=True)
    )
    return replace(
        validated,
        accepted=replace(validated.accepted, sources=sources, tables=accepted),
        quarantined=held_back,
        findings=without_refused(validated.findings, sources),
        repairs=without_refused(validated.repairs, sources),
    )


def _refused_in_part(source: Source, dropped: int, rule: str) -> Source:
    """The ledger line after `dropped` of its rows were set aside; all of it where nothing else is left."""
    if not dropped:
        return source
    if dropped + source.non_data + source.not_selected + source.removed == source.rows_read:
        return replace(source, refused=source.rows_read, non_data=0, not_selected=0, removed=0, reason=rule)
    return replace(source, refused=source.refused + dropped, reason=rule)

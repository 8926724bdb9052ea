"""`python tests/chaos/nights.py [--nights 400] [--seed 1]`: a department's nights, with everything that goes wrong in them.

Hospitals send late, wrong, twice and not at all; the machine is off for days; editions are signed. After each night
what stands on disk is held against what should stand there, which is worked out apart; at the end an edition made from
nothing, in another process, is held against the one that grew.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).parents[2]))

import expected
import looks
from department import Department, Site
from kept import Kept

from pipeline.editions import current_edition
from pipeline.nightly import NightDone, Place, TaskDone, night
from pipeline.run import Asked, audited, checked
from pipeline.signing import signed
from pipeline.verifying import looked_at

ZONE = ZoneInfo("Europe/Dublin")
#: The first receipts, and the first night; 29 March has no 01:30, 25 October has two.
FIRST_RECEIPTS, INSTALLED = date(2026, 3, 2), date(2026, 3, 20)
CATALOGUE = Path(__file__).parents[1] / "journeys" / "twelve_courses" / "catalogue.toml"
#: Fewer nights than this are a short course: less history, more that goes wrong, fewer looks at the end.
SHORT = 60
#: Every so many nights nothing is kept from the nights before.
AFRESH = 40
DUE = {"harbour": 2, "hillside": 2, "ferry": 4}
SETTINGS = """contract = 1
[schedule]
nightly = "30 1 * * *"
monthly = "0 6 3 * *"
timezone = "Europe/Dublin"
"""
MAPPING = """contract = 1
[[table]]
table = "operations"
file = "theatre_log*.csv"
columns = { operation_id = "operation_id" }
"""


@dataclass
class Tally:
    """What was done, and what was amiss."""

    amiss: list[str] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)
    seconds: list[float] = field(default_factory=list)


class Course:
    """All the nights of one department.

    Attributes:
        place: Where the program works.
        told: What was found.
        done_until: Up to when the machine has done everything.
        pending: Nights the machine was off, with what a check on that very night said, in a folder of its own.
    """

    def __init__(self, folder: Path, nights: int, seed: int) -> None:
        self.nights, self.folder = nights, folder
        self.rng = random.Random(seed * 7919 + 1)
        workspace = folder / "audit"
        workspace.mkdir(parents=True)
        self.place = Place.of(workspace, workspace / "editions", folder / "state")
        self.department = Department(
            seed, workspace, _sites(nights), FIRST_RECEIPTS, 3 if nights < SHORT else 1
        )
        self.told = Tally()
        self.done_until: datetime | None = None
        self.off_until = INSTALLED + timedelta(4)
        self.sealed: dict[str, dict[str, str]] = {}
        self.in_time: dict[date, Path] = {}
        self.to_sign: dict[str, date] = {}
        self.is_short = nights < SHORT
        self.last: tuple[Path, date, tuple[str, ...]] | None = None
        shutil.copy(CATALOGUE, workspace / "catalogue.toml")
        self._write_settings()

    # ------------------------------------------------------------ days

    def begin(self) -> None:
        """A year and a half in the hospitals before anything is sent, then the days until the machine is there."""
        for days in range(200 if self.is_short else 540, 0, -1):
            self.department.live(FIRST_RECEIPTS - timedelta(days))
        for days in range((INSTALLED - FIRST_RECEIPTS).days):
            self._outside(FIRST_RECEIPTS + timedelta(days))

    def one(self, number: int) -> None:
        """One day: what arrives, the night's work if the machine is on, what people do."""
        day = INSTALLED + timedelta(number)
        is_off = number and day <= self.off_until
        if not is_off:
            self._change_rules(day, number)
        self._arrives(day)
        if is_off:
            if number < 30 or self.rng.random() < 0.3:
                self._note_in_time(day)
        else:
            self._work(day)
            if self.rng.random() < 0.04:
                self.off_until = day + timedelta(self.rng.randrange(1, 10))
        self._people(day, is_off=bool(is_off))
        self.department.live(day)

    def _outside(self, day: date) -> None:
        self._arrives(day)
        self._people(day, is_off=True)
        self.department.live(day)

    def _arrives(self, day: date) -> None:
        for site in self.department.sites.values():
            for sent in self.department.export(site, day):
                self.told.done[f"files {sent.fault or 'good'}"] += 1
                self.told.done["rows sent"] += len(sent.rows)
                self.told.done["rows with a cell that cannot be read"] += len(sent.spoilt)
        self.department.write_told(day)

    def _people(self, day: date, is_off: bool) -> None:
        """Reviews by day are dated the next, so that the night before does not know them."""
        for site in self.department.sites.values():
            if self.rng.random() < 0.12:
                self.department.review(site, day + timedelta(1))
        if not is_off:
            for period in [name for name, when in self.to_sign.items() if when <= day]:
                self._sign(period)

    # ------------------------------------------------------------ rules without a date

    def _change_rules(self, day: date, number: int) -> None:
        """Settings and mappings hold for all days at once, so they change only when no night waits."""
        if self.done_until is None or self.done_until.date() < day - timedelta(1):
            return
        if number >= self.nights * 0.45 and "ferry" not in self.department.listed:
            self.department.listed.add("ferry")
            self._write_settings()
            self.told.done["settings changed"] += 1
        for sent in self.department.received:
            old = sent.receipt < day - timedelta(9) and sent.fault == "unmapped"
            if old and sent.site not in self.department.mapped:
                self.department.mapped.add(sent.site)
                path = self.place.workspace / "mappings" / f"{sent.site}.toml"
                path.parent.mkdir(exist_ok=True)
                path.write_text(MAPPING)
                self.told.done["mappings added"] += 1

    def _write_settings(self) -> None:
        text = SETTINGS
        for site in self.department.sites.values():
            if site.name in self.department.listed:
                text += f'[sites.{site.name}]\nname = "{site.name}"\nsends = "{site.sends}"\ndue_day = {DUE[site.name]}\n'
        (self.place.workspace / "audit.toml").write_text(text)

    # ------------------------------------------------------------ nights

    def _work(self, day: date) -> None:
        now = datetime.combine(day, clock_time(3, self.rng.randrange(60)), ZONE)
        begun = time.monotonic()
        done = night(self.place, now, wait=lambda seconds: None)
        self.told.seconds.append(time.monotonic() - begun)
        self.told.done["nights"] += 1
        self.told.done["nights caught up"] += max(
            0, sum(one.task.kind == "nightly" for one in done.tasks) - 1
        )
        asked = [(one.task.kind, one.task.as_of) for one in done.tasks]
        if asked != (wanted := self._due(day)):
            self._amiss(day, f"did {asked}, due was {wanted}")
        for task in done.tasks:
            self._look_at(day, task)
        self._look_at_all(day, done)
        self.done_until = now
        if self.rng.random() < 0.1 and (again := night(self.place, now + timedelta(hours=1))).tasks:
            self._amiss(day, f"a second call in one night did {again.tasks}")

    def _due(self, day: date) -> list[tuple[str, date]]:
        """The nightly work at 01:30 of each day since, the monthly at 06:00 of the third."""
        if self.done_until is None:
            return [("monthly", day.replace(day=3)), ("nightly", day)]
        found: list[tuple[str, date]] = []
        last = self.done_until.date()
        for days in range((day - last).days + 1):
            each = last + timedelta(days)
            found += [("nightly", each)] * (each > last) + [("monthly", each)] * (
                each.day == 3 and each < day
            )
        return found

    def _look_at(self, day: date, task: TaskDone) -> None:
        as_of = task.task.as_of
        known = expected.known(self.department, as_of, DUE)
        if (said := looks.reasons(task.reasons)) != known.reasons or task.exit_code != bool(known.reasons):
            self._amiss(
                day,
                f"{task.task.kind} of {as_of} ended with {task.exit_code}; too much: {said - known.reasons}, "
                f"lacking: {known.reasons - said}",
            )
        self.told.done[f"{task.task.kind} tasks with exit code {task.exit_code}"] += 1
        for word in {reason[0] for reason in known.reasons}:
            self.told.done[f"tasks told of {word}"] += 1
        if task.task.kind == "monthly":
            self._look_at_edition(day, task.task.period, as_of, known)
            self.to_sign[task.task.period] = day + timedelta(self.rng.randrange(1, 8))
            return
        check = self.place.checks / as_of.isoformat()
        asked_since = self.department.known("removals", day) != self.department.known("removals", as_of)
        if check.exists() == asked_since:
            self._amiss(day, f"the check of {as_of} {'lies there still' if asked_since else 'is not there'}")
        if asked_since:  # what a night wrote goes when a later one hears of a patient who has to
            self.told.done["checks gone with a removal"] += 1
            shutil.rmtree(self.in_time.pop(as_of, self.folder / "none"), ignore_errors=True)
            return
        self._all_amiss(day, looks.ledger_amiss(check / "ledger.csv", known))
        self._all_amiss(day, looks.leaked(check))
        if twin := self.in_time.pop(as_of, None):
            if different := looks.unlike(check, twin):
                self._amiss(day, f"caught up, {as_of} is other than in time: {different}")
            self.told.done["caught up as in time"] += not different
            shutil.rmtree(twin)

    def _look_at_edition(self, day: date, period: str, as_of: date, known: expected.Known) -> None:
        edition = current_edition(self.place.editions, period)
        if edition is None:
            self._amiss(day, f"no edition of {period}")
            return
        self._all_amiss(day, looks.ledger_amiss(edition / "department" / "ledger.csv", known))
        self._all_amiss(day, looks.leaked(edition))
        found, wanted = looks.figures(edition), expected.figures(self.department, known, as_of)
        if found != wanted:
            self._amiss(day, f"{period} counts {found}, the truth is {wanted}")
        self.told.done["editions made"] += 1
        self.last = edition, as_of, tuple(self.sealed)
        shutil.rmtree(self.folder / "then", ignore_errors=True)
        _copied_backwards(self.place.workspace, self.folder / "then")
        if before := self._signed_before(period):
            self._all_amiss(day, looks.changes_amiss(before, edition))
            self.told.done["editions compared with a signed one"] += 1

    def _signed_before(self, period: str) -> Path | None:
        """The newest signed edition of this period or one before, by names."""
        names = [tuple(name.split("/")) for name in self.sealed]
        earlier = sorted((p, int(n)) for p, n in names if p <= period)
        return self.place.editions / earlier[-1][0] / str(earlier[-1][1]) if earlier else None

    def _look_at_all(self, day: date, done: NightDone) -> None:
        """Signed editions are as they were; everything verifies; pointers lead somewhere."""
        if done.noted.words:
            self._amiss(day, f"not told: {done.noted.words}")
        if not any(task.task.kind == "monthly" for task in done.tasks) and self.told.done["nights"] % 10:
            return
        for name, before in self.sealed.items():
            if looks.hashes(self.place.editions / name) != before:
                self._amiss(day, f"the signed edition {name} has changed")
        for look in looked_at(self.place.editions):
            if look.faults:
                self._amiss(day, f"{look.name}: {look.faults[0]}")
        left = [path.name for path in self.place.editions.glob(".building-*")]
        if left:
            self._amiss(day, f"left lying: {left}")
        self.told.done["looks at all editions"] += 1

    def _note_in_time(self, day: date) -> None:
        """What the night would have said in time, for a machine that is off."""
        twin = self.folder / "in_time" / day.isoformat()
        checked(Asked(self.place.workspace, as_of=day), twin)
        self.in_time[day] = twin

    # ------------------------------------------------------------ signing

    def _sign(self, period: str) -> None:
        edition = current_edition(self.place.editions, period)
        del self.to_sign[period]
        despite = "looked at" if _warnings(edition) else ""
        done = signed(self.place.workspace, period, "quality officer", despite, self.place.editions)
        self.sealed[f"{period}/{done.number}"] = looks.hashes(done.place)
        self.told.done["editions signed"] += 1
        self.told.done["signed a second time"] += done.number > 1

    def again(self, period: str, day: date) -> None:
        """A signed period is made once more with what has become known, looked at and signed."""
        before = self._signed_before(period)
        audited(Asked(self.place.workspace, period, day), self.place.editions)
        edition = current_edition(self.place.editions, period)
        if before and edition and edition.name.startswith("draft-"):
            self._all_amiss(day, looks.changes_amiss(before, edition))
            self._sign_again(period)

    def _sign_again(self, period: str) -> None:
        self.to_sign[period] = date.min
        self._sign(period)

    # ------------------------------------------------------------ the end

    def end(self) -> None:
        """From nothing, in another process: other order of files on disk, other seed of hashes, another time zone."""
        if self.last:
            self._from_nothing(self.folder / "then", *self.last)
        if self.is_short:
            return
        fresh = self.folder / "fresh"
        _copied_backwards(self.place.workspace, fresh)
        day = INSTALLED + timedelta(self.nights - 1)
        period = expected.cut_of(day).strftime("%Y-%m")
        grown = audited(Asked(self.place.workspace, period, day), self.place.editions).place
        self._from_nothing(fresh, grown, day, tuple(self.sealed))
        self._from_nothing(fresh, grown, day, ())
        for name in sorted(self.sealed)[:: max(1, len(self.sealed) // 3)]:
            self._once_more(name, fresh, day)

    def _from_nothing(self, fresh: Path, grown: Path, as_of: date, beside: tuple[str, ...]) -> None:
        """The same bytes as the edition that grew; without the signed editions of then, but for what looks back at them."""
        out = self.folder / f"from_nothing_{fresh.name}_{len(beside)}"
        for name in beside:
            shutil.copytree(self.place.editions / name, out / name)
        _run(fresh, grown, as_of, out)
        made = current_edition(out, grown.parent.name)
        different = looks.unlike(grown, made, bool(beside)) if made else ["all of it"]
        if different:
            self._amiss(as_of, f"from nothing, {out.name}: {len(different)} files differ: {different[:8]}")
        self.told.done["from nothing, the same bytes"] += not different

    def _once_more(self, name: str, fresh: Path, day: date) -> None:
        """A signed edition from what lies there today, by its own rules: the same tables."""
        edition, out = self.place.editions / name, self.folder / f"again_{name.replace('/', '_')}"
        as_of = date.fromisoformat(looks.manifest(edition)["as_of"])
        period = name.split("/")[0]
        rules = edition / "department" / "as_used"
        audited(Asked(fresh, period, as_of, rules), out)
        made = current_edition(out, period)
        if made is None or (different := looks.unlike(edition / "department", made / "department", False)):
            self._amiss(day, f"{name} made once more differs: {different[:8] if made else 'nothing'}")
        self.told.done["signed editions made once more"] += 1

    # ------------------------------------------------------------ amiss

    def _amiss(self, day: date, what: str) -> None:
        self.told.amiss.append(f"{day}: {what}")
        print(f"AMISS {day}: {what}", flush=True)

    def _all_amiss(self, day: date, found: Iterator[str]) -> None:
        for what in found:
            self._amiss(day, what)


def _warnings(edition: Path | None) -> list[str]:
    return list(looks.manifest(edition)["warnings"]) if edition else []


def _sites(nights: int) -> tuple[Site, ...]:
    """Two hospitals from the start, each silent for a while; a third that sends before anybody has listed it."""

    def at(share: float) -> date:
        return INSTALLED + timedelta(int(nights * share))

    harbour = Site("harbour", "changes", 0.35 if nights >= SHORT else 0.7, 0.5, ((at(0.62), at(0.73)),))
    hillside = Site(
        "hillside",
        "everything",
        0.15 if nights >= SHORT else 0.4,
        0.3,
        ((at(0.4), at(0.85 if nights < SHORT else 0.52)),),
    )
    ferry = Site("ferry", "changes", 0.25 if nights >= SHORT else 0.5, 0.15, (), at(0.25))
    return harbour, hillside, ferry


def _copied_backwards(workspace: Path, fresh: Path) -> None:
    """All but the editions, the last file first."""
    for path in sorted(workspace.rglob("*"), reverse=True):
        name = path.relative_to(workspace)
        if path.is_file() and name.parts[0] != "editions":
            (fresh / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, fresh / name)


def _run(workspace: Path, grown: Path, as_of: date, out: Path) -> None:
    command = [sys.executable, "-m", "pipeline", "run", workspace, "--period", grown.parent.name,
               "--as-of", as_of.isoformat(), "--as-in", grown, "--out", out]  # fmt: skip
    other = {"PYTHONHASHSEED": "4711", "PYTHONPATH": str(Path(__file__).parents[2]), "TZ": "Pacific/Auckland"}
    ended = subprocess.run(
        [str(part) for part in command], env=os.environ | other, capture_output=True, text=True, check=False
    )
    if ended.returncode not in (0, 1):
        print(f"AMISS the run from nothing ended with {ended.returncode}: {ended.stderr[-400:]}")


@contextmanager
def _folder(keep: str) -> Iterator[Path]:
    if keep:
        yield Path(keep)
        return
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


def course(folder: Path, nights: int, seed: int) -> Tally:
    """So many nights of one department."""
    gc.set_threshold(
        200_000, 50, 100
    )  # what is kept of the nights before need not be looked through all the time
    made, keeping = Course(folder, nights, seed), Kept()
    made.begin()
    for number in range(nights):
        with nullcontext() if number % AFRESH == AFRESH - 1 else keeping:
            made.one(number)
        day = INSTALLED + timedelta(number)
        if day.day == 20 and day.month % 3 == 0 and not made.to_sign and made.sealed:
            made.again(max(made.sealed).split("/")[0], day)
        if number % 20 == 19:
            took = made.told.seconds[-20:]
            print(
                f"{day}: {number + 1} nights, {len(made.told.amiss)} amiss, {sum(took) / len(took):.1f} s a night",
                flush=True,
            )
    made.end()
    return made.told


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--nights", type=int, default=400)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--keep", default="", help="folder to work in and leave as it is")
    given = asked.parse_args()
    begun = time.monotonic()
    with _folder(given.keep) as folder:
        told = course(folder, given.nights, given.seed)
    for what, times in sorted(told.done.items()):
        print(f"{times:>8} {what}")
    print(f"{given.nights} nights in {time.monotonic() - begun:.0f} s: {len(told.amiss)} things amiss.")
    return 1 if told.amiss else 0


if __name__ == "__main__":
    sys.exit(main())

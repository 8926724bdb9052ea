"""A run of which the edition stands already says again what it said, and works nothing out.

What a run says and writes depends on the files it reads, the rules, the two dates, the program and the editions it looks
at. All of these are put under one key; what the last run said lies under its key among what is kept (`pipeline.shelf`).
It is believed only where the edition that stands verifies and was made from the very files that lie there now. Deleted,
a run takes longer and says the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import store
from pipeline.editions import MANIFEST, POINTER, sweep
from pipeline.looking_back import fault_of
from pipeline.shelf import Fingerprint, Shelf
from pipeline.signed import SIGNATURE, all_faults, last_signed, manifest_of

if TYPE_CHECKING:
    from pipeline.ground import Ground
    from pipeline.run import Done

#: What says which editions there are, which of them count, and what they were made from.
STANDING = (f"*/{POINTER}", f"*/*/{SIGNATURE}", f"*/*/{MANIFEST.as_posix()}")


@dataclass(frozen=True)
class Before:
    """What a run stands on, looked at before it begins.

    Attributes:
        files: Path from the workspace → SHA-256 of every file it depends on.
        decides: All else that decides what it says, but for the editions.
    """

    ground: Ground
    editions: Path
    shelf: Shelf
    files: Mapping[str, str]
    decides: str

    @property
    def key(self) -> str:
        """With the editions as they are at this moment."""
        return Fingerprint(
            "edition", self.decides, sorted(self.files.items()), self._standing(), self._fault()
        ).key

    def _standing(self) -> list[tuple[str, str]]:
        found = sorted(path for each in STANDING for path in self.editions.glob(each))
        return [(path.relative_to(self.editions).as_posix(), store.sha256_of(path)) for path in found]

    def _fault(self) -> str:
        """What keeps the signed edition before it from being compared with; that is said too."""
        earlier = last_signed(self.editions, self.ground.period, self.ground.as_of)
        return fault_of(earlier) if earlier else ""

    def done(self) -> Done | None:
        """How the run ended that made the edition; None where it has to be worked out."""
        kept = self.shelf.get(self.key)
        if kept is None:
            return None
        done = self._as_said(kept[1])
        if all_faults(done.place) or not self._was_made_from_these(done.place):
            return None
        if done.written:
            sweep(self.editions)
        return done

    def _as_said(self, told: dict[str, Any]) -> Done:
        from pipeline.run import Done
        from pipeline.summary import Summary

        said = told["summary"]
        summary = Summary(said["count"], said["files"], tuple(said["rows"]))
        place = self.editions / told["place"]
        return Done(
            place, tuple(told["warnings"]), self.ground, summary, tuple(told["notes"]), told["written"]
        )

    def _was_made_from_these(self, place: Path) -> bool:
        """A file may have come and gone while a run was under way; the edition says what it really read."""
        stated = {each["path"]: each["sha256"] for each in manifest_of(place).get("inputs", [])}
        return stated.keys() == self.files.keys() and all(
            digest in ("", self.files[name]) for name, digest in stated.items()
        )

    def keep(self, done: Done, troubles: tuple[str, ...]) -> None:
        """Keep what a run said, but for what it said of things kept."""
        told = {
            "place": done.place.relative_to(self.editions).as_posix(),
            "warnings": done.warnings,
            "summary": asdict(done.summary),
            "notes": [note for note in done.notes if note not in troubles],
            "written": done.written,
        }
        self.shelf.put(self.key, {}, told)


def before(ground: Ground, editions: Path) -> Before | None:
    """What a run stands on; None where nothing is kept."""
    from pipeline.people import people_known
    from pipeline.quiet_nights import decides

    asked = ground.asked
    if asked.kept is None:
        return None
    told = decides(ground)
    written = people_known(asked.workspace, ground.as_of).files
    files = {path.relative_to(asked.workspace).as_posix(): store.sha256_of(path) for path in written}
    files = {**told["received"], **files, **told["rules"]}
    rest = store.json_text({**told, "as_of": str(ground.as_of)})
    return Before(ground, editions, Shelf(asked.kept, ground.settings.access_group), files, rest)

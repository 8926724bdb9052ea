"""The catalogue as small arrays, so that stages look things up by integer and never by text."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.catalogue import Catalogue, Complication, Procedure

NONE = -1


def _positions(words: tuple[str, ...]) -> dict[str, int]:
    return {word: position for position, word in enumerate(words)}


@dataclass(frozen=True)
class Lookup:
    """Arrays over procedures (in precedence order) and places (joints, then bones) of one catalogue.

    `pairs` are the compared procedures whose joint sitting is a group of its own, as positions (first, second).
    """

    catalogue: Catalogue
    pairs: tuple[tuple[int, int], ...] = ()

    @cached_property
    def procedures(self) -> tuple[str, ...]:
        """Keys in precedence order: the position of a procedure is its rank at a sitting."""
        entries = self.catalogue.procedures.values()
        return tuple(p.key for p in sorted(entries, key=lambda p: (p.precedence, p.key)))

    @cached_property
    def groups(self) -> tuple[str, ...]:
        """Procedures, then the `a+b` of each compared pair."""
        joined = [f"{self.procedures[a]}+{self.procedures[b]}" for a, b in self.pairs]
        return (*self.procedures, *joined)

    @cached_property
    def places(self) -> tuple[str, ...]:
        return self.catalogue.places

    @cached_property
    def categories(self) -> tuple[str, ...]:
        return tuple(self.catalogue.complications)

    @cached_property
    def procedure_position(self) -> dict[str, int]:
        return _positions(self.procedures)

    @cached_property
    def place_position(self) -> dict[str, int]:
        return _positions(self.places)

    @cached_property
    def category_position(self) -> dict[str, int]:
        return _positions(self.categories)

    @cached_property
    def match(self) -> np.ndarray:
        """(places, places) bool: the same place, or a part and its whole."""
        return np.array(
            [[self.catalogue.place_matches(a, b) for b in self.places] for a in self.places], dtype=bool
        ).reshape(len(self.places), len(self.places))

    @cached_property
    def joint(self) -> np.ndarray:
        """(procedures,) int16 place of each procedure, -1 where it takes the joint of the case it follows."""
        found = [self.place_position.get(self._entry(key).joint, NONE) for key in self.procedures]
        return np.array(found, dtype=np.int16)

    @cached_property
    def watches(self) -> np.ndarray:
        """(procedures, places) bool: whether a record of that place belongs to a case of that procedure.

        Exactly the places listed: the default list holds parts and wholes already.
        """
        watched = np.zeros((len(self.procedures), len(self.places)), dtype=bool)
        for row, key in enumerate(self.procedures):
            watched[row, [self.place_position[place] for place in self._entry(key).watch]] = True
        return watched

    @cached_property
    def holes(self) -> np.ndarray:
        """(procedures, places) bool: the bones an operation makes a hole or cut in."""
        holes = np.zeros((len(self.procedures), len(self.places)), dtype=bool)
        for row, key in enumerate(self.procedures):
            holes[row, [self.place_position[bone] for bone in self._entry(key).holes_in]] = True
        return holes

    @cached_property
    def limited(self) -> tuple[str, ...]:
        """Measures of motions that some operation means to limit."""
        return tuple(sorted({measure for key in self.procedures for measure in self._entry(key).limits}))

    @cached_property
    def limits(self) -> np.ndarray:
        """(procedures, limited) bool: the motions each operation means to limit."""
        rows = [[measure in self._entry(key).limits for measure in self.limited] for key in self.procedures]
        return np.array(rows, dtype=bool).reshape(len(self.procedures), len(self.limited))

    @cached_property
    def sided(self) -> np.ndarray:
        return np.array([self._entry(key).sided for key in self.procedures], dtype=bool)

    @cached_property
    def is_bone(self) -> np.ndarray:
        """(places,) bool."""
        bones = {bone for joint in self.catalogue.joints.values() for bone in joint.bones}
        return np.array([place in bones for place in self.places], dtype=bool)

    @cached_property
    def sided_category(self) -> np.ndarray:
        """(categories,) bool: what a letter says of another side or part of the body is not about the case."""
        return np.array([entry.sided for entry in self.catalogue.complications.values()], dtype=bool)

    @cached_property
    def index(self) -> np.ndarray:
        return np.array([self._entry(key).index for key in self.procedures], dtype=bool)

    @cached_property
    def redo(self) -> np.ndarray:
        return np.array([self._entry(key).redo for key in self.procedures], dtype=bool)

    @cached_property
    def concerns(self) -> np.ndarray:
        """(procedures,) int16 problem treated; 0 where the catalogue names none."""
        problems = _positions(("", *sorted({self._entry(key).concerns for key in self.procedures} - {""})))
        return np.array([problems[self._entry(key).concerns] for key in self.procedures], dtype=np.int16)

    @cached_property
    def problem(self) -> np.ndarray:
        """(procedures,) int16 problem treated; where the catalogue names none, one of the procedure's own, below 0."""
        own = -1 - np.arange(len(self.procedures), dtype=np.int16)
        return np.where(self.concerns > 0, self.concerns, own)

    @cached_property
    def watch_group(self) -> np.ndarray:
        """(procedures,) int16: procedures whose joints see each other share a number; -1 without a joint."""
        seen = np.zeros((len(self.procedures),) * 2, dtype=bool)
        located = self.joint >= 0
        seen[:, located] = self.watches[:, self.joint[located]]
        return _components(seen | seen.T) * np.where(located, 1, 0) - np.where(located, 0, 1)

    @cached_property
    def implied(self) -> np.ndarray:
        """(procedures, categories) bool: what an unplanned return with the procedure proves."""
        proof = np.zeros((len(self.procedures), len(self.categories)), dtype=bool)
        for row, key in enumerate(self.procedures):
            proof[row, [self.category_position[c] for c in self._entry(key).implies]] = True
        return proof

    @cached_property
    def reason(self) -> np.ndarray:
        """(procedures,) int16 category that is the usual reason of a return with it, -1 where none is given."""
        found = [self.category_position.get(self._entry(key).reasons, NONE) for key in self.procedures]
        return np.array(found, dtype=np.int16)

    @cached_property
    def reason_rank(self) -> np.ndarray:
        """(categories,) int16: the lowest of a return's possible reasons is its primary one."""
        entries = self.catalogue.complications.values()
        stated = next((entry.reasons_order for entry in entries if entry.reasons_order), ())
        order = dict.fromkeys([*stated, *self.categories])
        return np.array([list(order).index(key) for key in self.categories], dtype=np.int16)

    def named_by(self, attribute: str) -> np.ndarray:
        """(procedures, categories) bool: the category lists the procedure under `attribute`."""
        listed = np.zeros((len(self.procedures), len(self.categories)), dtype=bool)
        for column, entry in enumerate(self.catalogue.complications.values()):
            rows = [
                self.procedure_position[key]
                for key in getattr(entry, attribute)
                if key in self.procedure_position
            ]
            listed[rows, column] = True
        return listed

    def words_of(self, attribute: str, word: str) -> np.ndarray:
        """(categories,) bool: the category lists `word` under `attribute`."""
        return np.array(
            [word in getattr(entry, attribute) for entry in self.catalogue.complications.values()], dtype=bool
        )

    @cached_property
    def defined(self) -> np.ndarray:
        """(groups, categories + 1) int8: 1 can occur, 0 cannot (no hole), -1 not defined for the joint.

        The last column is any complication, which can always occur.
        """
        members = [(position,) for position in range(len(self.procedures))] + list(self.pairs)
        rows = [
            [self._defined(group, entry) for entry in self.catalogue.complications.values()]
            for group in members
        ]
        states = np.array(rows, dtype=np.int8).reshape(len(members), len(self.categories))
        return np.hstack([states, np.ones((len(members), 1), dtype=np.int8)])

    def fits_joint(self, group: tuple[int, ...], joints: tuple[str, ...]) -> bool:
        """Whether a category limited to `joints` speaks of these procedures."""
        places = [self.joint[position] for position in group if self.joint[position] >= 0]
        wanted = [self.place_position[joint] for joint in joints]
        return not joints or bool(self.match[np.ix_(places, wanted)].any())

    def _defined(self, group: tuple[int, ...], entry: Complication) -> int:
        if not self.fits_joint(group, entry.joints):
            return -1
        return int(not entry.needs_hole or self.holes[list(group)].any())

    def _entry(self, key: str) -> Procedure:
        return self.catalogue.procedures[key]


def _components(linked: np.ndarray) -> np.ndarray:
    """Connected components of a small symmetric bool matrix, numbered by their first member."""
    reach = linked | np.eye(len(linked), dtype=bool)
    while not np.array_equal(wider := (reach.astype(np.int32) @ reach.astype(np.int32)) > 0, reach):
        reach = wider
    return reach.argmax(axis=1).astype(np.int16) if len(linked) else np.zeros(0, dtype=np.int16)


def lookup_for(catalogue: Catalogue, compared: list[tuple[str, str]]) -> Lookup:
    """The arrays of a catalogue, with the compared pairs of procedures (keys) as groups of their own."""
    plain = Lookup(catalogue)
    position = plain.procedure_position
    pairs = [(min(position[a], position[b]), max(position[a], position[b])) for a, b in compared]
    return Lookup(catalogue, tuple(dict.fromkeys(pairs)))

"""The catalogue in force: procedures, complications, joints. Data rules, code only knows the mechanisms."""

from __future__ import annotations

from dataclasses import dataclass, field

ANY_COMPLICATION = "any_complication"
ANY_LEVEL = "any"
UNPLANNED_RETURN = "unplanned_return"  # word of `implied_by`
PATIENT_DIED = "patient_died"  # word of `implied_by`: the death of the patient is the evidence


@dataclass(frozen=True)
class Procedure:
    """An operation the department does. Absent `joint`: it takes the joint of the case it follows."""

    key: str
    name: str
    joint: str = ""
    watch: tuple[str, ...] = ()  # joints and bones; the default rule is already applied
    sided: bool = True
    index: bool = False
    precedence: int = 0  # lower names the case
    fixations: tuple[str, ...] = ()
    holes_in: tuple[str, ...] = ()
    concerns: str = ""
    implies: tuple[str, ...] = ()
    reasons: str = ""
    redo: bool = False
    concomitant: tuple[str, ...] = ()
    codes: dict[str, tuple[str, ...]] = field(default_factory=dict)  # system → patterns


@dataclass(frozen=True)
class Level:
    key: str
    from_day: int | None = None
    to_day: int | None = None
    or_visits: int | None = None
    apart_days: int | None = None
    threshold: str = ""  # "severe": uses severe_below / severe_above of `measured`
    instability_levels: tuple[int, ...] = ()
    times: int | None = None
    energy: tuple[str, ...] = ()
    redo: bool = False
    after_operations: bool = False
    described: bool = False


@dataclass(frozen=True)
class Measured:
    """Beyond a threshold. `limits` maps a threshold's name ("" is the plain one) to (below, above)."""

    joint: str
    measure: str
    mode: str = "passive"
    limits: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)


@dataclass(frozen=True)
class CodeRule:
    """A code pattern of a complication. `level` is empty for the main level."""

    pattern: str  # as compared: a trailing * matches any ending
    specific: bool
    level: str = ""


@dataclass(frozen=True)
class Complication:
    key: str
    name: str
    seen_in: str = "records"  # or "visit"
    in_any: bool = True
    first_day: int = 0
    windows: tuple[int, ...] = ()  # empty: all
    main_level: str = ANY_LEVEL
    levels: tuple[Level, ...] = (Level(ANY_LEVEL),)  # main level first
    needs_hole: bool = False
    otherwise: str = ""
    joints: tuple[str, ...] = ()  # empty: every joint
    codes: dict[str, tuple[CodeRule, ...]] = field(default_factory=dict)
    after_operations: tuple[str, ...] = ()
    implied_by: tuple[str, ...] = ()
    measured: tuple[Measured, ...] = ()
    repeated_days: int = 90
    parent: str = ""
    default_grade: str = ""
    phrases: tuple[str, ...] = ()
    published: tuple[dict[str, object], ...] = ()


@dataclass(frozen=True)
class Joint:
    key: str
    name: str = ""
    part_of: str = ""
    bones: tuple[str, ...] = ()
    codes: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Catalogue:
    """Everything in file order, built-in entries first. `differs` lists entries the workspace changed."""

    procedures: dict[str, Procedure]
    complications: dict[str, Complication]
    joints: dict[str, Joint]
    differs: tuple[str, ...] = ()

    @property
    def places(self) -> tuple[str, ...]:
        """Every joint and bone word of the catalogue in force."""
        bones = (bone for joint in self.joints.values() for bone in joint.bones)
        return tuple(dict.fromkeys([*self.joints, *bones]))

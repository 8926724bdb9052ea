"""Measured points: what `python tests/bench` found at each size, kept in `measured.json`, and the tables made of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from measuring import ROOT, exponent

PAGE = ROOT / "docs" / "performance.md"
KEPT = Path(__file__).with_name("measured.json")
BEGIN, END = "<!-- {}: begin -->", "<!-- {}: end -->"
PROGRAMS = ("parse", "floor", "check", "count")
STAGES = (
    "start",
    "intake",
    "validate",
    "resolve",
    "letters",
    "link",
    "classify",
    "count",
    "estimate",
    "publish",
)


@dataclass(frozen=True)
class Point:
    """One size and share of faulty rows.

    Attributes:
        programs: `parse`, `floor`, `check`, `count` (and `run`, once) → seconds, cpu, peak_mb, own_mb; medians over the turns.
        ratios: `check` and `count` by DuckDB's seconds, and by its processor seconds (`check cpu`, `count cpu`):
            medians of the ratios within one turn.
        stages: Stage → seconds and processor seconds, of one further run.
        nights: Processor seconds of a first night, one on which nothing came, and one on which one small file came.
    """

    operations: int
    bad: float
    rows: int
    megabytes: float
    programs: dict[str, dict[str, float]]
    ratios: dict[str, float]
    stages: dict[str, list[float]]
    nights: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Session:
    """Everything measured by one command."""

    command: str
    machine: str
    turns: int
    start: dict[
        str, float
    ]  # processor seconds of `check` and `count` on next to no rows, where three sizes or more
    points: list[Point]

    def faulty(self) -> list[Point]:
        return [point for point in self.points if point.bad]


def kept() -> Session:
    told = json.loads(KEPT.read_text("utf-8"))
    return Session(**{**told, "points": [Point(**point) for point in told["points"]]})


def keep(session: Session) -> None:
    KEPT.write_text(json.dumps(asdict(session), indent=1) + "\n", "utf-8")


def markdown(head: Sequence[str], cells: Sequence[Sequence[str]]) -> str:
    rule = "|---:" * len(head) + "|"
    return "\n".join(
        ["| " + " | ".join(head) + " |", rule, *("| " + " | ".join(row) + " |" for row in cells)]
    )


def report(session: Session) -> str:
    """The whole measured part of the page."""
    parts = [
        f"Measured with `{session.command}` on {session.machine}",
        "Seconds on the clock, medians over the turns; ratios are medians of the ratios within one turn:",
        side_by_side(session.points),
        "The same in processor seconds, and the most memory a process ever held (in brackets without pages of mapped files, "
        "which the system may take back):",
        processor(session.points),
        "Seconds of each stage of a run, clock / processor, from one further run (rows are faulty at 1 %):",
        stages(session.faulty()),
    ]
    if session.start and len(session.faulty()) > 2:
        parts += [growth(session)]
    if any(point.nights for point in session.points):
        parts += ["Nights, in processor seconds beyond the start of the program:", nights(session.points)]
    return "\n\n".join(parts)


def side_by_side(points: Sequence[Point]) -> str:
    head = (
        "operations", "faulty", "rows", "MB", "parse s", "DuckDB s", "check s", "run to count s", "whole run s",
        "check ÷ DuckDB", "to count ÷ DuckDB",
    )  # fmt: skip
    return markdown(head, [_beside(point) for point in points])


def _beside(point: Point) -> list[str]:
    seconds = {name: each["seconds"] for name, each in point.programs.items()}
    return [
        f"{point.operations:,}", f"{point.bad:.0%}", f"{point.rows:,}", f"{point.megabytes:.0f}",
        *(f"{seconds[name]:.2f}" for name in PROGRAMS), f"{seconds['run']:.1f}" if "run" in seconds else "",
        f"{point.ratios['check']:.2f}", f"{point.ratios['count']:.2f}",
    ]  # fmt: skip


def processor(points: Sequence[Point]) -> str:
    head = (
        "operations", "faulty", "DuckDB s", "check s", "run to count s", "check ÷ DuckDB", "to count ÷ DuckDB",
        "check µs a row", "to count µs a row", "DuckDB MB", "check MB", "to count MB", "whole run MB",
    )  # fmt: skip
    return markdown(head, [_processor(point) for point in points])


def _processor(point: Point) -> list[str]:
    cpu = {name: each["cpu"] for name, each in point.programs.items()}
    peak = {name: f"{each['peak_mb']:.0f} ({each['own_mb']:.0f})" for name, each in point.programs.items()}
    return [
        f"{point.operations:,}", f"{point.bad:.0%}", *(f"{cpu[name]:.2f}" for name in PROGRAMS[1:]),
        f"{point.ratios['check cpu']:.2f}", f"{point.ratios['count cpu']:.2f}",
        *(f"{cpu[name] / point.rows * 1e6:.1f}" for name in ("check", "count")),
        *(peak[name] for name in PROGRAMS[1:]), peak.get("run", ""),
    ]  # fmt: skip


def stages(points: Sequence[Point]) -> str:
    named = [name for name in STAGES if any(name in point.stages for point in points)]
    cells = [
        [
            f"{point.operations:,}",
            *(" / ".join(f"{s:.2f}" for s in point.stages.get(name, ())) for name in named),
        ]
        for point in points
    ]
    return markdown(["operations", *named], cells)


def growth(session: Session) -> str:
    """How processor time beyond the start grows with the number of rows."""
    points = session.faulty()
    found = {
        name: exponent(
            [point.rows for point in points],
            [point.programs[name]["cpu"] - session.start[name] for point in points],
        )
        for name in ("check", "count")
    }
    sizes = ", ".join(f"{point.operations:,}" for point in points)
    return (
        f"Fitted over {sizes} operations, processor time beyond the start of the program "
        f"({session.start['check']:.1f} s for `check` and {session.start['count']:.1f} s for a run up to counting, on a "
        f"hundred operations) grows as rows to the power {found['check']:.2f} for `check` and {found['count']:.2f} for a "
        "run up to counting; 1 is in proportion."
    )


def nights(points: Sequence[Point]) -> str:
    cells = [
        [f"{point.operations:,}", *(f"{seconds:.2f}" for seconds in point.nights.values()),
         f"{point.nights['nothing came'] / point.nights['first night']:.1%}"]
        for point in points if point.nights
    ]  # fmt: skip
    return markdown(
        ["operations", "first night", "nothing came", "one small file came", "nothing ÷ first"], cells
    )


def put_on_page(name: str, part: str) -> None:
    """Replace what stands between the marks of that name."""
    page = PAGE.read_text("utf-8")
    begin, end = BEGIN.format(name), END.format(name)
    before, after = page.split(begin)[0], page.split(end)[1]
    PAGE.write_text(f"{before}{begin}\n\n{part}\n\n{end}{after}", "utf-8")


def on_page(name: str) -> str:
    """What stands there."""
    return PAGE.read_text("utf-8").split(BEGIN.format(name))[1].split(END.format(name))[0].strip()

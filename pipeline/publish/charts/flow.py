"""The way from rows received to cases, drawn: what stays goes down, what leaves turns off to the right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.publish import words
from pipeline.publish.charts import drawing

LEFT, RIGHT, SPINE, BRANCH = 6, 354, 40, 78
BOX, STEP, GAP = 40, 33, 6
HOW_TO_READ = "Boxes: what there is. Lines to the right: what is taken away, or added (+), and why."


@dataclass(frozen=True)
class FlowStep:
    """One step of the way.

    Attributes:
        said: What it is, in words.
        why: The reason; empty for what stands.
        added, removed: Of the step; both 0 for what stands.
        after: What there is after it.
        unit: What is counted.
    """

    said: str
    why: str
    added: int
    removed: int
    after: int
    unit: str

    @property
    def stands(self) -> bool:
        """A count, not a move: the first one begins the way."""
        return not self.why


def flow_chart(name: str, title: str, steps: Sequence[FlowStep]) -> str:
    """The drawn way.

    Args:
        name: Unique on its page.
        title: Whose way it is.
        steps: In order, at least one.
    """
    drawn: list[str] = []
    y, begins = 6.0, 0.0
    for step in steps:
        if not step.stands:
            drawn.append(_branch(step, y))
            y += STEP
            continue
        if begins:
            drawn.append(drawing.line(SPINE, begins, SPINE, y, "curve"))
        drawn.append(_box(step, y))
        y += BOX
        begins = y - GAP
    return drawing.picture(name, title, told(steps), y + 4, drawn)


def told(steps: Sequence[FlowStep]) -> str:
    """Each step in words."""
    said = [_said(step) for step in steps]
    return f"{'; '.join(said)}."


def _said(step: FlowStep) -> str:
    if step.stands:
        return f"{step.said}: {words.count(step.after)}"
    parts = [f"{words.count(step.removed)} taken away"] if step.removed or not step.added else []
    parts += [f"{words.count(step.added)} added"] if step.added else []
    return f"{step.said} ({step.why}): {', '.join(parts)}"


def _box(step: FlowStep, y: float) -> str:
    height = BOX - GAP
    corners = [(LEFT, y), (RIGHT, y), (RIGHT, y + height), (LEFT, y + height)]
    return (
        drawing.path(corners, "box", closed=True)
        + drawing.words_at(LEFT + 10, y + 21, drawing.fitted(words.sentence(step.said), 250), "head")
        + drawing.words_at(RIGHT - 10, y + 21, words.count(step.after), "head", "end")
    )


def _branch(step: FlowStep, y: float) -> str:
    """A line off the way, with what left it and why."""
    many = (
        f"+{words.count(step.added)}" if step.added and not step.removed else f"−{words.count(step.removed)}"
    )
    height = y + 10
    room = RIGHT - 10 - BRANCH - drawing.room_of(many)
    return (
        drawing.line(SPINE, height, BRANCH - 8, height, "dots")
        + drawing.words_at(BRANCH, height + 3, drawing.fitted(words.sentence(step.said), room))
        + drawing.words_at(BRANCH, height + 15, drawing.fitted(step.why, RIGHT - BRANCH), "soft")
        + drawing.words_at(RIGHT - 10, height + 3, many, "", "end")
    )

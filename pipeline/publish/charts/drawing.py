"""What every chart is made of: a frame with title and words, axes, marks.

Charts are drawn 360 units wide, so that a phone shows their text at about its own size; wider pages draw them larger.
Units are the SVG's own; y grows downwards. Colours and line styles come from the style sheet by class.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from pipeline.publish import page

WIDTH = 360
#: Of the style sheet; with it the room a text takes is guessed.
LETTER = 11
WIDE = 0.54
#: Half the size of a mark.
MARK = 3.6
MARKS = ("dot", "hollow", "diamond", "square", "cross", "triangle")


@dataclass(frozen=True)
class Scale:
    """Values to places along an axis; beyond its ends a value is drawn at the end."""

    low: float
    high: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        share = (min(max(value, self.low), self.high) - self.low) / ((self.high - self.low) or 1.0)
        return self.begin + share * (self.end - self.begin)


def ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, 1, 2 or 5 times a power of ten apart, at most so many steps."""
    if not high > low:
        return [low]
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(times * power for times in (1, 2, 5, 10) if times * power >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(number * step, 10) for number in range(first, last + 1)]


def top_of(highest: float, least: float) -> float:
    """A round number at or above the highest value, for the end of an axis.

    Args:
        highest: Value to be shown.
        least: The axis reaches at least so far.
    """
    reach = max(highest, least)
    step = 10.0 ** math.floor(math.log10(reach))
    return next(
        round(times * step, 10)
        for times in (1, 1.5, 2, 3, 4, 5, 6, 8, 10)
        if times * step >= reach * (1 - 1e-9)
    )


@lru_cache(maxsize=20_000)  # each turn of a staircase stands twice, and charts share their days
def place(number: float) -> str:
    """A coordinate: one decimal, none where it is nought."""
    told = f"{number:.1f}"
    told = told.removesuffix(".0")
    return "0" if told == "-0" else told


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<path class="{kind}" d="M{place(x1)} {place(y1)}L{place(x2)} {place(y2)}"/>'


def path(points: Iterable[tuple[float, float]], kind: str, closed: bool = False) -> str:
    """A line through points."""
    steps = "L".join(f"{place(x)} {place(y)}" for x, y in points)
    return f'<path class="{kind}" d="M{steps}{"Z" if closed else ""}"/>' if steps else ""


def steps(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """A staircase: each height holds until the next point's x."""
    found = [point for (_, y), (x, after) in pairwise(points) for point in ((x, y), (x, after))]
    return [*points[:1], *found]


def words_at(x: float, y: float, said: str, kind: str = "", anchor: str = "start") -> str:
    """Text; `anchor` is start, middle or end."""
    cls = f' class="{kind}"' if kind else ""
    at = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text{cls} x="{place(x)}" y="{place(y)}"{at}>{page.text(said)}</text>'


def room_of(said: str) -> float:
    """About how wide a text is drawn."""
    return len(said) * LETTER * WIDE


def fitted(said: str, room: float) -> str:
    """Cut with dots where the text would need more room."""
    most = max(4, int(room / (LETTER * WIDE)))
    return said if len(said) <= most else said[: most - 1].rstrip() + "…"


def two_lines(said: str, room: float) -> list[str]:
    """The text on one line, or on two where it needs them; the second is cut with dots if need be."""
    most = max(4, int(room / (LETTER * WIDE)))
    if len(said) <= most:
        return [said]
    gap = said.rfind(" ", 0, most + 1)
    if gap <= 0:
        return [fitted(said, room)]
    return [said[:gap], fitted(said[gap + 1 :], room)]


def mark(x: float, y: float, kind: str, more: str = "") -> str:
    """One of `MARKS` around a point; `more` is a further class."""
    cls = f"{kind} {more}".strip()
    if kind in ("dot", "hollow"):
        return f'<circle class="{cls}" cx="{place(x)}" cy="{place(y)}" r="{MARK - 0.4:g}"/>'
    m = MARK + 0.6
    shapes = {
        "diamond": [(x, y - m), (x + m, y), (x, y + m), (x - m, y)],
        "square": [(x - MARK, y - MARK), (x + MARK, y - MARK), (x + MARK, y + MARK), (x - MARK, y + MARK)],
        "triangle": [(x, y - m), (x + m, y + MARK), (x - m, y + MARK)],
    }
    if kind in shapes:
        return path(shapes[kind], cls, closed=True)
    left, right, above, below = (place(at) for at in (x - MARK, x + MARK, y - MARK, y + MARK))
    return f'<path class="{cls}" d="M{left} {above}L{right} {below}M{left} {below}L{right} {above}"/>'


def inside(left: float, top: float, right: float, bottom: float, drawn: Sequence[str]) -> str:
    """What is drawn, cut at the edges of a rectangle."""
    width, height = place(right - left), place(bottom - top)
    box = f'x="{place(left)}" y="{place(top)}" width="{width}" height="{height}"'
    return f'<svg {box} viewBox="{place(left)} {place(top)} {width} {height}">{"".join(drawn)}</svg>'


def picture(
    name: str, title: str, told: str, height: float, marks: Sequence[str], width: float = WIDTH
) -> str:
    """The SVG with its title and its words.

    Args:
        name: Unique on its page; the ids of title and words begin with it.
        title: What the picture is of.
        told: What it shows, numbers in words; read out instead of the picture.
    """
    return (
        f'<svg viewBox="0 0 {place(width)} {place(height)}" role="img" aria-labelledby="{name}-t {name}-d">'
        f'<title id="{name}-t">{page.text(title)}</title><desc id="{name}-d">{page.text(told)}</desc>'
        f"{''.join(marks)}</svg>"
    )


def figure(drawn: str, caption: str, legend: str = "") -> str:
    """The picture with what it is of above it, and how to read it below; both are text."""
    below = f'<p class="legend">{page.text(legend)}</p>' if legend else ""
    return f'<figure class="chart"><figcaption>{page.text(caption)}</figcaption>{drawn}{below}</figure>'


def gallery(figures: Sequence[str]) -> str:
    """Charts beside one another as far as the page is wide."""
    return f'<div class="gallery">{"".join(figures)}</div>' if figures else ""

"""The charts of a page as pictures, a file each: to be put on a slide, where no style sheet and no page stands around them.

Programs for slides know neither a page's colours by name nor text drawn with a rim, so colours are written out and
text is plain.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from html import unescape
from textwrap import wrap

from pipeline.publish import page
from pipeline.publish.charts.drawing import LETTER, WIDE, words_at

#: Room around a chart, above it for its title, and below it for what it is taken from.
EDGE, TITLE_LINE, SOURCE_LINE = 12.0, 15.0, 13.0
#: How many times larger than its own units a picture is shown at first.
SHOWN = 2
LONGEST_NAME = 150
#: Of the text below, in the style sheet.
SMALL = 10
_FIGURE = re.compile(r'<figure class="chart">.*?</figure>', re.DOTALL)
_PICTURE = re.compile(
    r'<svg viewBox="0 0 (?P<width>[\d.]+) (?P<height>[\d.]+)" role="img" aria-labelledby="(?P<said>[^"]+)">'
    r"(?P<words><title[^>]*>(?P<title>[^<]*)</title><desc[^>]*>[^<]*</desc>)(?P<marks>.*)</svg>",
    re.DOTALL,
)
_LEGEND = re.compile(r'<p class="legend">(.*?)</p>', re.DOTALL)
_TAG = re.compile(r"<[^>]*>")
_ROOT = re.compile(r":root \{(.*?)\n\}", re.DOTALL)
_COLOUR = re.compile(r"--(\w[\w-]*): (#\w+)")
#: What the picture adds to the charts' own style.
_PLAIN = "text{font-family:sans-serif;stroke:none}"


def pictures(name: str, body: str, source: str) -> dict[str, str]:
    """File name → SVG of every chart of a page.

    Args:
        name: Of the page; files begin with it.
        body: The page's mark-up.
        source: What stands below each chart, in plain text.
    """
    found: dict[str, str] = {}
    for figure in _FIGURE.findall(body):
        drawn = _PICTURE.search(figure)
        if drawn is None:
            raise ValueError(f"A chart of {name} has no title")
        file = _unused(_cut(f"{name}-{page.anchor(drawn['title'])}"), found)
        legend = _LEGEND.search(figure)
        told = unescape(_TAG.sub("", legend[1])) if legend else ""
        found[file] = _alone(drawn, told, source)
    return found


def _cut(name: str) -> str:
    """At the end of a word."""
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME + 1].rpartition("-")[0]


def _unused(stem: str, taken: Iterable[str]) -> str:
    numbers = (f"{stem}{'' if number == 1 else f'-{number}'}.svg" for number in range(1, 10_000))
    return next(file for file in numbers if file not in taken)


def _alone(drawn: re.Match[str], legend: str, source: str) -> str:
    """A picture with its title above it, and below it how to read it and what it is taken from."""
    width, height = float(drawn["width"]), float(drawn["height"])
    titles = _lines(unescape(drawn["title"]), width, WIDE * LETTER * 1.1)
    below = [line for told in (legend, source) for line in _lines(told, width, WIDE * SMALL)]
    top = EDGE + TITLE_LINE * len(titles)
    wide, high = width + 2 * EDGE, top + height + SOURCE_LINE * len(below) + EDGE
    heads = [
        words_at(EDGE, EDGE + TITLE_LINE * (number + 0.6), title, "head")
        for number, title in enumerate(titles)
    ]
    feet = [
        words_at(EDGE, top + height + SOURCE_LINE * (number + 1), line, "soft")
        for number, line in enumerate(below)
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" width="{SHOWN * wide:g}" '
        f'height="{SHOWN * high:g}" role="img" aria-labelledby="{drawn["said"]}">{drawn["words"]}'
        f"<style>{_style()}</style>"
        f'<rect width="{wide:g}" height="{high:g}" fill="#ffffff"/>{"".join(heads)}'
        f'<svg x="{EDGE:g}" y="{top:g}" width="{width:g}" height="{height:g}" viewBox="0 0 {width:g} {height:g}">'
        f"{drawn['marks']}</svg>{''.join(feet)}</svg>\n"
    )


def _lines(told: str, room: float, letter: float) -> list[str]:
    """A text on as many lines as it needs, a letter being so wide."""
    return wrap(told, int(room / letter), break_long_words=False, break_on_hyphens=False)


@cache
def _style() -> str:
    """The charts' rules of the style sheet, as a picture needs them: with the colours of paper, for any element."""
    sheet = page.style()
    root = _ROOT.search(sheet)
    assert root is not None
    colours = dict(_COLOUR.findall(root[1]))
    rules = re.findall(r"^(?:\.chart [^{]+\{[^}]*\} ?)+", sheet, re.MULTILINE)
    plain = "".join(rules).replace(".chart ", "")
    return re.sub(r"var\(--([\w-]+)\)", lambda found: colours[found[1]], plain) + _PLAIN

"""A template and its data as a PDF that screen readers can follow: one file, no font or program of the system."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from pipeline import store
from pipeline.errors import CannotFinish

if TYPE_CHECKING:
    import typst

#: Printed in place of a character that no font at hand has.
NO_GLYPH = "□"
#: Characters that turn the direction of what follows them, or hide it; a name must not reach beyond itself.
_TURNING = re.compile("[\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
#: Latin letters, figures and signs that the fonts are known to have.
_USUAL = re.compile("[\x20-\x7e\u00a0-\u017f\u2009\u2013\u2014\u2018-\u201f\u2212]")


def isolated(name: str) -> str:
    """A name as it stands within a sentence: it keeps its own direction of writing and turns nothing else."""
    bare = _TURNING.sub("", _CONTROL.sub(" ", name))
    return f"\u2068{bare}\u2069"


def pages_of(pdf: bytes) -> int:
    """Number of pages, as the file's own metadata state it."""
    stated = re.search(rb"<xmpTPg:NPages>(\d+)</xmpTPg:NPages>", pdf)
    assert stated is not None, "typst always states the number of pages"
    return int(stated[1])


def typeset(template: str, content: Any, made_on: date) -> bytes:
    """The PDF/UA-1 of a template of this package, in which `content` is text only, never markup.

    Args:
        template: Name of its file.
        content: What `json` can write; the template finds it under `sys.inputs.content`.
        made_on: The day the file says it was made on.

    Raises:
        CannotFinish: The template does not compile, which is a mistake of the program.
    """
    import typst

    try:
        return _compiled(_source(template), _printable(content), made_on)
    except typst.TypstError as trouble:
        raise CannotFinish(
            f"{template} cannot be typeset ({trouble.message[:80]}). This is a mistake in the program, not in your files. "
            "Nothing was published; please report it."
        ) from None


def fitting(most_pages: int, longest: int, made: Callable[[int], bytes]) -> tuple[int, bytes]:
    """The longest list that keeps a document within its pages, and the document.

    Args:
        most_pages: Of the document.
        longest: Length of the whole list.
        made: Length of the list shown → PDF. More of it never takes fewer pages.
    """
    whole = made(longest)
    if pages_of(whole) <= most_pages or not longest:
        return longest, whole
    fits, best, too_long = 0, made(0), longest
    while too_long - fits > 1:
        middle = (fits + too_long) // 2
        tried = made(middle)
        if pages_of(tried) <= most_pages:
            fits, best = middle, tried
        else:
            too_long = middle
    return fits, best


def _source(template: str) -> bytes:
    return files("pipeline.publish").joinpath(template).read_bytes()


@cache
def _fonts() -> typst.Fonts:
    """Only those inside the compiler's own package: what is installed on the machine changes nothing."""
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=True)


def _compiled(source: bytes, content: Any, made_on: date) -> bytes:
    import typst

    return typst.compile(
        source,
        format="pdf",
        pdf_standards="ua-1",
        font_paths=_fonts(),
        ignore_system_fonts=True,
        sys_inputs={"content": store.json_text(content)},
        timestamp=datetime(made_on.year, made_on.month, made_on.day, tzinfo=UTC),
    )


def _printable(content: Any) -> Any:
    """The same with a box for each character that no font at hand has; the standard allows none without a shape."""
    if isinstance(content, str):
        plain = _CONTROL.sub(" ", content)
        return "".join(letter if _USUAL.match(letter) or _has_glyph(letter) else NO_GLYPH for letter in plain)
    if isinstance(content, dict):
        return {key: _printable(value) for key, value in content.items()}
    return [_printable(value) for value in content] if isinstance(content, (list, tuple)) else content


@cache
def _has_glyph(letter: str) -> bool:
    import typst

    try:
        _compiled(_source("glyph.typ"), {"letter": letter}, date(2000, 1, 1))
    except typst.TypstError:
        return False
    return True

"""`editions/index.html`: which editions there are, signed ones first."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline import editions
from pipeline.publish import words
from pipeline.publish.page import link, plain_page, text

HEADS = ("Period", "Edition", "Cut", "As of", "State")


def editions_page(folder: Path) -> str:
    """A page that lists what there is, newest period first: signed editions, then drafts; the current one is named."""
    periods = sorted(
        (path for path in folder.iterdir() if _is_period(path)), key=lambda path: path.name, reverse=True
    )
    listed = [row for period in periods for row in _listed(period)]
    if not listed:
        return plain_page("Editions", "<h1>Editions</h1><p>There is no edition yet.</p>")
    blocks = {
        "Signed": [row for signed, row in listed if signed],
        "Drafts": [row for signed, row in listed if not signed],
    }
    told = "".join(_block(title, rows) for title, rows in blocks.items())
    return plain_page("Editions", f"<h1>Editions</h1>{told}")


def _block(title: str, rows: list[str]) -> str:
    if not rows:
        return f"<h2>{title}</h2><p>There is none yet.</p>"
    heads = "".join(f'<th scope="col">{head}</th>' for head in HEADS)
    body = f"<thead><tr>{heads}</tr></thead><tbody>{''.join(rows)}</tbody>"
    caption = "Never changed once signed" if title == "Signed" else "Not signed; figures may still change"
    table = f"<table><caption>{caption}</caption>{body}</table>"
    return (
        f'<h2>{title}</h2><div class="scroll" tabindex="0" role="region" aria-label="{title}">{table}</div>'
    )


def _is_period(path: Path) -> bool:
    return path.is_dir() and not path.name.startswith(".")


def _listed(period: Path) -> list[tuple[bool, str]]:
    """Whether each edition is signed, and its row; highest number first, of drafts the current one.

    A folder whose manifest cannot be read is no edition.
    """
    current = editions.current_edition(period.parent, period.name)
    told = {path: _manifest(path) for path in period.iterdir() if path.is_dir()}
    readable = [path for path, manifest in told.items() if manifest]

    def place(path: Path) -> tuple[bool, int, str]:
        return path != current, -int(path.name) if path.name.isdecimal() else 0, path.name

    signed = [path for path in readable if told[path]["state"] == "signed"]
    drafts = [path for path in readable if path not in signed]
    ordered = [*sorted(signed, key=lambda path: place(path)[1:]), *sorted(drafts, key=place)]
    return [(path in signed, _row(path, told[path], path == current)) for path in ordered]


def _manifest(folder: Path) -> dict[str, str]:
    try:
        told = json.loads((folder / editions.MANIFEST).read_text("utf-8"))
        shown = {name: str(told[name]) for name in ("state", "period", "cut_on", "as_of")}
        signature = told.get("signature") or {}
        return {**shown, "role": str(signature.get("role", "")), "despite": str(signature.get("despite", ""))}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _row(folder: Path, told: dict[str, str], current: bool) -> str:
    target = f"{folder.parent.name}/{folder.name}/department/report/index.html"
    name = f"number {folder.name}" if folder.name.isdecimal() else folder.name
    return (
        f'<tr><th scope="row">{text(words.period(told["period"]))}</th><td>{link(target, name)}</td>'
        f"<td>{text(told['cut_on'])}</td><td>{text(told['as_of'])}</td><td>{text(_state(told, current))}</td></tr>"
    )


def _state(told: dict[str, str], current: bool) -> str:
    which = "current" if current else "earlier"
    if told["state"] == "draft":
        return f"draft, not signed, {which}"
    despite = ", out of tolerance" if told["despite"] else ""
    return f"signed by the {told['role']}{despite}, {which}"

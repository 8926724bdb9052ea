"""`editions/index.html`: which editions there are."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline import editions
from pipeline.publish import words
from pipeline.publish.page import link, plain_page, text


def editions_page(folder: Path) -> str:
    """A page that lists, newest period first, what each period's folder holds and which one is current."""
    periods = sorted(
        (path for path in folder.iterdir() if _is_period(path)), key=lambda path: path.name, reverse=True
    )
    rows = "\n".join(row for period in periods for row in _rows(period))
    if not rows:
        return plain_page("Editions", "<h1>Editions</h1><p>There is no edition yet.</p>")
    heads = "".join(f'<th scope="col">{head}</th>' for head in ("Period", "Edition", "Cut", "As of", "State"))
    table = f"<table><caption>Every edition in this folder</caption><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
    scroll = f'<div class="scroll" tabindex="0" role="region" aria-label="Editions">{table}</div>'
    return plain_page("Editions", f"<h1>Editions</h1>{scroll}")


def _is_period(path: Path) -> bool:
    return path.is_dir() and not path.name.startswith(".")


def _rows(period: Path) -> list[str]:
    """The current edition first; a folder whose manifest cannot be read is no edition."""
    current = editions.current_edition(period.parent, period.name)
    told = {path: _manifest(path) for path in period.iterdir() if path.is_dir()}
    readable = [path for path, manifest in told.items() if manifest]
    return [
        _row(path, told[path], path == current)
        for path in sorted(readable, key=lambda path: (path != current, path))
    ]


def _manifest(folder: Path) -> dict[str, str]:
    try:
        told = json.loads((folder / editions.MANIFEST).read_text("utf-8"))
        return {name: str(told[name]) for name in ("state", "period", "cut_on", "as_of")}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _row(folder: Path, told: dict[str, str], current: bool) -> str:
    state = "draft, not signed" if told["state"] == "draft" else told["state"]
    target = f"{folder.parent.name}/{folder.name}/department/report/index.html"
    return (
        f'<tr><th scope="row">{text(words.period(told["period"]))}</th><td>{link(target, folder.name)}</td>'
        f"<td>{text(told['cut_on'])}</td><td>{text(told['as_of'])}</td>"
        f"<td>{text(state)}, {'current' if current else 'earlier'}</td></tr>"
    )

"""`editions/index.html`: which editions there are."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline import store
from pipeline.publish import words
from pipeline.publish.page import link, plain_page, text


def editions_page(editions: Path) -> str:
    """A page that lists, newest period first, what each period's folder holds and which one is current."""
    periods = sorted((path for path in editions.iterdir() if _is_period(path)), key=lambda path: path.name, reverse=True)
    rows = "\n".join(row for folder in periods for row in _rows(folder))
    if not rows:
        return plain_page("Editions", "<h1>Editions</h1><p>There is no edition yet.</p>")
    heads = "".join(f'<th scope="col">{head}</th>' for head in ("Period", "Edition", "Cut", "As of", "State"))
    table = f"<table><caption>Every edition in this folder</caption><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
    scroll = f'<div class="scroll" tabindex="0" role="region" aria-label="Editions">{table}</div>'
    return plain_page("Editions", f"<h1>Editions</h1>{scroll}")


def _is_period(path: Path) -> bool:
    return path.is_dir() and not path.name.startswith(".")


def _rows(folder: Path) -> list[str]:
    current = store.current_edition(folder.parent, folder.name)
    found = sorted(path for path in folder.iterdir() if (path / store.MANIFEST).is_file())
    return [_row(path, path == current) for path in sorted(found, key=lambda path: (path != current, path.name))]


def _row(folder: Path, current: bool) -> str:
    told = json.loads((folder / store.MANIFEST).read_text("utf-8"))
    state = ("draft, not signed" if told["state"] == "draft" else told["state"]) + (", current" if current else ", earlier")
    target = f"{folder.parent.name}/{folder.name}/department/report/index.html"
    return (
        f"<tr><th scope='row'>{text(words.period(told['period']))}</th><td>{link(target, folder.name)}</td>"
        f"<td>{text(told['cut_on'])}</td><td>{text(told['as_of'])}</td><td>{text(state)}</td></tr>"
    )

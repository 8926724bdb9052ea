"""Commands that print a page of the documentation, as Markdown."""

from __future__ import annotations

from pathlib import Path

import click

FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command()
def dictionary() -> None:
    """Print the data dictionary of every table, as Markdown.

    \b
    Example: limbaudit dictionary > data-dictionary.md
    """
    from schemas.dictionary import markdown

    click.echo(markdown(), nl=False)


@click.command()
@click.argument("workspace", type=FOLDER, required=False)
def catalogue(workspace: Path | None) -> None:
    """Print the catalogue in force in plain words, and where it differs from the built-in one.

    \b
    Example: limbaudit catalogue our_audit
    """
    from pipeline.catalogue import load_catalogue, markdown

    click.echo(markdown(load_catalogue(workspace / "catalogue.toml" if workspace else None)), nl=False)


@click.command()
def findings() -> None:
    """Print what every finding means and what to do about it, as Markdown.

    \b
    Example: limbaudit findings > findings.md
    """
    from schemas.findings_page import markdown

    click.echo(markdown(), nl=False)

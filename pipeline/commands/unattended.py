"""Commands for whoever runs it at night."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path

import click

from pipeline.commands.places import FOLDER, engine_options, state_folder


@click.command()
@click.argument("workspace", type=FOLDER)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
@engine_options
def nightly(workspace: Path, out: Path | None, engine: str, scheduler: str) -> None:
    """Do what the schedule asks for up to now, once: validate what came, make the editions that are due.

    For cron or another scheduler. Nights that were missed are done in order, each with what was known then. Notices go
    out only when something has changed.

    \b
    Example: limbaudit nightly our_audit
    """
    from pipeline.nightly import Place, night

    place = Place.of(workspace, out or workspace / "editions", state_folder(), engine, scheduler)
    done = night(place, datetime.now(UTC))
    for each in done.tasks:
        click.echo(each.words)
        for reason in each.reasons:
            click.echo(f"limbaudit: {reason}", err=True)
    if not done.tasks:
        click.echo("Nothing was due.")
    for problem in (*done.noted.words, *([done.ahead] if done.ahead else [])):
        click.echo(f"limbaudit: {problem}", err=True)
    sys.exit(done.exit_code)


@click.command()
@click.argument("workspace", type=FOLDER)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
def status(workspace: Path, out: Path | None) -> None:
    """Say in five lines what ran last, what is due, what is late, what is wrong, who can read the editions.

    \b
    Example: limbaudit status our_audit
    """
    from pipeline.errors import WrongUse
    from pipeline.nightly import Place
    from pipeline.status import lines_without_settings, status_lines

    place = Place.of(workspace, out or workspace / "editions", state_folder())
    try:
        lines = status_lines(place, datetime.now(UTC))
    except WrongUse as problem:
        click.echo("\n".join(lines_without_settings(place, str(problem))))
        sys.exit(problem.exit_code)
    click.echo("\n".join(lines))


@click.command()
@click.argument("workspace", type=FOLDER)
@click.option(
    "--out", type=FOLDER, default=None, help="Folder of the editions; by default WORKSPACE/editions."
)
@click.option(
    "--server", default="", help="Address of a Prefect server that runs already; by default one of its own."
)
@engine_options
def schedule(workspace: Path, out: Path | None, server: str, engine: str, scheduler: str) -> None:
    """Serve the nightly and the monthly schedule of audit.toml until stopped.

    Needs the extra `schedule` (Prefect). Without it, `limbaudit nightly` from cron does the same work.

    \b
    Example: limbaudit schedule our_audit
    """
    import os

    from pipeline.errors import WrongUse
    from pipeline.nightly import Place, settings_of
    from pipeline.unattended.server import own_server, quiet_environment

    if find_spec("prefect") is None:
        raise WrongUse(
            "Prefect is not installed. `pip install 'limbaudit[schedule]'` installs it; or let cron call "
            f"`limbaudit nightly {workspace}`."
        )
    place = Place.of(workspace, out or workspace / "editions", state_folder(), engine, scheduler)
    asked = settings_of(workspace).schedule
    home = place.state / "scheduler"
    with nullcontext(server) if server else own_server(home) as address:
        os.environ.update(quiet_environment(home, address))
        from pipeline.flows import served

        click.echo(
            f"Serving {workspace}: nights `{asked.nightly}`, editions `{asked.monthly}` ({asked.timezone})."
        )
        served(place)

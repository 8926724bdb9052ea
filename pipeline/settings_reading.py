"""audit.toml → `Settings`: every key checked, every name it mentions looked up."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from dataclasses import fields
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipeline.catalogue import Catalogue
from pipeline.errors import WrongUse
from pipeline.settings import (
    DEFAULT_WINDOWS,
    Handout,
    Schedule,
    Settings,
    Site,
    SurgeonTables,
    Tolerance,
    Window,
)
from pipeline.settings_comparisons import Known, check_window, compare, group, primary
from pipeline.toml_reading import TomlTable, read_toml
from schemas.measures import SCORED_RULES

CONTRACT = 1
PERIODS = ("month", "quarter", "year")
INTERVALS = ("wilson", "clopper-pearson")
STRATA = ("site", "surgeon", "fixation", "age_band")
SCALES = ("orthopaedic", "clavien_dindo")
SENDS = ("everything", "changes")
PAPERS = ("a4", "letter")
DATES = ("exact", "shifted", "day_numbers")
TABLES = ("operations", "events", "followups", "measurements", "patients", "surgeons")
STRENGTHS = ("definite", "probable", "possible")
_SITE_ID = re.compile(r"[A-Za-z0-9_-]+")


def read_settings(path: Path, catalogue: Catalogue, operation_columns: Collection[str]) -> Settings:
    """The settings of a workspace. Raises WrongUse."""
    top = _opened(path)
    windows = _windows(top)
    groups = {
        name: group(name, table, operation_columns) for name, table in top.named_tables("groups").items()
    }
    known = Known(catalogue, operation_columns, windows, groups)
    settings = Settings(
        **_plain(top),
        windows=windows,
        surgeon_tables=_surgeon_tables(top.table("surgeon_tables"), known),
        handout=_handout(top.table("handout"), known),
        sites={key: _site(key, table) for key, table in top.named_tables("sites").items()},
        sites_listed=top.has("sites"),
        groups=groups,
        primary=primary(top.table("primary"), known) if top.has("primary") else None,
        compare=tuple(compare(table, known) for table in top.tables("compare")),
        **_tolerances(top.table("tolerance")),
        nonoperative_weeks_expected=_weeks(top.table("nonoperative_weeks_expected"), catalogue),
        schedule=_schedule(top.table("schedule")),
        **_single_keys(top),
    )
    top.finish()
    _refuse_unknown_windows(catalogue, known)
    return settings


def _refuse_unknown_windows(catalogue: Catalogue, known: Known) -> None:
    """A window that the workspace's catalogue names must be one of the settings; built-in ones may lack."""
    for key, entry in catalogue.complications.items():
        ours = (f"complications.{key}.windows:", f"complications.{key}: added")
        unknown = sorted(set(entry.windows) - set(known.days))
        if unknown and any(line.startswith(ours) for line in catalogue.differs):
            raise WrongUse(
                f"catalogue.toml: [complications.{key}] names the window {unknown[0]}, but audit.toml has "
                f"{', '.join(map(str, known.days))}. Add the window to audit.toml or name one of these."
            )


def _opened(path: Path) -> TomlTable:
    folder = path.parent
    if not folder.is_dir():
        raise WrongUse(f"{folder} is not a folder. `limbaudit new {folder}` makes a workspace there.")
    if not path.is_file():
        raise WrongUse(
            f"{folder} has no {path.name}, so it is no workspace. `limbaudit new {folder}` makes one."
        )
    top = read_toml(path)
    top.require("contract")
    if top.raw("contract") != CONTRACT or isinstance(top.raw("contract"), bool):
        raise top.wrong(
            "contract", f"{CONTRACT}, the contract this version speaks. Write `contract = {CONTRACT}`."
        )
    return top


def _plain(top: TomlTable) -> dict[str, Any]:
    """The keys at the top that stand for themselves."""
    usual = Settings()
    return {
        "period": top.text("period", usual.period, among=PERIODS),
        "interval": top.text("interval", usual.interval, among=INTERVALS),
        "confidence": _between(top, "confidence", usual.confidence, 0.5, 1),
        "age_bands": _rising(top, "age_bands", top.wholes("age_bands", usual.age_bands, low=1, high=110)),
        "strata": _once(top, "strata", top.texts("strata", usual.strata, among=STRATA)),
        "worthwhile_difference": _between(top, "worthwhile_difference", usual.worthwhile_difference, 0, 1),
        "count_from": top.date("count_from"),
        "severity_scale": top.text("severity_scale", usual.severity_scale, among=SCALES),
        "keep_months": top.whole("keep_months", usual.keep_months, low=1),
    }


def _single_keys(top: TomlTable) -> dict[str, Any]:
    """The small tables whose keys are fields of `Settings` themselves."""
    usual = Settings()
    return {
        "counted": _sole(top, "counting", "counted", lambda t, k: t.texts(k, usual.counted, among=STRENGTHS)),
        "shared_identity": _sole(
            top, "identity", "shared", lambda t, k: t.texts(k, among=("patient", "surgeon"))
        ),
        "access_group": _sole(top, "access", "group", lambda t, k: t.text(k)),
        "smallest_cell": _sole(
            top, "disclosure", "smallest_cell", lambda t, k: t.whole(k, usual.smallest_cell, low=1, high=100)
        ),
        **_notices(top.table("notices")),
    }


def _sole(top: TomlTable, name: str, key: str, read: Callable[[TomlTable, str], Any]) -> Any:
    table = top.table(name)
    value = read(table, key)
    table.finish()
    return value


def _notices(table: TomlTable) -> dict[str, str]:
    webhook, mail_to = table.text("webhook"), table.text("mail_to")
    if webhook and not webhook.startswith(("https://", "http://")):
        raise table.wrong("webhook", 'an address that starts with https://. Leave it "" for none.')
    if mail_to and "@" not in mail_to:
        raise table.wrong("mail_to", 'a mail address. Leave it "" for none.')
    table.finish()
    return {"notice_webhook": webhook, "notice_mail_to": mail_to}


def _between(table: TomlTable, key: str, usual: float, low: float, high: float) -> float:
    value = table.number(key, usual)
    if not low < value < high:
        raise table.wrong(
            key, f"a number between {low} and {high}, both excluded. Write for example {usual}."
        )
    return float(value)


def _rising(table: TomlTable, key: str, values: tuple[int, ...]) -> tuple[int, ...]:
    if any(after <= before for before, after in pairwise(values)):
        raise table.wrong(key, "numbers that rise. Put them in order, each once.")
    return values


def _once(table: TomlTable, key: str, words: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(words)) < len(words):
        raise table.wrong(key, "each word once. Take the repeated one away.")
    return words


def _windows(top: TomlTable) -> tuple[Window, ...]:
    if not top.has("windows"):
        return DEFAULT_WINDOWS
    windows = tuple(_window(table) for table in top.tables("windows"))
    if not windows:
        raise top.wrong("windows", "at least one window. Write [{ days = 365, early = 60, grace = 90 }].")
    days = [window.days for window in windows]
    if sorted(set(days)) != days:
        raise top.wrong("windows", "windows whose days rise. Put them in order, each once.", f"days {days}")
    return windows


def _window(table: TomlTable) -> Window:
    table.require("days")
    days = table.whole("days", low=1)
    window = Window(days, table.whole("early", 0, low=0, high=days - 1), table.whole("grace", 0, low=0))
    table.finish()
    return window


def _surgeon_tables(table: TomlTable, known: Known) -> SurgeonTables:
    """Names the file gives must exist; those that only the default gives are dropped where they do not."""
    usual = SurgeonTables()
    categories = table.texts("categories", usual.categories, among=known.categories)
    windows = table.wholes("windows", usual.windows)
    if table.has("windows"):
        for days in windows:
            check_window(table, "windows", days, known)
    table.finish()
    return SurgeonTables(
        tuple(key for key in categories if key in known.categories),
        tuple(days for days in windows if days in known.days),
    )


def _handout(table: TomlTable, known: Known) -> Handout:
    """As of the surgeons' tables: a category that only the default names is dropped where it does not exist."""
    usual = Handout()
    paper = table.text("paper", usual.paper, among=PAPERS)
    categories = _once(
        table, "categories", table.texts("categories", usual.categories, among=known.categories)
    )
    table.finish()
    return Handout(paper, tuple(key for key in categories if key in known.categories))


def _site(key: str, table: TomlTable) -> Site:
    if not _SITE_ID.fullmatch(key):
        raise WrongUse(
            f"{table.place()}: `{key}` is not a site id. Use letters, digits, _ and -, as for its folder."
        )
    usual = Site(key)
    site = Site(
        site_id=key,
        name=table.text("name", key),
        sends=table.text("sends", among=SENDS),
        due_day=table.whole("due_day", low=1, high=28),
        required=_once(table, "required", table.texts("required", usual.required, among=TABLES)),
        dates=table.text("dates", usual.dates, among=DATES),
        data_until=table.date("data_until"),
    )
    table.finish()
    if site.dates != "exact" and site.data_until is None:
        raise table.wrong(
            "dates", "`data_until` beside it, since the site's dates do not say. Add data_until = 2026-10-31."
        )
    return site


def _tolerances(table: TomlTable) -> dict[str, Any]:
    """`[tolerance]` itself and `[tolerance.rules]`, whose keys are rules of the scorecard."""
    usual = Tolerance()
    rules = table.table("rules")
    of_rule = {key: rules.number(key, None, 0, 1) for key in rules.keys if key in SCORED_RULES}
    rules.finish(SCORED_RULES)
    shares = {
        each.name: table.number(each.name, getattr(usual, each.name), 0, 1) for each in fields(Tolerance)
    }
    table.finish()
    return {"tolerance": Tolerance(**shares), "tolerance_of_rule": of_rule}


def _weeks(table: TomlTable, catalogue: Catalogue) -> dict[str, int]:
    weeks = {key: table.whole(key, low=0, high=520) for key in table.keys if key in catalogue.procedures}
    table.finish(catalogue.procedures)
    return weeks


def _schedule(table: TomlTable) -> Schedule:
    usual = Schedule()
    schedule = Schedule(
        nightly=_cron(table, "nightly", usual.nightly),
        monthly=_cron(table, "monthly", usual.monthly),
        timezone=table.text("timezone", usual.timezone),
    )
    table.finish()
    try:
        ZoneInfo(schedule.timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        if table.has("timezone"):
            raise table.wrong("timezone", "a time zone such as Europe/Dublin. Correct it.") from None
    return schedule


def _cron(table: TomlTable, key: str, usual: str) -> str:
    text = table.text(key, usual)
    if len(text.split()) != 5:
        raise table.wrong(
            key, f'five fields: minute, hour, day, month, weekday. Write for example "{usual}".'
        )
    return text

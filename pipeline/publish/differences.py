"""Where the definitions in force differ from the built-in ones: catalogue and counting rules of the settings."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.settings import Settings, Window


def _window(window: Window) -> str:
    return f"{window.days} days ({window.early} early, {window.grace} grace)"


#: Keys of audit.toml that change what a printed figure means → how their value is told.
COUNTING_RULES: dict[str, Callable[[Settings], str]] = {
    "windows": lambda settings: "; ".join(_window(window) for window in settings.windows),
    "age_bands": lambda settings: ", ".join(settings.age_band_labels),
    "interval": lambda settings: words.plain(settings.interval),
    "confidence": lambda settings: words.percent(settings.confidence, 0),
    "counted": lambda settings: words.listed([words.plain(strength) for strength in settings.counted]),
    "count_from": lambda settings: words.day(settings.count_from),
    "severity_scale": lambda settings: words.plain(settings.severity_scale),
    "observed_share": lambda settings: words.percent(settings.tolerance.observed_share, 0),
    "worthwhile_difference": lambda settings: words.percent(settings.worthwhile_difference, 0),
}


def differences(context: Context) -> tuple[str, ...]:
    """One line a point: the catalogue's own lines first, then each counting rule of audit.toml that was changed."""
    usual = Settings()
    told = {key: (tell(usual), tell(context.settings)) for key, tell in COUNTING_RULES.items()}
    changed = [
        f"audit.toml, {words.plain(key)}: {now} (built in: {was})"
        for key, (was, now) in told.items()
        if was != now
    ]
    return (*context.catalogue.differs, *changed)

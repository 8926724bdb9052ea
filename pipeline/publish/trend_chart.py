"""Small charts of a share over receipts, drawn as SVG in the page: no script, text as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.context import Context

if TYPE_CHECKING:
    import pandas as pd

WIDTH, HEIGHT = 220, 92
_LEFT, _RIGHT, _TOP, _BOTTOM = 40, 8, 10, 20
MOST_CHARTS, MOST_RECEIPTS = 24, 24


def charts(trend: pd.DataFrame, context: Context) -> str:
    """One chart a site and table with at least two receipts to show; the rest is in the file."""
    named = words.names(context)
    drawn = []
    for (site, table), rows in trend.groupby(["site", "table"], sort=True):
        own = rows.sort_values("receipt").tail(MOST_RECEIPTS)
        if len(own) > 1 or own["outside"].any():
            caption = f"{named.site(site)}, {words.plain(table)}"
            drawn.append(
                f"<figure><figcaption>{page.text(caption)}</figcaption>{_chart(own, caption)}</figure>"
            )
    more = len(drawn) - MOST_CHARTS
    left = page.paragraph(f"{more} more are in the file.", "soft") if more > 0 else ""
    return f'<div class="charts">{"".join(drawn[:MOST_CHARTS])}</div>{left}' if drawn else ""


def _chart(rows: pd.DataFrame, caption: str) -> str:
    shares, lows, highs = (rows[name].to_list() for name in ("share", "limit_low", "limit_high"))
    top = max(0.02, max(shares) * 1.25, min(max(highs), 4 * max(*shares, 0.01)))
    across = [_x(number, len(rows)) for number in range(len(rows))]
    band = [(x, _y(min(high, top), top)) for x, high in zip(across, highs, strict=True)]
    band += [(x, _y(low, top)) for x, low in reversed(list(zip(across, lows, strict=True)))]
    line = [(x, _y(share, top)) for x, share in zip(across, shares, strict=True)]
    marks = "".join(_mark(*at, bool(out)) for at, out in zip(line, rows["outside"], strict=True))
    told = f"{caption}: share of rows held back, {_said(rows)}"
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" aria-label="{page.text(told)}">'
        f'<polygon class="band" points="{_points(band)}"/>{_axis(rows, top)}'
        f'<polyline class="share" points="{_points(line)}"/>{marks}</svg>'
    )


def _said(rows: pd.DataFrame) -> str:
    """The last share with its limits, for those who do not see the chart."""
    last = rows.iloc[-1]
    allowed = words.percents(last["limit_low"], last["limit_high"])
    return f"{words.percent(last['share'])} on {words.day(last['receipt'])}, chance allows {allowed}"


def _axis(rows: pd.DataFrame, top: float) -> str:
    bottom = HEIGHT - _BOTTOM
    first, last = (rows["receipt"].iloc[at] for at in (0, -1))
    texts = [
        (_LEFT - 4, _y(top, top) + 4, "end", words.percent(top)),
        (_LEFT - 4, bottom + 2, "end", "0"),
        (_LEFT, HEIGHT - 4, "start", first.isoformat()),
        *([(WIDTH - _RIGHT, HEIGHT - 4, "end", last.isoformat())] if len(rows) > 1 else []),
    ]
    lines = f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{WIDTH - _RIGHT}"/>'
    return lines + "".join(
        f'<text x="{x}" y="{y:.1f}" text-anchor="{anchor}">{page.text(said)}</text>'
        for x, y, anchor, said in texts
    )


def _mark(x: float, y: float, outside: bool) -> str:
    if outside:
        return f'<rect class="outside" x="{x - 3.5:.1f}" y="{y - 3.5:.1f}" width="7" height="7"/>'
    return f'<circle class="share" cx="{x:.1f}" cy="{y:.1f}" r="2"/>'


def _points(pairs: list[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in pairs)


def _x(number: int, receipts: int) -> float:
    inner = WIDTH - _LEFT - _RIGHT - 8
    return _LEFT + 4 + (inner * number / (receipts - 1) if receipts > 1 else inner / 2)


def _y(share: float, top: float) -> float:
    return HEIGHT - _BOTTOM - (HEIGHT - _TOP - _BOTTOM) * share / top

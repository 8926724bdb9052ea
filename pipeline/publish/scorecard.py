"""The scorecard in print: completeness, failing rules, the trend over exports, volume, lag, odd values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from pipeline.findings import CATALOGUE
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.page import Show
from pipeline.publish.rows_behind import by_table, in_print, linked_failing, linked_total
from pipeline.publish.trend_chart import charts
from schemas.exports import EXPORTS
from schemas.measures import MEASURES

if TYPE_CHECKING:
    import pandas as pd

#: Rows of each table shown; the page holds at most 500 in all.
MOST_FAILING, MOST_OUTSIDE, MOST_BY_TABLE, MOST_ODD, MOST_FIELDS = 80, 40, 60, 40, 120
_FILLED_BY, _ONLY_MEASURED = ("value_missing", "value_empty"), ("value_empty", "recorded_late")


def scorecard(tables: Mapping[str, pd.DataFrame], context: Context) -> Iterator[str]:
    """The sections one after another; those without a table are left out."""
    if tables.get("quality") is not None:
        yield _failing(tables["quality"], tables, context)
        yield _completeness(tables["quality"], context)
    if tables.get("quality_trend") is not None:
        yield _trend(tables["quality_trend"], context)
    if tables.get("quality_volume") is not None:
        yield _volume(tables["quality_volume"], tables, context)
    if tables.get("quality_lag") is not None:
        yield _lag(tables["quality_lag"], context)
    yield _odd(context)


def title_of(rule: object) -> str:
    """A rule's title, for a reason that is a rule; other reasons are sentences already."""
    known = CATALOGUE.get(str(rule)) or MEASURES.get(str(rule))
    return known.title if known else words.sentence(words.plain(rule))


def _column(name: object) -> str:
    return "whole row" if words.is_missing(name) or name == "" else words.plain(name)


def _failing(quality: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """Rules that some rows fail; measures only where they are over a tolerance."""
    title = '<h2 id="scorecard">Scorecard</h2>'
    measured = quality["rule"].isin(_ONLY_MEASURED) & (quality["verdict"] != "over tolerance")
    asked = quality[~measured]
    failing = asked[asked["failing"] > 0]
    passed = words.several(len(asked) - len(failing), "check", "checks")
    if failing.empty:
        return title + page.paragraph(f"No row fails a rule: {passed}, none with a fault.", "soft")
    ordered = failing.sort_values(
        ["site", "share", "table", "column", "rule"], ascending=[True, False, True, True, True], kind="stable"
    )
    named = words.names(context)
    printed = ordered.astype("object").assign(
        site=ordered["site"].map(named.site),
        table=ordered["table"].map(words.plain),
        column=ordered["column"].fillna("").map(_column),
        rule=ordered["rule"].map(title_of),
        failing=_rows_failing(ordered, tables, context),
        share=ordered["share"].map(lambda share: words.percent(share, 2)),
        tolerance=ordered["tolerance"].map(words.percent),
        verdict=ordered["verdict"].map(lambda word: words.sentence(words.plain(word))),
    )  # fmt: skip
    columns = {
        "rule": Show("Fault"), "table": Show("Table"), "column": Show("Column"), "failing": Show("Rows", True),
        "share": Show("Share", True), "tolerance": Show("Tolerated", True), "verdict": Show("Within?"),
    }  # fmt: skip
    caption = "Rules that some rows fail, over all exports"
    shown = page.table(
        printed, "scorecard", caption, columns, csv="../quality.csv", grouped_by="site", most=MOST_FAILING
    )
    return title + shown + page.paragraph(f"{words.sentence(passed)} found no fault.", "soft")


def _rows_failing(checks: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> pd.Series:
    """`3 of 200`, the first leading to what fails."""
    found = context.found[context.found["action"] != "repair"]
    about = dict(list(found.groupby(["site", "table", "rule"])))
    ledger = by_table(tables["ledger"]) if tables.get("ledger") is not None else None
    rows = checks.assign(column=checks["column"].fillna(""), title=checks["rule"].map(title_of))
    return in_print(
        [
            joined(
                linked_failing(
                    row, ledger, about.get((row["site"], row["table"], row["rule"]), found[:0]), context
                )
                if ledger is not None
                else words.count(row["failing"]),
                f" of {words.count(row['rows'])}",
            )
            for row in rows.to_dict("records")
        ],
        checks,
    )


def _ledger(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame | None:
    ledger = tables.get("ledger")
    return None if ledger is None else ledger.assign(table=ledger["table"].fillna(""))


def _completeness(quality: pd.DataFrame, context: Context) -> str:
    """Filled cells of every column that any site sends: a row a column, a column a site."""
    import pandas as pd

    own = quality[quality["rule"].isin(_FILLED_BY) & (quality["rows"] > 0)]
    title = '<h2 id="completeness">How complete each field is</h2>'
    if own.empty:
        return title + page.paragraph("Nothing was received.", "soft")
    filled = own.assign(filled=1 - own["failing"] / own["rows"]).pivot_table(
        index=["table", "column"], columns="site", values="filled", aggfunc="first"
    )
    places = {(name, column): n for n, (name, column) in enumerate(_contract_columns())}
    filled = filled.loc[sorted(filled.index, key=lambda pair: places.get(pair, len(places)))]
    named = words.names(context)
    sites = {str(site): Show(named.site(site), True) for site in filled.columns}
    printed = pd.DataFrame(
        {
            "table": [words.sentence(words.plain(table)) for table, _ in filled.index],
            "column": [_field(table, column) for table, column in filled.index],
            **{site: [_filled(share) for share in filled[site]] for site in sites},
        },
        dtype="object",
    )
    said = page.paragraph(
        "Share of rows in which the field is filled. A row without a required field is held back. An optional field "
        "may rightly be empty: no tolerance is set unless the settings name one. A dash: the site never sends it.",
        "soft",
    )
    shown = page.table(
        printed, "completeness", "Filled cells, over all exports", {"column": Show("Field"), **sites},
        csv="../quality.csv", stub="column", grouped_by="table", most=MOST_FIELDS,
    )  # fmt: skip
    return f"{title}{said}<details open><summary>Every field, by site</summary>{shown}</details>"


def _contract_columns() -> Iterator[tuple[str, str]]:
    return ((name, column) for name, table in EXPORTS.items() for column in table.names)


def _field(table: str, column: str) -> str:
    required = table in EXPORTS and column in EXPORTS[table].required
    return words.plain(column) + (" (required)" if required else "")


def _filled(share: float) -> str:
    """Whole only where it is: 99.96 % is not printed as 100 %."""
    if words.is_missing(share):
        return words.NOTHING
    return words.percent(share, 0) if share in (0, 1) else words.percent(min(max(share, 0.001), 0.999))


def _trend(trend: pd.DataFrame, context: Context) -> str:
    title = '<h2 id="trend">The trend over exports</h2>'
    if trend.empty:
        return title + page.paragraph("There is one export only: no trend yet.", "soft")
    said = page.paragraph(
        "Each receipt is held against the site’s own receipts before it. The grey band is where its share of rows held "
        "back lies in 998 of 1000 cases if nothing changed; a hollow square lies outside.",
    )  # fmt: skip
    drawn = charts(trend[trend["rule"] == "quarantined_share"], context)
    outside = trend[trend["outside"].astype(bool)].sort_values(
        ["site", "receipt", "table", "column", "rule"], ascending=[True, False, True, True, True]
    )
    if outside.empty:
        checked = words.several(len(trend), "share", "shares")
        return title + said + drawn + page.paragraph(f"None of {checked} lies outside its limits.", "soft") + (
            page.source("../quality_trend.csv")
        )  # fmt: skip
    named = words.names(context)
    printed = outside.astype("object").assign(
        site=outside["site"].map(named.site),
        receipt=outside["receipt"].map(words.day),
        what=outside["rule"].map(title_of),
        way=["more" if share > before else "fewer" for share, before in zip(outside["share"], outside["expected"], strict=True)],
        where=[_where(*pair) for pair in zip(outside["table"], outside["column"], strict=True)],
        failing=outside["failing"].map(words.count) + " of " + outside["rows"].map(words.count),
        share=outside["share"].map(words.percent),
        expected=outside["expected"].map(words.percent),
        limits=[words.percents(*pair) for pair in zip(outside["limit_low"], outside["limit_high"], strict=True)],
    )  # fmt: skip
    columns = {
        "receipt": Show("Received"), "what": Show("What"), "where": Show("Where"),
        "way": Show("Than before"),
        "failing": Show("Rows", True), "share": Show("Share", True), "expected": Show("Before", True),
        "limits": Show("Chance allows", True),
    }  # fmt: skip
    shown = page.table(
        printed, "trend", "Shares outside the limits chance allows", columns, csv="../quality_trend.csv",
        stub="receipt", grouped_by="site", most=MOST_OUTSIDE,
    )  # fmt: skip
    return title + said + drawn + shown


def _where(table: object, column: object) -> str:
    return f"{words.plain(table)}, {_column(column)}"


def _newest(rows: pd.DataFrame) -> pd.DataFrame:
    """The newest receipt of each site and table."""
    last = rows.groupby(["site", "table"])["receipt"].transform("max")
    return rows[rows["receipt"] == last].sort_values(["site", "table"], ignore_index=True)


def _volume(volume: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    title = '<h2 id="volume">How much came</h2>'
    own = _newest(volume)
    if own.empty:
        return title + page.paragraph("Nothing was received.", "soft")
    named = words.names(context)
    printed = own.astype("object").assign(
        site=own["site"].map(named.site), table=own["table"].map(words.plain), receipt=own["receipt"].map(words.day),
        rows=_rows_of_receipts(own, tables, context), median=own["median"].map(_half), ratio=own["ratio"].map(words.percent),
        used=["used" if used else "set aside" for used in own["used"]],
    )  # fmt: skip
    columns = {
        "table": Show("Table"), "receipt": Show("Newest receipt"), "rows": Show("Rows", True),
        "median": Show("Median of up to eight before", True), "ratio": Show("Of that median", True),
        "used": Show("Export"),
    }  # fmt: skip
    caption = "Rows of the newest receipt against the ones before; a first export of the whole past weighs in the median"
    return title + page.table(
        printed, "volume", caption, columns, csv="../quality_volume.csv", stub="table", grouped_by="site",
        most=MOST_BY_TABLE,
    )  # fmt: skip


def _rows_of_receipts(
    receipts: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context
) -> pd.Series:
    """Records of each receipt, leading to its files."""
    ledger, named = _ledger(tables), words.names(context)
    if ledger is None:
        return in_print(receipts["rows"].map(words.count).tolist(), receipts)
    files = dict(list(ledger.groupby(["site", "table", "receipt"])))
    return in_print(
        [
            linked_total(
                row["rows"],
                files.get((row["site"], row["table"], row["receipt"])),
                f"{named.site(row['site'])}, {words.plain(row['table'])}, received {words.day(row['receipt'])}",
                "records",
                context,
            )
            for row in receipts.to_dict("records")
        ],
        receipts,
    )


def _half(number: object) -> str:
    """A median of whole numbers: whole, or with its half."""
    if words.is_missing(number):
        return words.NOTHING
    value = float(number)  # type: ignore[arg-type]
    return words.count(value) if value == int(value) else f"{value:.1f}"


def _lag(lag: pd.DataFrame, context: Context) -> str:
    title = '<h2 id="lag">How soon it was written down</h2>'
    own = _newest(lag)
    if own.empty:
        return title + page.paragraph(
            "No site says when its records were written, and none sent twice.", "soft"
        )
    named = words.names(context)
    printed = own.astype("object").assign(
        site=own["site"].map(named.site), table=own["table"].map(words.plain), receipt=own["receipt"].map(words.day),
        **{name: own[name].map(words.count) for name in ("rows", "median_days", "days_90", "longest_days", "late")},
    )  # fmt: skip
    columns = {
        "table": Show("Table"), "receipt": Show("Newest receipt"), "rows": Show("Rows", True),
        "median_days": Show("Half within days", True), "days_90": Show("Nine in ten within days", True),
        "longest_days": Show("All within days", True), "late": Show("Later than 150 days", True),
    }  # fmt: skip
    caption = "Days from what happened to the time of writing, or to the receipt where that is not sent"
    return title + page.table(
        printed, "lag", caption, columns, csv="../quality_lag.csv", stub="table", grouped_by="site", most=MOST_BY_TABLE
    )  # fmt: skip


def _odd(context: Context) -> str:
    """Columns that hardly vary and values never seen before."""
    title = '<h2 id="odd">Values to look at</h2>'
    own = context.found[context.found["rule"].isin(["column_constant", "value_new"])]
    if own.empty:
        return title + page.paragraph(
            "No column stopped varying, and no code or word came for the first time.", "soft"
        )
    named = words.names(context)
    printed = own.astype("object").assign(
        site=own["site"].map(named.site), what=own["rule"].map(title_of),
        where=own["table"].map(words.plain) + ", " + own["column"].map(words.plain),
        value=own["value"].where(own["value"] != "", words.NOTHING),
        place=own["source_file"] + ", line " + own["source_line"].astype("string"),
    )  # fmt: skip
    columns = {
        "what": Show("What"), "where": Show("Where"), "value": Show("Value"), "message": Show("How often"),
        "place": Show("First at"),
    }  # fmt: skip
    return title + page.table(
        printed, "odd", "Columns that hardly vary, and codes and words that are new", columns,
        csv="../quarantine.csv", grouped_by="site", most=MOST_ODD,
    )  # fmt: skip

"""What the records of each site are fit for, carried by the figures made from them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, words
from pipeline.publish.context import Context
from schemas.measures import FIT

if TYPE_CHECKING:
    import pandas as pd


def with_fitness(rates: pd.DataFrame, verdicts: Mapping[str, str]) -> pd.DataFrame:
    """Rates whose site rows say in `note` what the site's records are fit for, where that is not simply fit.

    Args:
        rates: The published table.
        verdicts: Site → one of `schemas.measures.VERDICTS`.
    """
    told = {site: f"records {words.plain(word)}" for site, word in verdicts.items() if word not in ("", FIT)}
    own = rates["stratum"].eq("site") & rates["stratum_value"].isin(list(told))
    if not own.any():
        return rates
    said = rates.loc[own, "stratum_value"].map(told).astype("object")
    before = rates.loc[own, "note"].astype("object")
    empty = before.isna() | (before == "")
    notes = rates["note"].astype("object")
    notes[own] = said.where(empty, before.fillna("").astype(str) + "; " + said.astype(str))
    return rates.assign(note=notes)


def fitness(context: Context) -> str:
    """For the top of a page of rates: which sites' records are not simply fit, and why."""
    judged = [site for site in context.sites if site.verdict]
    if not judged:
        return ""
    seen = page.link("quality.html#sites", "data quality")
    odd = [site for site in judged if site.verdict != FIT]
    if not odd:
        return (
            f'<p class="soft">The records behind these figures are fit at every site judged; see {seen}.</p>'
        )
    told = [
        f"{site.name or site.site}: {words.plain(site.verdict)}"
        + (f" ({'; '.join(site.reasons)})" if site.reasons else "")
        for site in odd
    ]
    return (
        f'<div class="note"><p>The records of some sites are not simply fit to be compared; see {seen}.</p>'
        f"{page.bullets(told)}</div>"
    )

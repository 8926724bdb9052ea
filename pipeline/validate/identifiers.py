"""Columns that seem to hold direct identifiers, by their header or by what they hold.

The classes are those of 45 CFR 164.514(b)(2) without dates of care; the words are our own (common practice, no
source). Headers that the mapping leads to contract columns may speak of a record number, of nothing else here.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

#: A column of which so many of the filled cells look alike is a column of that.
SHARE_THAT_DECIDES = 0.5
FEWEST_CELLS, MOST_CELLS = 3, 5000

# fmt: off
_NAMES = frozenset((
    "surname", "forename", "firstname", "lastname", "fullname", "givenname", "familyname", "middlename",
    "maidenname", "patientname", "ptname", "vorname", "nachname", "prenom", "initials",
))
_NAMES_OF_THINGS = frozenset((
    "procedure", "operation", "op", "implant", "device", "hospital", "site", "ward", "clinic", "drug",
    "test", "measure", "score", "diagnosis", "joint", "bone", "side", "file", "column", "field",
    "sheet", "unit", "system", "code", "product", "brand", "fixation", "category", "complication",
    "department", "theatre", "event", "table", "variable", "group", "trial", "study", "manufacturer",
    "approach", "sport", "form", "questionnaire",
))
_BIRTH = frozenset(("dob", "birthdate", "birthday", "dateofbirth", "birth", "born", "geburtsdatum"))
_CONTACT = frozenset((
    "phone", "telephone", "tel", "telefon", "mobile", "fax", "pager", "email", "mail", "website", "url",
))
_ADDRESSES = frozenset((
    "address", "addr", "street", "postcode", "postal", "zip", "zipcode", "eircode", "plz", "adresse",
    "strasse", "city", "town", "county",
))
_RECORDS = frozenset((
    "mrn", "nhs", "pps", "ppsn", "ssn", "nin", "chi", "insurance", "policy", "medicare", "medicaid",
    "passport", "casenotes", "casenote", "account",
))
_NUMBERED = frozenset((
    "record", "chart", "hospital", "unit", "patient", "pt", "member", "licence", "license",
    "certificate", "social",
))
_NUMBERS = frozenset(("number", "no", "num", "nr", "security"))
_HARMLESS_RECORDS = frozenset(("type", "status", "class", "kind", "payer", "group", "trust", "site"))
_IDS_OF = frozenset(("patient", "pt", "member", "record", "chart"))
_DEVICES = frozenset(("serial", "udi", "imei"))
_BODIES = frozenset((
    "photo", "photograph", "fingerprint", "biometric", "biometrics", "numberplate", "licenceplate",
    "licenseplate",
))
_TICKS = frozenset(("", "y", "n", "yes", "no", "true", "false", "0", "1", "x"))
_HARMLESS_BIRTH = frozenset(("year", "weight", "order"))
# fmt: on
_TOKENS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-zà-ÿß]+")

#: What a whole cell looks like; RE2 syntax.
_CONTENT: dict[str, str] = {
    "e-mail addresses": r"^[^\s@]+@[^\s@]+\.[A-Za-z]{2,}$",
    "web addresses": r"^(?:https?://|www\.)\S+$",
    "phone numbers": r"^(?:\+[1-9][0-9 ().-]{6,}|00[1-9][0-9]{0,2}[ .-][0-9 ().-]{5,}"
    r"|\(0?[0-9]{2,4}\)[0-9 .-]{5,}|0[0-9]{1,4}[ .-][0-9]{3,}[0-9 .-]*"
    r"|[0-9]{3}[ .-][0-9]{3}[ .-][0-9]{4})$",
    "social security numbers": r"^[0-9]{3}-[0-9]{2}-[0-9]{4}$",
    "postcodes": r"^(?:[A-Z]{1,2}[0-9][A-Z0-9]? [0-9][A-Z]{2}|[AC-FHKNPRTV-Y][0-9][0-9W] [0-9AC-FHKNPRTV-Y]{4})$",
    "names with a title": r"^(?:Mr|Mrs|Ms|Miss|Mx|Dr|Prof|Professor|Herr|Frau)\.? +[A-ZÀ-Þ].*$",
    "names": r"^[A-ZÀ-Þ][A-Za-zà-ÿ'’-]+, ?[A-ZÀ-Þ][a-zà-ÿ'’-]+(?: [A-Z]\.?)?$",
}
#: Looks that also a handful of clinical terms may have: they decide only where most cells differ.
_MUST_DIFFER = frozenset({"names"})


@dataclass(frozen=True)
class Suspect:
    """A column that may not be sent: its header, and in words what it seems to hold."""

    header: str
    looks_like: str


def suspects(
    headers: Iterable[str], unmapped: pa.Table | None, rows: pa.Table, columns: Iterable[str]
) -> list[Suspect]:
    """Columns with direct identifiers: of those mapped, those that lead nowhere, then the contract's.

    Args:
        headers: All headers as sent.
        unmapped: Text of the columns that lead to no contract column.
        rows: Text of contract columns.
        columns: Names in `rows` to look into.
    """
    unused = {name: unmapped[name] for name in unmapped.column_names} if unmapped is not None else {}
    names = [header.strip() for header in headers]
    found = [
        *_by_header(name for name in names if name not in unused),
        *(Suspect(name, said) for name, text in unused.items() if (said := _of_unused(name, text))),
        *_by_content((name, rows[name]) for name in columns if name in rows.column_names),
    ]
    return list({suspect.header: suspect for suspect in reversed(found)}.values())[::-1]


def _by_header(headers: Iterable[str]) -> list[Suspect]:
    """Suspects among the headers that lead to contract columns."""
    return [Suspect(header, said) for header in headers if (said := in_header(header, mapped=True))]


def _of_unused(header: str, text: pa.ChunkedArray) -> str:
    """What a column that leads nowhere seems to hold, by its header, else by its cells."""
    said = in_header(header)
    return said if said and not _only_ticks(text) else in_content(text)


def in_header(header: str, mapped: bool = False) -> str:
    """What a header says its column holds, empty if it is harmless. `mapped`: it leads to a contract column."""
    tokens = [token.lower() for token in _TOKENS.findall(header)]
    joined = "".join(tokens)
    said = set(tokens) | {joined} | {a + b for a, b in itertools.pairwise(tokens)}
    if said & _NAMES or ("name" in said and not said & _NAMES_OF_THINGS) or {"next", "kin"} <= said:
        return "names"
    if said & _BIRTH and not said & _HARMLESS_BIRTH:
        return "birth dates"
    if said & _CONTACT:
        return "contact data"
    if said & _ADDRESSES:
        return "addresses"
    if said & _DEVICES or {"device", "id"} <= said:
        return "device numbers"
    if said & _BODIES:
        return "pictures, prints or plates"
    return "record numbers" if not mapped and _numbered(said) else ""


def _numbered(said: set[str]) -> bool:
    """Whether the words of a header speak of a number under which an office keeps a person."""
    if said & _RECORDS and not said & _HARMLESS_RECORDS:
        return True
    return bool(said & _NUMBERED and said & _NUMBERS) or ("id" in said and bool(said & _IDS_OF))


def _only_ticks(text: pa.ChunkedArray | pa.Array) -> bool:
    """Whether a column holds nothing but yes and no, as `Phone contact made` does."""
    said = pc.unique(pc.utf8_lower(pc.utf8_trim_whitespace(pc.drop_null(text)))).to_pylist()
    return bool(set(said) - {""}) and set(said) <= _TICKS


def _by_content(columns: Iterable[tuple[str, pa.ChunkedArray]]) -> list[Suspect]:
    return [Suspect(name, said) for name, text in columns if (said := in_content(text))]


def _sample(text: pa.ChunkedArray | pa.Array) -> pa.ChunkedArray | pa.Array:
    """Filled cells, evenly drawn from the whole column where there are many."""
    filled = text.filter(pc.fill_null(pc.not_equal(text, ""), False))
    if len(filled) <= MOST_CELLS:
        return filled
    return filled.take(pa.array(np.linspace(0, len(filled) - 1, MOST_CELLS).astype(np.int64)))


def in_content(text: pa.ChunkedArray | pa.Array) -> str:
    """What most filled cells of a column look like, empty if like nothing of a person."""
    filled = pc.utf8_trim_whitespace(_sample(text))
    filled = filled.filter(pc.not_equal(filled, ""))
    if len(filled) < FEWEST_CELLS:
        return ""
    for said, pattern in _CONTENT.items():
        alike = pc.sum(pc.match_substring_regex(filled, pattern)).as_py() or 0
        if alike < SHARE_THAT_DECIDES * len(filled):
            continue
        if said not in _MUST_DIFFER or pc.count_distinct(filled).as_py() >= SHARE_THAT_DECIDES * len(filled):
            return said
    return ""

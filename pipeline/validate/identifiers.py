"""Columns that seem to hold direct identifiers, by their header or by what they hold.

The classes are those of 45 CFR 164.514(b)(2) without dates of care; the words are our own (common practice, no
source). Headers that lead to ids of the contract may speak of a record number, of nothing else here.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.handover import Export
from pipeline.validate.birth_days import Beside, are_births, beside, own_day, spread_like_births
from pipeline.validate.looks import are_record_numbers, different, looks_like
from pipeline.validate.name_columns import are_names
from pipeline.validate.sight import Sight
from schemas.columns import Table

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
_HARMLESS_RECORDS = frozenset((
    "type", "status", "class", "kind", "payer", "group", "trust", "site", "length", "balance", "cover",
))
_HARMLESS_ADDRESSES = frozenset(("type", "status", "country", "region", "state", "changed", "known", "category"))
_IDS_OF = frozenset(("patient", "pt", "member", "record", "chart"))
_DEVICES = frozenset(("serial", "udi", "imei"))
_BODIES = frozenset((
    "photo", "photograph", "fingerprint", "biometric", "biometrics", "numberplate", "licenceplate",
    "licenseplate",
))
_TICKS = frozenset(("", "y", "n", "yes", "no", "true", "false", "0", "1", "x"))
_HARMLESS_BIRTH = frozenset(("year", "weight", "order"))
# fmt: on
_WITH_TEXT = ("id", "text", "code", "word", "words", "note")
_TOKENS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-zà-ÿß]+")


@dataclass(frozen=True)
class Suspect:
    """A column that may not be sent: its header, and in words what it seems to hold."""

    header: str
    looks_like: str


def looked_at(export: Export, table: Table) -> Iterator[pa.ChunkedArray]:
    """The columns of an export whose cells are looked at: those that lead nowhere, and texts and days."""
    if export.unmapped is not None:
        yield from export.unmapped.columns
    for column in table.columns:
        if column.name in export.rows.column_names and column.kind in (*_WITH_TEXT, "date", "integer"):
            yield export.rows[column.name]


def suspects(export: Export, table: Table, sight: Sight | None = None) -> list[Suspect]:
    """Columns with direct identifiers: of those mapped by their header, then of those that lead nowhere, then of the
    contract's by what they hold.

    Only headers that lead to ids may speak of a record number. `sight` holds the texts of this export and others.
    """
    sight = sight or Sight(looked_at(export, table))
    unused = {name: export.unmapped[name] for name in export.unmapped.column_names} if export.unmapped else {}
    names = [header.strip() for header in export.headers]
    near = beside(export, table, sight)
    found = [
        *_by_header((name for name in names if name not in unused), export, table),
        *(
            Suspect(name, said)
            for name, text in unused.items()
            if (said := _of_unused(name, text, near, _leads_to_id(name, export, table), sight))
        ),
        *_by_content(export, table, near, sight),
    ]
    return list({suspect.header: suspect for suspect in reversed(found)}.values())[::-1]


def _leads_to_id(header: str, export: Export, table: Table) -> bool:
    fed = export.feeds.get(header, (header,) if header in table.names else ())
    return any(table[name].kind == "id" for name in fed)


def _by_header(headers: Iterable[str], export: Export, table: Table) -> list[Suspect]:
    """Suspects among the headers that lead to contract columns."""
    asked = ((header, in_header(header, to_id=_leads_to_id(header, export, table))) for header in headers)
    return [Suspect(header, said) for header, said in asked if said]


def _of_unused(header: str, text: pa.ChunkedArray, near: Beside, to_id: bool, sight: Sight) -> str:
    """What a column that leads nowhere seems to hold, by its header, else by its cells."""
    said = in_header(header, to_id)
    if said and not _only_ticks(text):
        return said
    return in_content(text, pseudonyms=to_id, numbers=not to_id, sight=sight) or (
        "birth dates" if are_births(text, near, sight) else ""
    )


def _by_content(export: Export, table: Table, near: Beside, sight: Sight) -> Iterator[Suspect]:
    """Suspects among the contract's columns, by what they hold."""
    for column in table.columns:
        if column.name not in export.rows.column_names:
            continue
        text, said = export.rows[column.name], ""
        if column.kind in _WITH_TEXT:
            said = in_content(text, pseudonyms=column.kind not in ("note", "text"), sight=sight)
        elif column.kind == "date" and _of_births(text, column.name == own_day(table), near, sight):
            said = "birth dates"
        if said:
            yield Suspect(column.name, said)


def _of_births(text: pa.ChunkedArray, own: bool, near: Beside, sight: Sight) -> bool:
    return spread_like_births(text, near.receipt, sight) if own else are_births(text, near, sight)


def in_header(header: str, to_id: bool = False) -> str:
    """What a header says its column holds, empty if it is harmless. `to_id`: it leads to an id of the contract."""
    tokens = [token.lower() for token in _TOKENS.findall(header)]
    joined = "".join(tokens)
    said = set(tokens) | {joined} | {a + b for a, b in itertools.pairwise(tokens)}
    if said & _NAMES or ("name" in said and not said & _NAMES_OF_THINGS) or {"next", "kin"} <= said:
        return "names"
    if said & _BIRTH and not said & _HARMLESS_BIRTH:
        return "birth dates"
    if said & _CONTACT:
        return "contact data"
    if said & _ADDRESSES and not said & _HARMLESS_ADDRESSES:
        return "addresses"
    if said & _DEVICES or {"device", "id"} <= said:
        return "device numbers"
    if said & _BODIES:
        return "pictures, prints or plates"
    return "record numbers" if not to_id and _numbered(said) else ""


def _numbered(said: set[str]) -> bool:
    """Whether the words of a header speak of a number under which an office keeps a person."""
    if said & _RECORDS and not said & _HARMLESS_RECORDS:
        return True
    return bool(said & _NUMBERED and said & _NUMBERS) or ("id" in said and bool(said & _IDS_OF))


def _only_ticks(text: pa.ChunkedArray | pa.Array) -> bool:
    """Whether a column holds nothing but yes and no, as `Phone contact made` does."""
    said = pc.unique(pc.utf8_lower(pc.utf8_trim_whitespace(pc.drop_null(text)))).to_pylist()
    return bool(set(said) - {""}) and set(said) <= _TICKS


def in_content(
    text: pa.ChunkedArray | pa.Array,
    pseudonyms: bool = False,
    numbers: bool = False,
    sight: Sight | None = None,
) -> str:
    """What most filled cells of a column look like, empty if like nothing of a person.

    Args:
        text: The column.
        pseudonyms: It holds ids or codes.
        numbers: Long numbers of one length are looked for too.
        sight: The texts of many columns, this one among them.
    """
    cells = different(text, sight)
    said = looks_like(cells, pseudonyms)
    if said:
        return said
    if are_names(cells):
        return "names"
    return "record numbers" if numbers and are_record_numbers(cells) else ""

"""Free text without what points at a person.

The classes are those of 45 CFR 164.514(b)(2) without dates; the patterns are our own (common practice, no
source). A pattern finds what is written in a usual way, never everything: free text stays in the department.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

MASK = "[masked]"

_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DAY = (
    rf"(?:\d{{1,4}}[./-]\d{{1,2}}[./-]\d{{1,4}}|\d{{1,2}}(?:st|nd|rd|th)?[ -]{_MONTH}[ ,-]*\d{{2,4}}"
    rf"|{_MONTH} \d{{1,2}}(?:st|nd|rd|th)?,? \d{{4}}|\d{{8}}|\d{{4}})"
)
_CAPITAL = r"[A-ZÀ-ÖØ-Þ]"
_SURNAME = rf"(?:(?:van|von|de|der|den|di|da|la|le|Mac|Mc|O['’])\s?)*{_CAPITAL}[\w'’-]+"
_TITLES = "Mr|Mrs|Ms|Miss|Mx|Dr|Prof|Professor|Sister|Nurse|Herr|Frau"
_NUMBER_WORD = r"\s*(?:no|num|number|nr|id|#)?\b\.?\s*[:#=]?\s*"
_OFFICES = (
    r"mrn|nhs|pps|ppsn|ssn|hosp(?:ital)?|record|chart|case\s?notes?|case|account|acct|policy|insurance|member|passport"
    r"|licen[cs]e|medicare|medicaid|patient|unit"
)
_WAYS = "Street|St|Road|Rd|Avenue|Ave|Lane|Ln|Drive|Close|Court|Crescent|Terrace|Way|Place|Boulevard|Blvd"

EMAIL = r"[\w.+%-]+@[\w-]+(?:\.[\w-]+)+"
URL = r"(?:https?://|ftp://|www\.)[^\s;,)]+"
ADDRESS_OF_MACHINE = r"\b(?:\d{1,3}\.){3}\d{1,3}\b"
PHONE_ABROAD = r"(?<![\w.])(?:\+|00)[1-9](?:[ ().-]*\d){6,14}\b"
PHONE_AT_HOME = r"(?<![\w.,/-])\(?0\d{1,4}\)?[ ./-]{0,2}\d{3,4}(?:[ .-]?\d{2,4}){1,3}\b"
PHONE_IN_THREES = r"(?<![\w.-])\(?\d{3}\)?[ .-]\d{3}[ .-]\d{4}\b"
TITLED_NAME = rf"\b(?:{_TITLES})(?:\.\s*|\s+)(?:{_CAPITAL}\.?\s+)?{_SURNAME}(?:\s+{_SURNAME})?"
NAMED = (
    r"\b(?i:(?:patient|pt)?(?:['’]s)?\s*(?:(?:sur|fore|first |last |full )?name(?:\s+is|\s*[:=])|named|called)\s*)"
    rf"{_SURNAME}(?:,?\s+{_SURNAME})?"
)
POSTCODE_UK = r"\b[A-Z]{1,2}\d[A-Z\d]? ?\d[ABD-HJLNP-UW-Z]{2}\b"
POSTCODE_IRISH = r"\b[AC-FHKNPRTV-Y]\d[\dW] ?[AC-FHKNPRTV-Y][\dAC-FHKNPRTV-Y]{3}\b"
POSTCODE_US = r"\b[A-Z]{2}[ ,]+\d{5}(?:-\d{4})?\b"
STREET = rf"\b\d{{1,4}}[a-z]?,?\s+(?:[A-Z][\w'’-]+\s+){{1,3}}(?:{_WAYS})\b\.?"
NUMBER_AT_AN_OFFICE = r"\b\d{3}[ -]\d{2}[ -]\d{4}\b|\b\d{3}[ -]\d{3}[ -]\d{4}\b"
RECORD = rf"(?i:\b(?:{_OFFICES}){_NUMBER_WORD})[A-Za-z]{{0,3}}[-/]?\d{{4,}}[\dA-Za-z/-]*"
DEVICE = rf"(?i:\b(?:serial|lot|batch|udi|s/n){_NUMBER_WORD})(?=[\w-]*\d)[\w-]{{4,}}"
BORN = rf"(?i:\b(?:d\.?o\.?b\.?|dates? of birth|birth\s?da(?:te|y)|born(?:\s+on|\s+in)?)\s*[:=]?\s*(?:on\s+)?{_DAY})"
OLD_AGE = r"(?i:\b(?:9\d|1[01]\d)[\s-]*(?:years?|yrs?|y/?o|y\.o\.)(?:[\s-]*old)?\b)"
PLATE = r"\b[A-Z]{2}\d{2} ?[A-Z]{3}\b|\b\d{2,3}-[A-Z]{1,2}-\d{1,6}\b"
LONG_NUMBER = r"(?<![\d.])[A-Za-z]{0,3}\d{6,}(?:[-/]\d+)*"

#: In the order tried at each place of a text.
PATTERNS: dict[str, str] = {
    "e-mail": EMAIL,
    "web address": URL,
    "birth date": BORN,
    "record number": RECORD,
    "device number": DEVICE,
    "name": TITLED_NAME + "|" + NAMED,
    "address": STREET + "|" + POSTCODE_US + "|" + POSTCODE_UK + "|" + POSTCODE_IRISH,
    "phone": PHONE_ABROAD + "|" + PHONE_AT_HOME + "|" + PHONE_IN_THREES,
    "number": NUMBER_AT_AN_OFFICE + "|" + ADDRESS_OF_MACHINE + "|" + LONG_NUMBER,
    "plate": PLATE,
    "age over 89": OLD_AGE,
}
_ANY = re.compile("|".join(f"(?:{pattern})" for pattern in PATTERNS.values()))
#: What an id must not be: a pseudonym may be a long number, but no address and no name.
_IN_IDS = re.compile(
    "|".join(f"(?:{pattern})" for pattern in (EMAIL, URL, TITLED_NAME, r"\+[1-9](?:[ ().-]*\d){6,14}"))
)
_IDS_WORTH_A_LOOK = rf"@|://|www\.|\+[1-9]|\b(?:{_TITLES})\b"
#: A text without any of these holds nothing that a pattern could find. RE2 syntax.
_WORTH_A_LOOK = "|".join(
    (
        r"@|://|www\.",
        r"[0-9]{4}|[0-9][ ().-]+[0-9]+[ .-]+[0-9]|[A-Z][0-9]|[0-9]{2}-[A-Z]|[0-9]{1,4}[a-z]?,?\s+[A-Z]",
        rf"\b(?:{_TITLES})\b",
        r"(?i:name|called|born|birth|d\.?o\.?b|serial|lot|batch|udi|s/n)",
        r"(?:9|1[01])[0-9][\s-]*[yY]",
    )
)


@dataclass(frozen=True)
class Masked:
    """Texts without identifiers; `changed` says which texts held one."""

    texts: pa.Array
    changed: np.ndarray


def masked(texts: pa.Array) -> Masked:
    """Free texts with `[masked]` in place of whatever looks like an identifier."""
    return _masked(texts, _ANY, _WORTH_A_LOOK)


def masked_ids(texts: pa.Array) -> Masked:
    """Pseudonyms with `[masked]` in place of what cannot be one: addresses and names."""
    return _masked(texts, _IN_IDS, _IDS_WORTH_A_LOOK)


def _masked(texts: pa.Array, pattern: re.Pattern[str], worth_a_look: str) -> Masked:
    looked_at = pc.fill_null(pc.match_substring_regex(texts, worth_a_look), False).to_numpy(
        zero_copy_only=False
    )
    places = np.flatnonzero(looked_at)
    changed = np.zeros(len(texts), dtype=bool)
    if not len(places):
        return Masked(texts, changed)
    before = texts.take(pa.array(places)).to_pylist()
    after = [pattern.sub(MASK, text) for text in before]
    changed[places] = [one != other for one, other in zip(before, after, strict=True)]
    if not changed.any():
        return Masked(texts, changed)
    kept = [text for text, place in zip(after, places, strict=True) if changed[place]]
    return Masked(pc.replace_with_mask(texts, pa.array(changed), pa.array(kept, pa.string())), changed)

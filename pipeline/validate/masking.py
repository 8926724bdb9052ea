"""Free text without what points at a person.

The classes are those of 45 CFR 164.514(b)(2) without dates; the patterns are our own (common practice, no
source). A pattern finds what is written in a usual way, never everything: free text stays in the department.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import holds_any
from pipeline.validate.name_columns import without_people

if TYPE_CHECKING:
    from pipeline.people import People

MASK = "[masked]"

# RE2 syntax throughout: no looking around, so time grows with the length of a text only.
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DAY = (
    rf"(?:\d{{1,4}}[./-]\d{{1,2}}[./-]\d{{1,4}}|\d{{1,2}}(?:st|nd|rd|th)?[ -]{_MONTH}[ ,-]*\d{{2,4}}"
    rf"|{_MONTH} \d{{1,2}}(?:st|nd|rd|th)?,? \d{{4}}|\d{{8}}|\d{{4}})"
)
# Letters are those of Latin, Greek and Cyrillic, spelled out: the classes of all scripts take long to prepare.
_LETTERS = "A-Za-zªµºÀ-ÖØ-öø-ɏΆ-ӿ"
_CAPITAL = f"[A-ZÀ-ÖØ-Þ{''.join(filter(str.isupper, map(chr, range(0x100, 0x180))))}Α-ΫЀ-Я]"
_SURNAME = rf"(?:(?:van|von|de|der|den|di|da|la|le|Mac|Mc|O['’])\s?)*{_CAPITAL}[{_LETTERS}'’-]+"
_TITLES = "Mr|Mrs|Ms|Miss|Mx|Dr|Prof|Professor|Sister|Nurse|Herr|Frau|Mme|Sig|Sra"
_NUMBER_WORD = r"\s*(?:\b(?:no|num|number|nr|id)\b|#)?\.?\s*[:#=]?\s*"
_OFFICES = (
    r"mrn|nhs|pps|ppsn|ssn|hosp(?:ital)?|record|chart|case\s?notes?|case|account|acct|policy|insurance|member|passport"
    r"|licen[cs]e|medicare|medicaid|patient|unit"
)
_WAYS = "Street|St|Road|Rd|Avenue|Ave|Lane|Ln|Drive|Close|Court|Crescent|Terrace|Way|Place|Boulevard|Blvd"

EMAIL = (
    r"[\w.+%-]+@[\w-]+(?:\.[\w-]+)+"
    r"|[\w.+%-]+\s*[(\[]\s*(?i:at)\s*[)\]]\s*[\w-]+(?:\s*(?:\.|[(\[]\s*(?i:dot)\s*[)\]])\s*[\w-]+)+"
)
URL = r"(?i:https?://|ftp://|www\.)[^\s;,)]+"
ADDRESS_OF_MACHINE = r"\b(?:\d{1,3}\.){3}\d{1,3}\b"
PHONE_ABROAD = r"(?:\+|00)[1-9](?:[ ().-]*\d){6,14}\b"
PHONE_AT_HOME = r"\(?0\d{1,4}\)?[ ./-]{0,2}\d{3,4}(?:[ .-]?\d{2,4}){1,3}\b"
PHONE_IN_GROUPS = r"(?:\(0\d{1,4}\)|0\d{1,4}) ?\s\d{3,4}(?:[ .-]?\d{2,4}){1,3}\b"
PHONE_IN_THREES = r"\(?\d{3}\)?[ .-]\d{3}[ .-]\d{4}\b"
PHONE_SAID = (
    r"(?i:\b(?:tel|tlf|telephone|telefon|tel[eé]fono|t[eé]l|phone|fax|handy|mobile|portable)\b(?:\s*(?:no|nr|number)\b)?)"
    r"\.?\s*[:=]?\s*\+?(?:\d[ ().+/]*){6,}\d|(?i:\b(?:bleep|pager)(?:\s*(?:no|nr|number)\b)?)\.?\s*[:=]?\s*\d{3,}"
)
TITLED_NAME = rf"\b(?:(?:{_TITLES})(?:\.\s*|\s+))+(?:{_CAPITAL}\.?\s+)?{_SURNAME}(?:\s+{_SURNAME})?"
NAMED = (
    r"\b(?i:(?:(?:patient|pt)(?:['’]s)?\s*)?(?:(?:sur|fore|first |last |full )?name(?:\s+is|\s*[:=])|named|called"
    r"|surname|forename|first name|last name|vorname|nachname)\s*)"
    rf"{_SURNAME}(?:,?\s+{_SURNAME})?"
)
_WORDS_OF_STREETS = r"(?:stra(?:ß|ss)e|str\.|weg|platz|gasse|allee|straat|laan|gatan)"
STREET_ABROAD = (
    rf"\b{_CAPITAL}[{_LETTERS}]*(?:{_WORDS_OF_STREETS}|\s[Ss]tra(?:ß|ss)e)\s?\d{{1,4}}[a-z]?\b"
    rf"|\b\d{{1,4}},?\s(?i:rue|avenue|boulevard|chemin|impasse)\s(?:d[eu]s?\s|de\sla\s|l['’])?{_CAPITAL}[{_LETTERS}'’-]+"
    rf"|\b(?:Calle|Avenida|Via|Viale|Piazza)\s(?:{_CAPITAL}[{_LETTERS}'’-]+\s){{1,3}}\d{{1,4}}\b"
)
POSTCODE_AND_TOWN = rf"\b\d{{2}}(?:\d{{2}}[1-9]|\d[1-9]\d|[1-9]\d{{2}}) {_CAPITAL}\p{{Ll}}{{2,}}"
POSTCODE_UK = r"\b[A-Z]{1,2}\d[A-Z\d]? ?\d[ABD-HJLNP-UW-Z]{2}\b"
POSTCODE_IRISH = r"\b[AC-FHKNPRTV-Y]\d[\dW] ?[AC-FHKNPRTV-Y][\dAC-FHKNPRTV-Y]{3}\b"
POSTCODE_US = r"\b[A-Z]{2}[ ,]+\d{5}(?:-\d{4})?\b"
STREET = rf"\b\d{{1,4}}[a-z]?,?\s+(?:{_CAPITAL}[{_LETTERS}'’-]+\s+){{1,3}}(?:{_WAYS})\b\.?"
NUMBER_AT_AN_OFFICE = r"\b\d{3}[ -]\d{2}[ -]\d{4}\b"
RECORD = rf"(?i:\b(?:{_OFFICES}){_NUMBER_WORD})[A-Za-z]{{0,3}}[-/]?\d{{4,}}[\dA-Za-z/-]*"
DEVICE = (
    rf"(?i:\b(?:serial|lot|batch|udi|s/n){_NUMBER_WORD})(?:[A-Za-z-]{{0,8}}\d[\w-]{{3,}}|[A-Za-z-]{{2,8}}\d[\w-]*)"
    + r"|\b(?i:sn)\s*[:#]\s*\w*\d[\w-]{2,}"
)
BORN = (
    r"(?i:\b(?:d\.?o\.?b\.?|dates? of birth|birth\s?da(?:te|y)|born(?:\s+on|\s+in)?|geb(?:oren(?:\s+am)?|\.)|n[ée]e?\s+le)"
    rf"\s*[:=]?\s*(?:on\s+)?{_DAY})|\*\s?\d{{1,2}}[./]\d{{1,2}}[./]\d{{4}}\b"
)
PICTURE = r"\b[\w-]+\.(?i:jpe?g|png|tiff?|dcm|heic)\b"
OLD_AGE = r"(?i:\b(?:9\d|1[01]\d)[\s-]*(?:years?|yrs?|y/?o|y\.o\.)(?:[\s-]*old)?\b)"
PLATE = r"\b[A-Z]{2}\d{2} ?[A-Z]{3}\b|\b\d{2,3}-[A-Z]{1,2}-\d{1,6}\b"
LONG_NUMBER = r"[A-Za-z]{0,3}\d{6,}(?:[-/]\d+)*"

#: What may not stand directly before the pattern, and the pattern; masked one after the other.
PATTERNS: tuple[tuple[str, str], ...] = (
    ("", EMAIL),
    ("", URL),
    ("", BORN),
    ("", RECORD),
    ("", DEVICE),
    ("", TITLED_NAME),
    ("", NAMED),
    ("", f"{STREET}|{STREET_ABROAD}"),
    ("", f"{POSTCODE_US}|{POSTCODE_UK}|{POSTCODE_IRISH}|{POSTCODE_AND_TOWN}"),
    ("", PHONE_SAID),
    (r"\w.", PHONE_ABROAD),
    (r"\w.,/-", PHONE_AT_HOME),
    (r"\w.-", PHONE_IN_THREES),
    ("", f"{NUMBER_AT_AN_OFFICE}|{ADDRESS_OF_MACHINE}"),
    ("", PLATE),
    (r"\d.", LONG_NUMBER),
    ("", OLD_AGE),
    ("", PICTURE),
)
#: What an id must not be: a pseudonym may be a long number, but no address and no name.
PATTERNS_OF_IDS = (
    ("", EMAIL), ("", URL), ("", TITLED_NAME), ("", r"\+[1-9](?:[ ().-]*\d){6,14}"),
    ("", rf"\b{_SURNAME},\s*{_SURNAME}"), (r"\w.,/-", PHONE_IN_GROUPS),
)  # fmt: skip

#: What words of a vocabulary, headers and messages must not hold: all but bare numbers, which may be codes or days.
PATTERNS_OF_WORDS = tuple(each for each in PATTERNS if each[1] not in (PLATE, LONG_NUMBER))
_OF_IDS, _OF_WORDS = ("id", "code"), ("word", "words")

#: Whatever a pattern of free texts or of words finds holds one of these; cheap to look for.
SIGNS = r"[\s@.:/,]|[0-9][0-9A-Za-z_-]{2}|(?i:lot|batch|serial|udi)"
#: An address, a name behind a title, or a number of a telephone holds at least one of these.
SIGNS_IN_IDS = b"\t\n\f\r @+:/.,"


def _whole(before: str, pattern: str) -> str:
    """The pattern with one group: what stands before it and is kept."""
    return rf"(^|[^{before}])(?:{pattern})" if before else rf"()(?:{pattern})"


_EVERYWHERE = tuple(_whole(before, pattern) for before, pattern in PATTERNS)
_IN_IDS = tuple(_whole(before, pattern) for before, pattern in PATTERNS_OF_IDS)
_IN_WORDS = tuple(_whole(before, pattern) for before, pattern in PATTERNS_OF_WORDS)


#: Two capitalised words in a row; looked at more closely for a given name.
_CAPITALISED = rf"\b{_CAPITAL}[{_LETTERS}'’-]+,?\s+{_CAPITAL}[{_LETTERS}'’-]+"


@dataclass(frozen=True)
class Masked:
    """Texts without identifiers; `changed` says which texts held one."""

    texts: pa.Array
    changed: np.ndarray


def masked(texts: pa.Array) -> Masked:
    """Free texts with `[masked]` in place of whatever looks like an identifier."""
    return _masked(texts, _EVERYWHERE, people=True)


def masked_ids(texts: pa.Array) -> Masked:
    """Pseudonyms with `[masked]` in place of what cannot be one: addresses and names.

    Each of those needs a sign that pseudonyms and codes seldom have; without any, nothing else is looked for.
    """
    if not holds_any(texts, SIGNS_IN_IDS):
        return Masked(texts, np.zeros(len(texts), dtype=bool))
    return _masked(texts, _IN_IDS, people=True)


def without_names(people: People) -> People:
    """What people wrote, with identifiers masked where their own words are printed: why a finding is accepted, or a case asked
    about."""
    known, asked = people.known_findings, people.requests
    reasons = masked(pa.array(known["reason"].tolist(), pa.string())).texts.to_pylist()
    because = masked(pa.array(asked["because"].tolist(), pa.string())).texts.to_pylist()
    return replace(
        people, known_findings=known.assign(reason=reasons), requests=asked.assign(because=because)
    )


def masked_words(texts: pa.Array) -> Masked:
    """Words of a vocabulary, headers and messages without identifiers; bare numbers stay."""
    return _masked(texts, _IN_WORDS)


def one_array(texts: pa.Array | pa.ChunkedArray) -> pa.Array:
    """Texts as one array."""
    chunks = texts.chunks if isinstance(texts, pa.ChunkedArray) else [texts]
    return pa.concat_arrays(chunks or [pa.array([], pa.string())])


def masked_by_kind(texts: pa.Array, kind: str) -> Masked:
    """Cells of a contract column as they may be shown: pseudonyms and codes may be numbers, free texts may not."""
    if kind in _OF_IDS:
        return masked_ids(texts)
    return masked_words(texts) if kind in _OF_WORDS else masked(texts)


def _masked(texts: pa.Array, patterns: tuple[str, ...], people: bool = False) -> Masked:
    """Mask each distinct text once, and only those in which a pattern, or a given name before another, is found."""
    unchanged = Masked(texts, np.zeros(len(texts), dtype=bool))
    if texts.null_count == len(texts):
        return unchanged
    encoded = texts.dictionary_encode()
    if not pc.any(pc.match_substring_regex(encoded.dictionary, SIGNS)).as_py():
        return unchanged
    asked = (*patterns, _CAPITALISED) if people else patterns
    found = pc.match_substring_regex(encoded.dictionary, "|".join(asked)).to_numpy(zero_copy_only=False)
    if not found.any():
        return unchanged
    before = encoded.dictionary.filter(pa.array(found))
    clean = before
    for pattern in patterns:
        clean = pc.replace_substring_regex(clean, pattern, rf"\1{MASK}")
    if people:
        clean = pa.array([without_people(text, MASK) for text in clean.to_pylist()], pa.string())
    found[found] = pc.not_equal(before, clean).to_numpy(zero_copy_only=False)
    distinct = pc.replace_with_mask(
        encoded.dictionary, pa.array(found), clean.filter(pc.not_equal(before, clean))
    )
    changed = pc.fill_null(pa.array(found).take(encoded.indices), False)
    return Masked(distinct.take(encoded.indices), changed.to_numpy(zero_copy_only=False))

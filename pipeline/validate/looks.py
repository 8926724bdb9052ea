"""What the cells of a column look like: patterns of whole cells, and columns of long numbers.

The classes are those of 45 CFR 164.514(b)(2) without dates; the patterns are our own (common practice, no source).
Each cell is looked at once however often it occurs, and of a long column an even draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.validate.sight import Cells, Sight, drawn

#: A column of which so many of the filled cells look alike is a column of that.
SHARE_THAT_DECIDES = 0.5
FEWEST_CELLS = 3
#: Numbers under which an office keeps a person: mostly of one length, and many of them.
NUMBERS_SHARE, ONE_LENGTH_SHARE, FEWEST_NUMBERS, DIFFERENT_SHARE = 0.8, 0.9, 10, 0.3


@dataclass(frozen=True)
class Look:
    """A pattern of a whole cell (RE2). `everywhere`: also pseudonyms and codes never look like that."""

    said: str
    pattern: str
    everywhere: bool = True


_WORD = r"\p{Lu}[\pL'’.-]*"
_WAYS_AFTER = (
    r"(?:[Ss]treet|St|[Rr]oad|Rd|[Aa]venue|Ave|[Ll]ane|Ln|[Dd]rive|[Cc]lose|[Cc]ourt|[Cc]rescent|[Tt]errace|[Ww]ay"
    r"|[Pp]lace|[Bb]oulevard|Blvd|[Gg]ardens|[Pp]ark|[Ss]quare|[Gg]rove)"
)
_WAYS_WITHIN = (
    r"\pL+(?:stra(?:ß|ss)e|str\.|weg|platz|gasse|allee|straat|laan|plein|gade|vej|gatan|vägen|veien)"
)
_WAYS_BEFORE = r"(?i:rue|avenue|boulevard|place|chemin|impasse|calle|avenida|plaza|via|viale|piazza|corso|rua|ul\.|ulica)"

#: Irish postcodes: with a blank, or with a letter among the last four; pseudonyms such as P000001 are none.
_OF_IRISH = "[0-9AC-FHKNPRTV-Y]"
_IRISH = (
    rf"[AC-FHKNPRTV-Y][0-9][0-9W](?: {_OF_IRISH}{{4}}|[AC-FHKNPRTV-Y]{_OF_IRISH}{{3}}"
    rf"|[0-9][AC-FHKNPRTV-Y]{_OF_IRISH}{{2}}|[0-9]{{2}}[AC-FHKNPRTV-Y]{_OF_IRISH}|[0-9]{{3}}[AC-FHKNPRTV-Y])"
)
#: With the letters of a county, from memory; other letters between hyphens are pseudonyms.
_IRISH_PLATE = r"[0-9]{2}[12]?-(?:C[ENW]?|DL?|G|K[EKY]|L[DHKMS]?|M[HNO]|OY|RN|SO|T[NSY]?|W[DHWX]?)-[0-9]{1,6}"

LOOKS: tuple[Look, ...] = (
    Look("e-mail addresses", r"^[^\s@]+@[^\s@]+\.[A-Za-z]{2,}$"),
    Look("web addresses", r"^(?:https?://|ftp://|www\.)\S+$"),
    Look("social security numbers", r"^[0-9]{3}-[0-9]{2}-[0-9]{4}$"),
    Look(
        "national numbers",
        r"^(?:[A-Z]{6}[0-9]{2}[A-Z][0-9]{2}[A-Z][0-9]{3}[A-Z]|756\.[0-9]{4}\.[0-9]{4}\.[0-9]{2}|[0-9]{6}[+-][0-9]{4}"
        r"|[A-CEGHJ-PR-TW-Z]{2} ?[0-9]{2} ?[0-9]{2} ?[0-9]{2} ?[A-D]|[0-9]{2} [0-9]{6} [A-Z] [0-9]{3}"
        r"|[12] [0-9]{2} [0-9]{2} [0-9]{2} [0-9]{3} [0-9]{3}(?: [0-9]{2})?|[0-9]{4}(?:[ -][0-9]{4}){3}"
        r"|[A-Z]{2}[0-9]{2}(?: [A-Z0-9]{4}){3,7}(?: [A-Z0-9]{1,4})?)$",
    ),
    Look(
        "national numbers",
        r"^(?:[0-9]{8}-?[A-Z]|[0-9]{7}[A-W][A-IW]?|[A-Z]{2}[0-9]{2}[A-Z0-9]{14,30})$",
        everywhere=False,
    ),
    Look(
        "phone numbers",
        r"^(?:\+[1-9](?:[ ().-]{0,2}[0-9]){6,14}|00[1-9][0-9]{0,2}[ .-][0-9 ().-]{5,}"
        r"|\(0?[0-9]{2,4}\)[ 0-9.-]{5,}|0[0-9]{1,4}[ ./-]{1,3}[0-9]{3,}[0-9 .-]*|0[0-9]{2}(?:[ .-][0-9]{2,4}){2,4}"
        r"|(?:1[ .-])?[0-9]{3}[ .-][0-9]{3}[ .-][0-9]{4}|1?[ -]?\([0-9]{3}\) ?[0-9]{3}[ .-][0-9]{4}"
        r"|0[0-9](?:[ .-][0-9]{2}){4}|[0-9]{2}(?: [0-9]{2}){3,4}|[0-9]{3} [0-9]{3} [0-9]{2,3}|[0-9]{3}(?: [0-9]{2}){3})$",
    ),
    Look("phone numbers", r"^0[1-9][0-9]{8,9}$", everywhere=False),
    Look(
        "postcodes",
        rf"^(?:[A-Z]{{1,2}}[0-9][A-Z0-9]? [0-9][A-Z]{{2}}|{_IRISH}"
        r"|[0-9]{4} [A-Z]{2}|[A-CEGHJ-NPR-TVXY][0-9][A-Z] [0-9][A-Z][0-9]|[0-9]{5}-[0-9]{4})$",
    ),
    Look(
        "addresses",
        rf"^(?:[0-9]{{1,4}}[A-Za-z]?,? (?:{_WORD} ){{1,3}}{_WAYS_AFTER}\b.*"
        rf"|(?:{_WORD} ){{0,2}}(?:{_WAYS_WITHIN}|{_WORD}[ -][Ss]tr(?:a(?:ß|ss)e|\.)) ?[0-9]{{1,4}}.*"
        rf"|(?:[0-9]{{1,4}},? (?:bis |ter )?)?{_WAYS_BEFORE} .*\pL.*(?:[0-9].*)?|[0-9]{{4,5}},? \p{{Lu}}\p{{Ll}}[\pL .-]+)$",
    ),
    Look("names with a title", r"^(?i:Mr|Mrs|Ms|Miss|Mx|Dr|Prof|Professor|Herr|Frau|Sig|Sra?|Mme|M)\.? +\p{Lu}.*$"),
    Look("addresses of machines", r"^(?:(?:[0-9]{1,3}\.){3}[0-9]{1,3}|(?:[0-9A-Fa-f]{1,4}:){4,7}[0-9A-Fa-f:]*[0-9A-Fa-f]"
         r"|(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2})$"),
    Look("device numbers", r"^(?:\(01\) ?[0-9]{14}.*|\+[A-Z][0-9]{3}[A-Z0-9]{3,}.*|(?i:s/?n|serial|udi)[ .:#-]+\S*[0-9]\S*)$"),
    Look("numbers of plates", r"^(?:[A-Z]{2}[0-9]{2} [A-Z]{3}|"
         rf"{_IRISH_PLATE}"
         r"|[A-ZÄÖÜ]{1,3}-[A-Z]{1,2} [0-9]{1,4}[EH]?"
         r"|[A-Z]{2}-[0-9]{3}-[A-Z]{2})$"),
    Look("file names of pictures", r"^(?i).*[^\s.]\.(?:jpe?g|png|tiff?|dcm|dicom|heic|bmp|gif|mp4|mov|avi|wav|mp3)$"),
)  # fmt: skip
_LONG_NUMBER = r"^(?:[A-Za-z]{1,3}[-/ ]?[0-9]{6,14}|[0-9]{7,14}|0[0-9]{5,13})$"
#: Amounts of money and the like, and seconds since 1970.
_ROUND, _CLOCK = r"00$", r"^1[5-9][0-9]{8}(?:[0-9]{3})?$"
_SHARE_OF_ROUND = 0.3
_WRITTEN_DAY = r"^(?:19|20)[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])(?:[0-9]{4}|[0-9]{6})?$"


@dataclass(frozen=True)
class Different:
    """The different filled cells of a column, trimmed, and how often each occurs in what was drawn."""

    texts: pa.Array
    counts: np.ndarray
    seen: Cells

    @property
    def cells(self) -> int:
        return int(self.counts.sum())

    def share(self, pattern: str) -> float:
        """Of the drawn cells, how many are like this pattern."""
        return float(self.counts[self.seen.matches(pattern)].sum()) / max(1, self.cells)

    def like(self, pattern: str) -> list[str]:
        """The different cells that are like this pattern."""
        found: list[str] = self.texts.filter(pa.array(self.seen.matches(pattern))).to_pylist()
        return found


def different(text: pa.ChunkedArray | pa.Array, sight: Sight | None = None) -> Different:
    """The different filled cells of a column."""
    counted = pc.value_counts(drawn(text))
    texts = counted.field("values").cast(pa.string())
    return Different(texts, counted.field("counts").to_numpy(zero_copy_only=False), Cells(texts, sight))


def looks_like(cells: Different, pseudonyms: bool) -> str:
    """What most cells look like, empty if like nothing of a person.

    Args:
        cells: Of one column.
        pseudonyms: The column holds ids or codes, which may look like some national numbers.
    """
    if cells.cells < FEWEST_CELLS:
        return ""
    asked = (look for look in LOOKS if look.everywhere or not pseudonyms)
    return next((look.said for look in asked if cells.share(look.pattern) >= SHARE_THAT_DECIDES), "")


def are_record_numbers(cells: Different) -> bool:
    """Whether a column that leads nowhere holds long numbers of one length, many of them different."""
    if len(cells.texts) < max(FEWEST_NUMBERS, DIFFERENT_SHARE * cells.cells):
        return False
    others = ((_WRITTEN_DAY, SHARE_THAT_DECIDES), (_CLOCK, ONE_LENGTH_SHARE), (_ROUND, _SHARE_OF_ROUND))
    if cells.share(_LONG_NUMBER) < NUMBERS_SHARE or any(cells.share(kind) >= most for kind, most in others):
        return False
    lengths = pc.utf8_length(cells.texts).to_numpy()
    return bool(np.bincount(lengths, weights=cells.counts).max() >= ONE_LENGTH_SHARE * cells.cells)

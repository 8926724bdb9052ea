"""XLSX workbooks: opened within bounds, every sheet looked at before any cell is read.

The reader of the cells allocates the rectangle a sheet reaches over and trusts the sizes an archive states; both
are checked here first, by unpacking every part piece by piece.
"""

from __future__ import annotations

import copy
import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree

from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum

from pipeline.intake.refusal import Refusal
from pipeline.intake.sheet_xml import SheetLook

PIECE_BYTES = 1 << 22
MOST_PARTS = 10_000
LARGEST_TEXTS_BYTES, LARGEST_OTHER_PART_BYTES = 1 << 28, 1 << 26
#: Longest text of a cell with its formatting; a spreadsheet holds 32,767 characters.
LONGEST_TEXT_BYTES = 1 << 18
_OLE_MARK = b"\xd0\xcf\x11\xe0"
#: Built-in number formats that show a share of one as a percentage (ECMA-376 part 1, 18.8.30).
_PERCENT_FORMATS = {"9", "10"}


@dataclass(frozen=True)
class Workbook:
    """An opened workbook: its sheets in order, each as looked at, and which are hidden."""

    name: str
    calamine: CalamineWorkbook
    looks: dict[str, SheetLook]
    hidden: frozenset[str] = frozenset()
    longest_text: int = 1

    @property
    def rows(self) -> dict[str, int]:
        """Each sheet's last filled row, counted in the XML."""
        return {sheet: look.last_row for sheet, look in self.looks.items()}

    @property
    def sheets(self) -> tuple[str, ...]:
        """Sheets that hold anything."""
        return tuple(sheet for sheet, look in self.looks.items() if look.last_row)


def open_workbook(raw: bytes, name: str, largest_bytes: int) -> Workbook:
    """The workbook in the bytes.

    Raises:
        Refusal: Locked, with macros, damaged, no workbook at all, or larger than is read.
    """
    if raw.startswith(_OLE_MARK):
        raise Refusal(
            "file_unreadable",
            f"{name} is locked with a password or in the old XLS format. Take the password off in the spreadsheet "
            "it was made with, save it as XLSX and send that.",
        )
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            parts = _Parts(archive, name, largest_bytes)
            parts.refuse_unsafe()
            looks, hidden = parts.sheets()
            parts.unpack_the_rest()
            calamine = CalamineWorkbook.from_filelike(io.BytesIO(raw))
    except (
        zipfile.BadZipFile,
        zlib.error,
        struct.error,
        CalamineError,
        ElementTree.ParseError,
        KeyError,
        ValueError,
        NotImplementedError,
        EOFError,
    ) as error:
        raise unreadable(name, "is not a workbook, or damaged") from error
    usable = [each.name for each in calamine.sheets_metadata if each.typ == SheetTypeEnum.WorkSheet]
    return Workbook(
        name,
        calamine,
        {sheet: looks[sheet] for sheet in usable if sheet in looks},
        hidden,
        parts.longest_text,
    )


def unreadable(name: str, what: str) -> Refusal:
    """Why a workbook cannot be read."""
    return Refusal("file_unreadable", f"{name} {what}. Send it unlocked and without macros as XLSX or CSV.")


class _Parts:
    """The parts of an archive, each unpacked at most once and never beyond what is allowed."""

    def __init__(self, archive: zipfile.ZipFile, name: str, largest_bytes: int) -> None:
        self.archive, self.name, self.left = archive, name, largest_bytes
        self.seen: set[str] = set()
        self.longest_text = 1

    def refuse_unsafe(self) -> None:
        parts = self.archive.infolist()
        if any(part.flag_bits & 1 for part in parts):
            raise unreadable(self.name, "is locked with a password")
        if any(part.filename.lower().endswith("vbaproject.bin") for part in parts):
            raise unreadable(self.name, "holds macros")
        if len({part.filename for part in parts}) < len(parts):
            raise unreadable(self.name, "holds a part twice")
        if len(parts) > MOST_PARTS:
            raise Refusal(
                "file_too_large",
                f"{self.name} holds more than {MOST_PARTS} parts. Take out its pictures, or send it as CSV.",
            )
        if sum(part.file_size for part in parts) > self.left:
            raise self._too_large(self.left)

    def _too_large(self, limit: int) -> Refusal:
        return Refusal(
            "file_too_large", f"{self.name} unpacks to more than {limit} bytes. Send it in parts, or as CSV."
        )

    def pieces(self, part: str, limit: int) -> Iterator[bytes]:
        """A part piece by piece, to its true end whatever size the archive states."""
        self.seen.add(part)
        whole = copy.copy(self.archive.getinfo(part))
        whole.file_size = limit + 2 * PIECE_BYTES
        unpacked = 0
        with self.archive.open(whole) as stream:
            while piece := stream.read(PIECE_BYTES):
                unpacked += len(piece)
                self.left -= len(piece)
                if unpacked > limit or self.left < 0:
                    raise self._too_large(limit)
                yield piece
        if unpacked != self.archive.getinfo(part).file_size:
            raise unreadable(self.name, "states a wrong size of one of its parts")

    def small(self, part: str) -> ElementTree.Element:
        """A small part as XML."""
        xml = b"".join(self.pieces(part, LARGEST_OTHER_PART_BYTES))
        if b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
            raise unreadable(self.name, "is not as a spreadsheet writes it")
        return ElementTree.fromstring(xml)

    def sheets(self) -> tuple[dict[str, SheetLook], frozenset[str]]:
        """Each sheet as looked at, and the names of hidden ones."""
        relations = self.small("xl/_rels/workbook.xml.rels").findall("{*}Relationship")
        targets = {each.get("Id"): each.get("Target", "") for each in relations}
        styles = self._percent_styles()
        found: dict[str, SheetLook] = {}
        hidden = set()
        for sheet in self.small("xl/workbook.xml").iterfind("{*}sheets/{*}sheet"):
            key = next((value for name, value in sheet.attrib.items() if name.endswith("}id")), "")
            target = targets.get(key, "")
            part = target.removeprefix("/") if target.startswith("/") else f"xl/{target}"
            name = sheet.get("name", "")
            if "worksheets/" in part:
                if name in found or part in self.seen:
                    raise unreadable(self.name, "holds a sheet twice")
                found[name] = SheetLook(self.name, styles).follow(self.pieces(part, self.left))
                hidden |= {name} if sheet.get("state", "visible") != "visible" else set()
        return found, frozenset(hidden)

    def _percent_styles(self) -> frozenset[bytes]:
        """Numbers of the cell formats that show percentages."""
        if "xl/styles.xml" not in self.archive.namelist():
            return frozenset()
        styles = self.small("xl/styles.xml")
        formats = {
            each.get("numFmtId", "")
            for each in styles.iterfind("{*}numFmts/{*}numFmt")
            if "%" in each.get("formatCode", "")
        }
        cells = enumerate(styles.iterfind("{*}cellXfs/{*}xf"))
        return frozenset(
            str(at).encode() for at, each in cells if each.get("numFmtId") in formats | _PERCENT_FORMATS
        )

    def unpack_the_rest(self) -> None:
        """The parts not looked at yet, for their true size and for texts without end."""
        for part in self.archive.namelist():
            if part in self.seen or not part.lower().endswith((".xml", ".rels")):
                continue
            if "strings" in part.lower():
                self._look_at_texts(part)
            else:
                for _ in self.pieces(part, LARGEST_OTHER_PART_BYTES):
                    pass

    def _look_at_texts(self, part: str) -> None:
        rest = b""
        for piece in self.pieces(part, LARGEST_TEXTS_BYTES):
            *texts, rest = (rest + piece).split(b"si>")
            self.longest_text = max(self.longest_text, len(rest), *map(len, texts))
            if self.longest_text > LONGEST_TEXT_BYTES:
                raise unreadable(self.name, "holds a text longer than a cell can hold")

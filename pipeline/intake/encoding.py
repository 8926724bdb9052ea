"""Bytes to UTF-8: by byte order mark, by declaration, else UTF-8 and nothing else."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from pipeline.intake.refusal import Refusal, rows_counted

#: Longest marks first: the mark of UTF-32 begins with that of UTF-16.
MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
REPLACEMENT = "\ufffd".encode()
CHUNK_BYTES = 1 << 24


@dataclass(frozen=True)
class Text:
    """A file's text as UTF-8 without a mark; `mark` is the encoding its mark named, or empty."""

    content: bytes
    mark: str = ""


def decoded(raw: bytes, declared: str, name: str, mapping: str = "the site's mapping") -> Text:
    """The text of a file.

    Args:
        raw: The file's bytes, unpacked.
        declared: The mapping's `encoding`, or empty. A byte order mark goes before it.
        name, mapping: File and mapping as messages name them.

    Raises:
        Refusal: `file_undecodable`, naming the line of the first byte that does not fit.
    """
    mark, encoding = next(((mark, named) for mark, named in MARKS if raw.startswith(mark)), (b"", ""))
    body = raw[len(mark) :] if mark else raw
    used = encoding or _usual_name(declared) or "utf-8"
    with rows_counted(raw.count(b"\n") - 1):
        content = (
            _checked_utf8(body, name, mapping) if used == "utf-8" else _recoded(body, used, name, mapping)
        )
        _refuse_unreadable_characters(content, name)
    return Text(content, encoding)


def _usual_name(declared: str) -> str:
    return codecs.lookup(declared).name if declared else ""


def _checked_utf8(body: bytes, name: str, mapping: str) -> bytes:
    decoder = codecs.getincrementaldecoder("utf-8")()
    for start in range(0, len(body) + 1, CHUNK_BYTES):
        held_back = len(decoder.getstate()[0])
        try:
            decoder.decode(body[start : start + CHUNK_BYTES], final=start + CHUNK_BYTES > len(body))
        except UnicodeDecodeError as error:
            raise _undecodable(body[: start - held_back + error.start], "utf-8", name, mapping) from None
    return body


def _recoded(body: bytes, encoding: str, name: str, mapping: str) -> bytes:
    try:
        return body.decode(encoding).encode()
    except UnicodeDecodeError as error:
        before = body[: error.start].decode(encoding, errors="replace").encode(errors="replace")
        raise _undecodable(before, encoding, name, mapping) from None


def _undecodable(before: bytes, encoding: str, name: str, mapping: str) -> Refusal:
    line = 1 + before.count(b"\n")
    return Refusal(
        "file_undecodable",
        f"{name}, line {line}: a byte does not fit {encoding}. Declare `encoding` in {mapping}, "
        "or send the file as UTF-8.",
        line,
    )


def _refuse_unreadable_characters(content: bytes, name: str) -> None:
    for character, what in ((b"\0", "a zero byte"), (REPLACEMENT, "the replacement character")):
        at = content.find(character)
        if at >= 0:
            line = 1 + content.count(b"\n", 0, at)
            raise Refusal(
                "file_undecodable",
                f"{name}, line {line}: {what} shows that characters were lost before the file was sent. "
                "Send it again as UTF-8.",
                line,
            )

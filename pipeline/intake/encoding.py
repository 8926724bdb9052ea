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
#: A mark at the beginning of a later line: files were put one behind the other.
_INNER_MARK = b"\n" + codecs.BOM_UTF8


@dataclass(frozen=True)
class Text:
    """A file's text as UTF-8 without marks.

    `mark` is the encoding its mark named, or empty; `inner_mark` the line of a further mark that was taken out, or 0;
    `doubtful`: another encoding is declared, yet the bytes fit UTF-8.
    """

    content: bytes
    mark: str = ""
    inner_mark: int = 0
    doubtful: bool = False


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
        _refuse_unreadable_characters(content, name, mapping, encoding)
    doubtful = used != "utf-8" and not encoding and b"\0" not in body[:CHUNK_BYTES] and _fits_utf8(body)
    at = content.find(_INNER_MARK)
    if at < 0:
        return Text(content, encoding, 0, doubtful)
    line = 2 + content.count(b"\n", 0, at)
    return Text(content.replace(_INNER_MARK, b"\n"), encoding, line, doubtful)


def _fits_utf8(body: bytes) -> bool:
    """Whether bytes that are not all ASCII are UTF-8 throughout; text in another encoding never is by chance."""
    try:
        return not body.isascii() and bool(_checked_utf8(body, "", ""))
    except Refusal:
        return False


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
    decoder = codecs.getincrementaldecoder(encoding)()
    parts: list[bytes] = []
    for start in range(0, len(body) + 1, CHUNK_BYTES):
        piece = body[start : start + CHUNK_BYTES]
        try:
            parts.append(decoder.decode(piece, final=start + CHUNK_BYTES > len(body)).encode())
        except UnicodeError as error:
            fitting = getattr(error, "start", 0) if isinstance(error, UnicodeDecodeError) else 0
            before = codecs.decode(piece[: fitting - fitting % 4], encoding, "replace")
            raise _undecodable(
                b"".join(parts) + before.encode(errors="replace"), encoding, name, mapping
            ) from None
    return b"".join(parts)


def _undecodable(before: bytes, encoding: str, name: str, mapping: str) -> Refusal:
    line = 1 + before.count(b"\n")
    return Refusal(
        "file_undecodable",
        f"{name}, line {line}: a byte does not fit {encoding}. Declare `encoding` in {mapping}, "
        "or send the file as UTF-8.",
        line,
    )


def _refuse_unreadable_characters(content: bytes, name: str, mapping: str, mark: str) -> None:
    wide = "" if mark else _wide_encoding(content[:4096])
    if wide:
        raise Refusal(
            "file_undecodable",
            f'{name} looks like {wide.upper()} and has no mark that says so. Declare `encoding = "{wide}"` in '
            f"{mapping}, or send the file as UTF-8.",
            1,
        )
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


def _wide_encoding(opening: bytes) -> str:
    """The encoding of two or four bytes a letter in which plain text would have its zero bytes where these are."""
    zeros = [opening[at::4].count(0) / max(1, len(opening) // 4) for at in range(4)]
    patterns = {
        "utf-32-le": (0, 1, 1, 1),
        "utf-32-be": (1, 1, 1, 0),
        "utf-16-le": (0, 1, 0, 1),
        "utf-16-be": (1, 0, 1, 0),
    }
    return next(
        (
            encoding
            for encoding, pattern in patterns.items()
            if all((share > 0.7) == bool(often) for share, often in zip(zeros, pattern, strict=True))
        ),
        "",
    )

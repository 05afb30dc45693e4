"""Bytes of an unknown file -> its text: which encoding it has, as far as bytes can tell."""

import codecs
from typing import Final, NamedTuple

_MAGIC: Final = (
    (b"PK\x03\x04", "a ZIP archive (spreadsheets are some)"),
    (b"%PDF-", "a PDF document"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"BM", "a bitmap picture"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
    (b"SQLite format 3", "an SQLite database"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"Rar!", "a RAR archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
)
_PROBED: Final = 65_536


class Encoding(NamedTuple):
    """What the text of a file is encoded in."""

    name: str
    question: str | None = None
    """What cannot be known from the bytes."""


def known_binary(content: bytes) -> str | None:
    """What the bytes are, where they are surely no text; None where they may be."""
    head = content[:_PROBED]
    controls = sum(byte < 9 or 13 < byte < 32 for byte in head) if head else 0
    for magic, name in _MAGIC:
        if head.startswith(magic) and (len(magic) > 2 or controls):
            return name
    if _utf16(head) is None and controls > len(head) // 50 + 1:
        return "binary data"
    return None


def encoding_of(content: bytes) -> Encoding:
    """The encoding of a text. Code pages cannot be told apart by their bytes: that stays a question."""
    if content.startswith(codecs.BOM_UTF8):
        return Encoding("utf-8")
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return Encoding("utf-16")
    wide = _utf16(content[:_PROBED])
    if wide is not None:
        return Encoding(wide)
    if content.isascii():
        return Encoding("utf-8")
    try:
        # The sample may end in the middle of a character.
        codecs.getincrementaldecoder("utf-8")().decode(content)
    except UnicodeDecodeError:
        return _code_page(content)
    return Encoding("utf-8")


def _utf16(head: bytes) -> str | None:
    if len(head) < 8:
        return None
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > half * 0.6 and even < half * 0.1:
        return "utf-16-le"
    if even > half * 0.6 and odd < half * 0.1:
        return "utf-16-be"
    return None


def _code_page(content: bytes) -> Encoding:
    line = next(line for line in content.split(b"\n") if not line.isascii())
    name = next(name for name in ("cp1252", "latin-1") if _decodes(content, name))
    first = next(at for at, byte in enumerate(line) if byte > 127)
    around = line[max(0, first - 12) : first + 12]
    told = ", ".join(
        f"{page}: {around.decode(page, 'replace').strip()!r}"
        for page in (name, "cp1250", "cp437", "cp932", "gb18030")
    )
    return Encoding(name, f"which code page? The same bytes as {told}")


def _decodes(content: bytes, encoding: str) -> bool:
    try:
        content.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True

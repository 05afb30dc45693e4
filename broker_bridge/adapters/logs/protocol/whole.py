"""Content that can be read only as a whole: its text, and where in its bytes a part of the text stands."""

import hashlib

from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Value, digest_of
from broker_bridge.adapters.logs.protocol.region import KEPT

_MARKS = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff", "utf-8": b"\xef\xbb\xbf"}


class Whole:
    """Collects bytes up to `limit`; beyond it only hashes and counts them."""

    def __init__(self, encoding: str, limit: int) -> None:
        self._encoding = encoding
        self._limit = limit
        self._raw = bytearray()
        self._size = 0
        self._hash = hashlib.sha256()
        self._text: str | None = None
        self._mark = 0
        self._known = (0, 0, 1)  # a character index, the byte and the line it stands at

    def take(self, data: bytes) -> None:
        """Take more bytes."""
        self._size += len(data)
        self._hash.update(data)
        if self._size <= self._limit:
            self._raw += data
        elif len(self._raw) > KEPT:
            del self._raw[KEPT:]

    def unreadable(self) -> Refused | None:
        """The refusal of content that is too large or not of its encoding; None where it can be read."""
        if self._size > self._limit:
            return Refused(
                0,
                self._size,
                1,
                f"a document of {self._size} bytes; at most {self._limit} are taken",
                "oversize",
                bytes(self._raw[:KEPT]),
                size=self._size,
                digest=self._hash.hexdigest(),
            )
        raw = bytes(self._raw)
        encoding = self._encoding
        if encoding == "utf-16":
            encoding = "utf-16-be" if raw.startswith(_MARKS["utf-16-be"]) else "utf-16-le"
        mark = _MARKS.get(encoding, b"\x00")
        self._mark = len(mark) if raw.startswith(mark) else 0
        self._encoding = encoding
        try:
            self._text = raw[self._mark :].decode(encoding)
        except UnicodeDecodeError as error:
            place = f"byte {self._mark + error.start + 1}"
            found = repr(error.object[max(0, error.start - 10) : error.end + 10])
            return Refused(
                0, len(raw), 1, f"is not {encoding}: {error.reason}", "encoding", raw, place, found
            )
        if "\x00" in self._text:
            return Refused(
                0,
                len(raw),
                1,
                "holds NUL characters: the file is still being written over a share, is damaged, or has another"
                " encoding than stated",
                "nul",
                raw,
            )
        return None

    @property
    def text(self) -> str:
        """The text without its byte order mark. Only when `unreadable` has found nothing."""
        assert self._text is not None
        return self._text

    def record(self, kind: str, start: int, end: int, fields: dict[str, Value]) -> NativeRecord:
        """The record of a part of the text. Parts are asked for in the order of their starts, or it is slow."""
        position, line = self._place(start)
        raw = self.text[start:end].encode(self._encoding)
        return NativeRecord(kind, position, position + len(raw), line, raw, fields)

    def refusal(self, start: int, end: int, code: str, reason: str, at: int) -> Refused:
        """The refusal of a part of the text because of what stands at one character of it."""
        position, line = self._place(start)
        _, bad_line = self._place(at)
        character = at - (self.text.rfind("\n", 0, at) + 1) + 1
        raw = self.text[start:end].encode(self._encoding)
        found = self.text[max(0, at - 20) : at + 20]
        return Refused(
            position,
            position + len(raw),
            line,
            reason,
            code,
            raw[:KEPT],
            f"line {bad_line}, character {character}",
            found,
            size=len(raw),
            digest=digest_of(raw),
        )

    def _place(self, index: int) -> tuple[int, int]:
        known, byte, line = self._known
        if index < known:
            known, byte, line = 0, self._mark, 1
        elif known == 0:
            byte = self._mark
        between = self.text[known:index]
        byte += len(between.encode(self._encoding))
        line += between.count("\n")
        self._known = (index, byte, line)
        return byte, line

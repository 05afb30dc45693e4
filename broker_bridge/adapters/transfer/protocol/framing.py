"""Bytes in, whole messages as bytes out.

IPC-HERMES-9852 has neither length prefix nor delimiter: a message runs from `<Hermes` to
`</Hermes>`, what stands between messages is skipped. So the cut is made on tags, on bytes, before
anything is decoded: a `>` may stand inside an attribute and a character may be cut in two by the
network. A raw `<` cannot stand inside an attribute, so a second `<Hermes` before the end means that
the first message was cut off, and the second one is not given up with it. (A comment inside a message
could hold the tags; such a message comes out as an error, with its bytes.)

Every decision depends on the bytes alone, never on how they were cut into pieces.
"""

import re
from dataclasses import dataclass
from enum import Enum
from typing import Final

from broker_bridge.adapters.transfer.protocol.codes import MAX_MESSAGE_SIZE
from broker_bridge.errors import LocalProtocolError, RemoteProtocolError

MAX_JUNK: Final = MAX_MESSAGE_SIZE
"""Bytes between two messages beyond which the peer is said to speak another protocol."""

JUNK_SAMPLE: Final = 200
"""Bytes kept of what was dropped before a message."""

# A start tag that begins inside the limit may end this much outside of it.
_SLACK: Final = 16

_START = re.compile(rb"<Hermes[\s/>]")
_OPENING: Final = b"<Hermes"
_CLOSING: Final = b"</Hermes"
# Blanks in the closing tag are legal, but a peer must not make us look at ever more of them.
_BLANKS: Final = 64
_TAG = re.compile(rb"<Hermes[\s/>]|</Hermes\s{0,%d}>" % _BLANKS)
_BLANK: Final = b" \t\r\n"
# What a sender may put before a document without saying anything: byte order mark, XML declaration.
_PROLOG = re.compile(rb"(\xef\xbb\xbf)?\s*(<\?xml[^>]*\?>)?\s*")


class Pending(Enum):
    """Why there is no message now."""

    NEED_DATA = "need data"  # feed more bytes
    CLOSED = "closed"  # the peer closed the connection, and everything it sent has been taken


@dataclass(frozen=True, slots=True)
class Frame:
    """The bytes of one message, and a sample of junk that stood before it (empty: none)."""

    raw: bytes
    junk: bytes = b""


class Framer:
    """Cuts a byte stream into messages. Holds one incomplete message at most.

    `junk` counts the bytes dropped so far that belonged to no message, blanks not counted.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._scanned = 0  # no tag begins before here, the opening one excepted
        self._inside = False  # the buffer begins with an opening tag
        self._eof = False
        self._run = 0  # junk since the last message
        self._sample = bytearray()
        self._complained = False
        self.junk = 0

    @property
    def rest(self) -> bytes:
        """Bytes taken in and not handed out yet."""
        return bytes(self._buffer)

    def receive_data(self, data: bytes) -> None:
        """Buffer `data`; b"" says that the peer closed the connection.

        Raises LocalProtocolError, and takes nothing, when data follow the close, or when `next_frame`
        was not called until it said NEED_DATA before the next data came.
        """
        if self._eof and data:
            raise LocalProtocolError("data after the end of the connection", data)
        if len(self._buffer) > MAX_MESSAGE_SIZE + _SLACK:
            raise LocalProtocolError(
                f"{len(self._buffer)} bytes are waiting: take messages until NEED_DATA before feeding more",
                data,
            )
        self._eof = not data
        self._buffer += data

    def next_frame(self) -> Frame | Pending:
        """Return the next message.

        Raises RemoteProtocolError, with the bytes in it, for a message that is too long or cut off, and
        once for every stretch of junk that is too long. The next call goes on behind it.
        """
        if not self._inside:
            self._find_start()
        if not self._inside:
            return Pending.CLOSED if self._eof else Pending.NEED_DATA
        tag = _TAG.search(self._buffer, self._scanned)
        if tag is None:
            return self._wait()
        begin, end = tag.span()
        if tag[0].startswith(_OPENING) and begin <= MAX_MESSAGE_SIZE:
            raise self._broken("message is cut off: another one begins before </Hermes>", begin)
        if end > MAX_MESSAGE_SIZE:
            raise self._too_long()
        frame = Frame(self._take(end), b"" if _PROLOG.fullmatch(self._sample) else bytes(self._sample))
        self._inside = False
        self._run = 0
        self._sample.clear()
        self._complained = False
        return frame

    def _wait(self) -> Pending:
        if len(self._buffer) >= MAX_MESSAGE_SIZE + _SLACK:
            raise self._too_long()
        if self._eof:
            raise self._broken("connection closed inside a message", len(self._buffer))
        self._scanned = self._unfinished_tag()
        return Pending.NEED_DATA

    def _too_long(self) -> RemoteProtocolError:
        return self._broken(f"message is longer than {MAX_MESSAGE_SIZE} bytes", MAX_MESSAGE_SIZE)

    def _broken(self, what: str, size: int) -> RemoteProtocolError:
        raw = self._take(size)
        self._inside = False
        return RemoteProtocolError(f"{what}; {size} bytes are set aside, beginning {raw[:60]!r}", raw)

    def _take(self, size: int) -> bytes:
        taken = bytes(self._buffer[:size])
        del self._buffer[:size]
        self._scanned = 0
        return taken

    def _unfinished_tag(self) -> int:
        """Where a tag that is not whole yet may begin; the end of the buffer if nowhere."""
        at = self._buffer.rfind(b"<", self._scanned)
        head = bytes(self._buffer[at : at + len(_CLOSING)])
        begun = at >= 0 and (_OPENING.startswith(head) or _CLOSING.startswith(head))
        return at if begun and len(self._buffer) - at <= len(_CLOSING) + _BLANKS else len(self._buffer)

    def _find_start(self) -> None:
        start = _START.search(self._buffer)
        if start:
            self._drop(start.start())
            self._inside = True
            self._scanned = 1  # behind the "<" of the opening tag
        else:
            keep = len(self._buffer) if self._eof else self._unfinished_tag()
            whole_tag = len(self._buffer) - keep > len(_OPENING)
            self._drop(len(self._buffer) if whole_tag else keep)
        if self._run > MAX_JUNK and not self._complained:
            self._complained = True
            raise RemoteProtocolError(
                f"more than {MAX_JUNK} bytes without a message, beginning {bytes(self._sample[:60])!r}: "
                "is this the right port?",
                bytes(self._sample),
            )

    def _drop(self, size: int) -> None:
        dropped = self._take(size)
        if not self._sample:
            dropped = dropped.lstrip(_BLANK)
        self._sample += dropped[: JUNK_SAMPLE - len(self._sample)]
        junk = len(dropped.translate(None, _BLANK))
        self._run += junk
        self.junk += junk

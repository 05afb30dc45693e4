"""The bounded queue between the MQTT client and its one reader.

It is full at a number of messages or of payload bytes, whichever comes first; then the client stops reading from
the network, so that the broker or the publisher waits and memory does not grow. It may exceed the bytes by one
message. Reading goes on when it is half empty.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import NamedTuple


class Message(NamedTuple):
    """One received message."""

    topic: str
    payload: bytes
    retain: bool
    """True: the broker's stored copy, not a live message."""
    dup: bool
    """True: the broker may have delivered it before."""
    connection: int
    """Number of the connection it came with; an acknowledgement counts only there."""
    packet: int
    """Packet number within that connection, 0 with QoS 0."""


class Inbox:
    """First in, first out. Only for one event loop and one reader."""

    def __init__(self, limit: int, limit_bytes: int, on_room: Callable[[], None]) -> None:
        self.full = False
        self._limit = limit
        self._limit_bytes = limit_bytes
        self._on_room = on_room
        self._messages: deque[Message] = deque()
        self._bytes = 0
        self._filled = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()

    def __len__(self) -> int:
        return len(self._messages)

    def put(self, message: Message) -> None:
        """Append. The caller stops when `full` gets true."""
        self._messages.append(message)
        self._bytes += len(message.payload)
        if not self._filled.is_set():
            self._filled.set()
        if not self.full and (len(self._messages) >= self._limit or self._bytes >= self._limit_bytes):
            self.full = True
            self._room.clear()

    def pop(self) -> Message | None:
        """The oldest message, without waiting; None when there is none."""
        if not self._messages:
            return None
        message = self._messages.popleft()
        self._bytes -= len(message.payload)
        if not self._messages:
            self._filled.clear()
        if self.full and len(self._messages) * 2 <= self._limit and self._bytes * 2 <= self._limit_bytes:
            self.full = False
            self._room.set()
            self._on_room()
        return message

    async def wait_filled(self) -> None:
        """Return when there is a message to take."""
        await self._filled.wait()

    async def wait_room(self) -> None:
        """Return when it is not full."""
        await self._room.wait()

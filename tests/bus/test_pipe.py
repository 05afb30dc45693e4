import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from servers import until

from broker_bridge.bus.pipe import Pipe


class Ends:
    """A pipe and the other end of it."""

    def __init__(self) -> None:
        self.reasons: list[str] = []
        self.chunks = 0
        self.pipe = Pipe(self._data, self.reasons.append)
        self.reader: asyncio.StreamReader
        self.writer: asyncio.StreamWriter

    def _data(self) -> None:
        self.chunks += 1


def run(story: Callable[[Ends], Coroutine[Any, Any, None]]) -> None:
    async def connected() -> None:
        ends = Ends()
        accepted = asyncio.Event()

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            ends.reader, ends.writer = reader, writer
            accepted.set()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        async with asyncio.timeout(20), server:
            await asyncio.get_running_loop().create_connection(lambda: ends.pipe, "127.0.0.1", port)
            await accepted.wait()
            await story(ends)
            ends.pipe.abort()
            ends.writer.transport.abort()
            await until(lambda: ends.reasons, "the end")

    asyncio.run(connected())


def test_bytes_are_read_in_any_portions() -> None:
    async def story(ends: Ends) -> None:
        pipe = ends.pipe
        with pytest.raises(BlockingIOError):
            pipe.recv(1)
        ends.writer.write(b"abcdef")
        await until(lambda: pipe.pending() == 6, "six bytes")
        assert [pipe.recv(1), pipe.recv(2)] == [b"a", b"bc"]
        ends.writer.write(b"gh")
        await until(lambda: pipe.pending() == 5, "two more")
        assert [pipe.recv(4), pipe.recv(9)] == [b"defg", b"h"]
        with pytest.raises(BlockingIOError):
            pipe.recv(1)
        assert ends.chunks == 2

    run(story)


def test_writes_leave_with_the_flush_in_order() -> None:
    async def story(ends: Ends) -> None:
        assert [ends.pipe.send(b"ab"), ends.pipe.send(b"cde")] == [2, 3]
        ends.pipe.flush()
        assert await ends.reader.readexactly(5) == b"abcde"

    run(story)


def test_held_bytes_wait_in_the_network() -> None:
    async def story(ends: Ends) -> None:
        pipe = ends.pipe
        pipe.hold(True)
        ends.writer.write(b"later")
        await ends.writer.drain()
        # A full round trip in the other direction shows that the bytes had their chance to come.
        pipe.send(b"x")
        pipe.flush()
        await ends.reader.readexactly(1)
        assert pipe.pending() == 0
        pipe.hold(False)
        await until(lambda: pipe.pending() == 5, "the held bytes")

    run(story)


def test_closing_sends_the_rest_and_takes_no_more() -> None:
    async def story(ends: Ends) -> None:
        ends.pipe.send(b"goodbye")
        ends.pipe.close()
        with pytest.raises(ConnectionError):
            ends.pipe.send(b"more")
        assert await ends.reader.read() == b"goodbye"
        ends.writer.write(b"unread")
        await ends.writer.drain()
        ends.writer.close()
        await ends.pipe.goodbye()
        assert ends.pipe.pending() == ends.chunks == 0

    run(story)


def test_the_goodbye_is_read_by_an_end_that_writes_meanwhile() -> None:
    async def story(ends: Ends) -> None:
        ends.pipe.hold(True)
        ends.pipe.send(b"x" * 10_000)
        leaving = asyncio.create_task(ends.pipe.goodbye())
        read = b""
        while more := await ends.reader.read(100):
            ends.writer.write(b"y" * 100)  # would be answered with a reset by a socket that is closed
            await ends.writer.drain()
            read += more
        assert len(read) == 10_000
        ends.writer.close()
        await leaving

    run(story)


def test_the_end_is_told_with_its_reason() -> None:
    async def story(ends: Ends) -> None:
        ends.writer.close()
        await until(lambda: ends.reasons, "the end")
        assert ends.reasons == ["the other side closed the connection"]

    run(story)


def test_an_end_that_takes_nothing_does_not_hold_up_the_goodbye() -> None:
    async def story(ends: Ends) -> None:
        ends.pipe.send(b"x" * 50_000_000)  # more than any socket buffer takes
        await ends.pipe.goodbye()
        await until(lambda: ends.reasons, "the end")

    run(story)

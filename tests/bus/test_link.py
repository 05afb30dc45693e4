"""One connection fed by hand: whatever the other side sends, the program goes on."""

import asyncio
from dataclasses import replace

import pytest
from fake_broker import PUBACK, connack, packet, publish
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.bus.inbox import Inbox
from broker_bridge.bus.link import Link, Options

OPTIONS = Options(
    host="127.0.0.1",
    port=1883,
    client_id="c",
    username=None,
    password=None,
    tls=None,
    clean=False,
    keepalive=30,
    window=5,
    window_bytes=1000,
    will=None,
    filters=("t/#",),
)


class Nowhere(asyncio.Transport):
    """A network that takes every byte."""

    def is_closing(self) -> bool:
        return False

    def write(self, data: object) -> None:
        pass

    def can_write_eof(self) -> bool:
        return False

    def resume_reading(self) -> None:
        pass

    def abort(self) -> None:
        pass


bodies = st.binary(max_size=12)
packets = st.one_of(
    st.builds(packet, st.integers(0, 15), st.integers(0, 15), bodies),
    st.builds(publish, bodies, bodies, st.integers(0, 3), qos=st.integers(0, 3)),
    st.builds(lambda codes: packet(9, 0, b"\x00\x01" + codes), bodies),
    st.just(connack()),
    bodies,
)


@settings(max_examples=400)
@given(st.lists(packets, max_size=6), st.integers(1, 40))
def test_any_bytes_leave_a_link_that_lives_or_says_why_not(stream: list[bytes], size: int) -> None:
    async def story() -> None:
        loop = asyncio.get_running_loop()
        problems: list[dict[str, object]] = []
        loop.set_exception_handler(lambda _, context: problems.append(context))
        inbox = Inbox(100, 10_000, lambda: None)
        link = Link(OPTIONS, inbox, lambda session_present: 1)
        link._paho.connect(OPTIONS.host, OPTIONS.port, OPTIONS.keepalive)
        raw = connack() + b"".join(stream)
        for at in range(0, len(raw), size):
            link._pipe.data_received(raw[at : at + size])
        await asyncio.sleep(0)
        messages = [message for _ in range(100) if (message := inbox.pop())]
        link.ack(messages)
        assert not link.unacknowledged
        assert all(isinstance(m.topic, str) and isinstance(m.payload, bytes) for m in messages)
        await link.close()
        assert link.lost.result()
        assert not problems

    asyncio.run(story())


def test_an_error_of_ours_while_reading_costs_the_connection_only() -> None:
    async def story() -> None:
        def failing(session_present: bool) -> int:
            raise RuntimeError("ours")

        link = Link(OPTIONS, Inbox(10, 1000, lambda: None), failing)
        link._paho.connect(OPTIONS.host, OPTIONS.port, OPTIONS.keepalive)
        link._pipe.data_received(connack() + publish("t/x", b"never read", 1))
        assert "RuntimeError('ours')" in link.lost.result()
        await link.close()

    asyncio.run(story())


@pytest.mark.parametrize(
    ("window", "size"), [(1, 0), (50, OPTIONS.window_bytes)], ids=["by messages", "by bytes"]
)
def test_an_acknowledgement_lets_the_next_one_in_who_waits_for_the_window(window: int, size: int) -> None:
    async def story() -> None:
        options = replace(OPTIONS, filters=(), window=window)
        link = Link(options, Inbox(10, 1000, lambda: None), lambda session_present: 1)
        link._pipe.connection_made(Nowhere())
        link._paho.connect(OPTIONS.host, OPTIONS.port, OPTIONS.keepalive)
        link._pipe.data_received(connack())
        first = await link.publish("a", bytes(size), False)
        waiting = [asyncio.create_task(link.publish("a", bytes(size), False)) for _ in range(2)]
        for number, task in enumerate(waiting, 1):
            await asyncio.sleep(0)
            assert not task.done()
            link._pipe.data_received(packet(PUBACK, 0, number.to_bytes(2)))
            async with asyncio.timeout(5):
                await task
        assert first.done()
        link._pipe.connection_lost(None)
        await link.close()

    asyncio.run(story())

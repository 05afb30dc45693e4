"""The client with real brokers: what only they can show."""

import asyncio
import signal
import subprocess
import sys
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

from servers import DEADLINE_S, Embedded, Mosquitto, RunningBroker, require, taken, until

from broker_bridge.bus.mqtt import FLAPS, Client, Message
from broker_bridge.bus.wire import MAX_PAYLOAD


def run(story: Coroutine[Any, Any, None]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(45):
            await story

    asyncio.run(limited())


def reader(broker: RunningBroker, **changes: Any) -> Client:
    settings: dict[str, Any] = {"client_id": "reader", "filters": ["t/#"], "back_off": (0.01, 0.1)}
    return Client(**{"host": broker.host, "port": broker.port} | settings | changes)


def writer(broker: RunningBroker, **changes: Any) -> Client:
    return reader(broker, **{"client_id": "writer", "filters": [], "clean": True} | changes)


async def send(client: Client, payloads: list[bytes], topic: str = "t/x") -> None:
    await client.wait_connected()
    for delivery in [await client.publish(topic, payload) for payload in payloads]:
        await delivery


async def received(client: Client, count: int) -> list[Message]:
    messages = []
    for _ in range(count):
        message = await client.next(DEADLINE_S)
        assert message is not None, f"only {len(messages)} of {count} messages came"
        messages.append(message)
    return messages


def numbers(first: int, last: int) -> list[bytes]:
    return [b"%d" % n for n in range(first, last + 1)]


def test_what_is_sent_arrives_as_it_was(broker: RunningBroker) -> None:
    payloads = [b"", b"x", bytes(range(256)), "ä€".encode()]

    async def story() -> None:
        async with reader(broker) as r, writer(broker) as w:
            await r.wait_connected()
            await send(w, payloads)
            got = await received(r, len(payloads))
            assert [m.payload for m in got] == payloads
            assert all((m.topic, m.retain, m.dup, m.connection) == ("t/x", False, False, 1) for m in got)
            r.ack(got)

    run(story())


def test_the_largest_payload_passes(broker: RunningBroker) -> None:
    payload = bytes(range(256)) * (MAX_PAYLOAD // 256)
    topic = "t/" + "x" * 400

    async def story() -> None:
        async with reader(broker) as r, writer(broker) as w:
            await r.wait_connected()
            await send(w, [payload], topic)
            (message,) = await received(r, 1)
            assert message.payload == payload

    run(story())


def test_a_retained_message_is_told_from_a_live_one(broker: RunningBroker) -> None:
    async def story() -> None:
        async with writer(broker) as w:
            await w.wait_connected()
            await (await w.publish("t/state", b"on", retain=True))
            async with reader(broker, clean=True) as r:
                (stored,) = await received(r, 1)
                assert (stored.payload, stored.retain) == (b"on", True)
                r.ack([stored])
                await (await w.publish("t/state", b"off", retain=True))
                (live,) = await received(r, 1)
                assert (live.payload, live.retain) == (b"off", False)

    run(story())


def test_a_flood_passes_a_small_inbox_in_order_and_whole(broker: RunningBroker) -> None:
    count = 3_000

    async def story() -> None:
        async with reader(broker, inbox=50) as r, writer(broker) as w, asyncio.TaskGroup() as group:
            await r.wait_connected()
            group.create_task(send(w, numbers(1, count)))
            # What a busy machine acknowledges too late comes again (QoS 1): first occurrences are in order.
            got: dict[bytes, None] = {}
            while len(got) < count:
                messages = [await r.next(DEADLINE_S), *taken(r, 29)]
                assert r.waiting <= 50
                got |= dict.fromkeys(m.payload for m in messages if m is not None)
                r.ack(m for m in messages if m is not None)
            assert list(got) == numbers(1, count)

    run(story())


def test_what_was_not_acknowledged_comes_again(broker: RunningBroker) -> None:
    async def story() -> None:
        async with writer(broker) as w:
            async with reader(broker) as r:
                await r.wait_connected()
                await send(w, numbers(1, 10))
                got = await received(r, 10)
                r.ack(got[:4])
            await send(w, numbers(11, 12))  # nobody listens meanwhile
            async with reader(broker) as r:
                await r.wait_connected()
                assert r.session_present
                again = await received(r, 8)
                # The order of old and new is the broker's: order is promised only by sequence numbers.
                assert sorted(again, key=lambda m: int(m.payload))[0].payload == b"5"
                assert {m.payload for m in again} == set(numbers(5, 12))
                assert {m.payload for m in again if m.dup} >= set(numbers(5, 10))
                r.ack(again)
                assert r.unacknowledged == 0

    run(story())


def test_a_clean_end_is_read_by_a_broker_that_is_busy_sending(broker: RunningBroker) -> None:
    """Its last acknowledgements count, and its will is not told."""

    async def story() -> None:
        async with writer(broker) as w, reader(broker, client_id="watch", filters=["will"]) as watch:
            await watch.wait_connected()
            async with reader(broker, will=("will", b"killed")) as r:
                await r.wait_connected()
                sending = asyncio.create_task(send(w, numbers(1, 300)))
                r.ack(await received(r, 15))
            await sending
            await (await w.publish("will", b"not killed"))
            assert [m.payload for m in await received(watch, 1)] == [b"not killed"]
            async with reader(broker) as r:
                rest: set[bytes] = set()
                while len(rest) < 285:
                    (message,) = await received(r, 1)
                    r.ack([message])
                    rest.add(message.payload)
                assert rest == set(numbers(16, 300))

    run(story())


READER = """
import asyncio, sys
from broker_bridge.bus.mqtt import Client

async def main(host, port):
    will = ("t/will", b"killed")
    async with Client(host=host, port=port, client_id="reader", filters=["t/x"], will=will) as reader:
        await reader.wait_connected()
        print("ready", flush=True)
        for _ in range(10):
            last = await reader.next()
            if int(last.payload) <= 4:
                reader.ack([last])
        await asyncio.sleep(0.2)  # for the acknowledgements to leave; there is nothing to see them by
        print("read", flush=True)
        await asyncio.sleep(60)

asyncio.run(main(sys.argv[1], int(sys.argv[2])))
"""


def test_a_killed_reader_finds_its_session_and_its_will_is_told(broker: RunningBroker) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", READER, broker.host, str(broker.port)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"

    async def story() -> None:
        async with writer(broker) as w, reader(broker, client_id="watch", filters=["t/will"]) as watch:
            await watch.wait_connected()
            await send(w, numbers(1, 10))
            assert await asyncio.to_thread(process.stdout.readline) == "read\n"  # type: ignore[union-attr]
            process.send_signal(signal.SIGKILL)
            (will,) = await received(watch, 1)
            assert (will.topic, will.payload) == ("t/will", b"killed")
            await send(w, numbers(11, 12))
            async with reader(broker, filters=["t/x"]) as r:
                again = await received(r, 8)
                assert {m.payload for m in again} == set(numbers(5, 12))
                assert r.session_present
        async with reader(broker, client_id="late", filters=["t/will"], clean=True) as late:
            (kept,) = await received(late, 1)
            assert (kept.payload, kept.retain) == (b"killed", True)

    try:
        run(story())
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_broker_that_restarts_is_found_again_with_the_session(broker: RunningBroker) -> None:
    async def story() -> None:
        async with reader(broker) as r, writer(broker) as w:
            await r.wait_connected()
            await send(w, numbers(1, 3))
            r.ack(await received(r, 3))
            await asyncio.to_thread(broker.stop)
            await until(lambda: not r.connected and r.trouble, "the end is noticed")
            await asyncio.to_thread(broker.restart)
            assert await r.wait_connected() == 2
            assert (r.session_present, r.sessions_lost) == (True, 0)
            await send(w, numbers(4, 6))
            new: list[bytes] = []
            while len(new) < 3:
                (message,) = await received(r, 1)
                if message.dup:  # an acknowledgement the broker did not read before it ended
                    assert message.payload in numbers(1, 3)
                else:
                    new.append(message.payload)
            assert new == numbers(4, 6)

    run(story())


def test_the_embedded_broker_keeps_sessions_and_messages_through_a_kill(embedded: Embedded) -> None:
    async def story() -> None:
        async with reader(embedded) as r:
            await r.wait_connected()
        async with writer(embedded) as w:
            await send(w, numbers(1, 500))
            await asyncio.to_thread(embedded.kill)
            await asyncio.to_thread(embedded.restart)
            await send(w, numbers(501, 600))
        async with reader(embedded) as r:
            got: list[bytes] = []
            while len(got) < 600:
                (message,) = await received(r, 1)
                r.ack([message])  # the broker has no more than its window on the way
                got.append(message.payload)
            assert got == numbers(1, 600)
            assert r.session_present

    run(story())


def test_mosquitto_forgets_sessions_in_a_kill_and_that_is_told(mosquitto: Mosquitto) -> None:
    """Why a broker's acknowledgement is no receipt."""

    async def story() -> None:
        async with reader(mosquitto) as r:
            await r.wait_connected()
            await asyncio.to_thread(mosquitto.kill)
            await asyncio.to_thread(mosquitto.restart)
            await until(lambda: r.connection == 2, "a new connection")
            await r.wait_connected()
            assert (r.session_present, r.sessions_lost) == (False, 1)

    run(story())


def test_two_clients_with_one_name_are_noticed(mosquitto: Mosquitto) -> None:
    async def story() -> None:
        async with reader(mosquitto) as one, reader(mosquitto) as two:
            await until(
                lambda: "another client uses" in one.trouble + two.trouble, f"{FLAPS} lost connections"
            )

    run(story())


def test_mosquitto_refuses_a_wrong_password_in_words(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    passwords.touch()
    subprocess.run([require("mosquitto_passwd"), "-b", str(passwords), "spi", "right"], check=True)
    broker = Mosquitto(tmp_path, f"password_file {passwords}", "allow_anonymous false")

    async def story() -> None:
        async with reader(broker, username="spi", password="right") as right:
            await right.wait_connected()
        async with reader(broker, username="spi", password="wrong") as wrong:
            await until(lambda: "refuses" in wrong.trouble, "the refusal is told")
            assert "as 'spi'" in wrong.trouble

    try:
        run(story())
    finally:
        broker.stop()


def test_tls_is_only_made_with_a_name_the_certificate_holds(tmp_path: Path) -> None:
    openssl = require("openssl")
    subprocess.run(
        (
            f"{openssl} req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=test "
            "-addext subjectAltName=DNS:localhost -keyout key.pem -out cert.pem"
        ).split(),
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    certificate = tmp_path / "cert.pem"
    broker = Mosquitto(tmp_path, f"certfile {certificate}", f"keyfile {tmp_path / 'key.pem'}")

    async def story() -> None:
        async with (
            reader(broker, host="localhost", ca_file=certificate) as r,
            writer(broker, host="localhost", ca_file=certificate) as w,
        ):
            await r.wait_connected()
            await send(w, [b"x" * 100_000])
            assert (await received(r, 1))[0].payload == b"x" * 100_000
        async with reader(broker, host="127.0.0.1", ca_file=certificate) as stranger:
            await until(lambda: "is not for" in stranger.trouble, "the wrong name is told")
            assert stranger.connection == 0
        async with reader(broker, host="localhost") as plain:
            await until(lambda: "connection" in plain.trouble and "yet" not in plain.trouble, "no plain text")
            assert plain.connection == 0

    try:
        run(story())
    finally:
        broker.stop()

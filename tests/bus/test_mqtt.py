"""The client against scripts of packets; the bytes follow MQTT 3.1.1, see fake_broker."""

import asyncio
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import pytest
from fake_broker import (
    CONNECT,
    DISCONNECT,
    PINGREQ,
    PUBACK,
    PUBLISH,
    FakeBroker,
    Packet,
    Peer,
    Script,
    connack,
    packet,
    publish,
)
from servers import taken, until

from broker_bridge.bus.mqtt import FLAPS, Client, Message
from broker_bridge.bus.wire import MAX_PAYLOAD
from broker_bridge.errors import BusError, BusUnavailable, ConfigError


def run(story: Coroutine[Any, Any, None]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(30):
            await story

    asyncio.run(limited())


def client(broker: FakeBroker, **changes: Any) -> Client:
    settings: dict[str, Any] = {
        "host": broker.host,
        "port": broker.port,
        "client_id": "reader",
        "filters": ["t/#"],
        "back_off": (0.01, 0.02),
    }
    return Client(**settings | changes)


async def received(client: Client, count: int) -> list[Message]:
    messages = []
    for _ in range(count):
        message = await client.next(10)
        assert message is not None, f"only {len(messages)} of {count} messages came"
        messages.append(message)
    return messages


async def silent(peer: Peer) -> None:
    """Accept everything, say nothing."""
    await peer.greet()
    await peer.gone()


async def take_all(peer: Peer) -> None:
    """Accept and acknowledge everything."""
    await peer.greet()
    while (got := await peer.receive()).kind != DISCONNECT:
        peer.send(packet(PUBACK, 0, got.publish[1].to_bytes(2)))


def sending(*packets: bytes, session_present: bool = False) -> Script:
    """Send packets, then wait for the client to go."""

    async def script(peer: Peer) -> None:
        await peer.greet(session_present=session_present)
        peer.send(*packets)
        await peer.gone()

    return script


# Connecting


def test_it_keeps_its_name_and_its_session_and_subscribes_on_every_connection() -> None:
    seen: list[tuple[str, bool, list[str]]] = []

    async def cutting(peer: Peer) -> None:
        await peer.greet(session_present=True)
        seen.append((peer.client_id, peer.clean, peer.filters))
        peer.cut()

    async def story() -> None:
        numbers: list[tuple[int, bool]] = []
        async with (
            FakeBroker(cutting, cutting, silent) as broker,
            client(broker, filters=["t/#", "u"], on_connected=lambda *told: numbers.append(told)) as reader,
        ):
            await until(lambda: numbers[-1:] == [(3, False)], "the third connection is told")
            assert reader.connected
            assert reader.connection == 3
        assert seen == [("reader", False, ["t/#", "u"])] * 2

    run(story())


def test_its_last_will_is_retained_and_a_clean_end_takes_it_back() -> None:
    async def script(peer: Peer) -> None:
        connect = await peer.expect(CONNECT)
        flags = connect.body[7]
        assert flags & 0b0010_0000, "will retain"
        assert flags & 0b0001_1000 == 0b0000_1000, "will QoS 1"
        assert flags & 0b0000_0100, "will flag"
        assert b"\x00\x04gone\x00\x05adieu" in connect.body
        peer.send(connack())
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT]

    async def story() -> None:
        async with (
            FakeBroker(script) as broker,
            client(broker, filters=[], will=("gone", b"adieu")) as reader,
        ):
            assert await reader.wait_connected() == 1

    run(story())


@pytest.mark.parametrize(
    ("code", "words"), [(4, "Bad user name or password"), (5, "Not authorized"), (2, "identifier")]
)
def test_a_refused_login_is_told_and_tried_again(code: int, words: str) -> None:
    async def refusing(peer: Peer) -> None:
        await peer.connecting()
        peer.send(connack(code=code))
        await peer.gone()

    async def story() -> None:
        async with FakeBroker(*[refusing] * 3, silent) as broker, client(broker, username="spi-1") as reader:
            await until(lambda: "refuses" in reader.trouble, "the refusal is told")
            assert words in reader.trouble
            assert "'spi-1'" in reader.trouble
            assert "password" in reader.trouble
            assert not reader.connected
            await reader.wait_connected()
            assert reader.trouble == ""

    run(story())


def test_a_broker_that_cannot_be_reached_is_told() -> None:
    async def story() -> None:
        async with FakeBroker(silent) as broker:
            port = broker.port
        async with Client(host="127.0.0.1", port=port, client_id="reader") as reader:
            await until(lambda: "cannot be reached" in reader.trouble, "the failure is told")
            assert f"127.0.0.1:{port}" in reader.trouble
            with pytest.raises(BusUnavailable, match="cannot be reached"):
                await reader.publish("t", b"")

    run(story())


def test_a_refused_subscription_is_told_by_name() -> None:
    async def script(peer: Peer) -> None:
        await peer.connecting()
        peer.send(connack())
        await peer.subscribed(refuse=True)
        await peer.gone()

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker, filters=["t/#"]) as reader:
            await reader.wait_connected()
            assert "refuses the subscription to t/#" in reader.trouble

    run(story())


def test_a_lost_session_is_counted() -> None:
    def cutting(session_present: bool) -> Script:
        async def script(peer: Peer) -> None:
            await peer.greet(session_present=session_present)
            peer.cut()

        return script

    async def story() -> None:
        async with (
            FakeBroker(cutting(False), cutting(True), cutting(False), silent) as broker,
            client(broker) as reader,
        ):
            await until(lambda: reader.connected and reader.connection == 4, "fourth connection")
            # The first connection of a new client finds no session; the third and fourth should have.
            assert reader.sessions_lost == 2
            assert reader.session_present is False

    run(story())


def test_a_connection_that_comes_and_goes_points_at_the_client_id() -> None:
    async def cutting(peer: Peer) -> None:
        await peer.greet()
        peer.cut()

    async def story() -> None:
        async with FakeBroker(*[cutting] * FLAPS, silent) as broker, client(broker) as reader:
            await until(lambda: reader.connected and reader.connection == FLAPS + 1, "the calm after")
            assert "another client uses the client id 'reader'" in reader.trouble

    run(story())


def test_a_broker_that_answers_pings_is_alive_and_one_that_does_not_is_left() -> None:
    alive = 0

    async def dying(peer: Peer) -> None:
        nonlocal alive
        await peer.greet()
        while alive < 2:
            assert (await peer.receive()).kind == PINGREQ
            alive += 1
        await peer.receive(answer_pings=False)
        await peer.gone(answer_pings=False)

    async def story() -> None:
        async with FakeBroker(dying, silent) as broker, client(broker, keepalive=1) as reader:
            await reader.wait_connected()
            await until(lambda: alive == 2, "two pings answered")
            assert reader.connected
            assert reader.connection == 1
            await until(lambda: not reader.connected, "the silence is noticed")
            assert "silent" in reader.trouble
            await until(lambda: reader.connected, "a new connection")
            assert reader.connection == 2

    run(story())


# Receiving


def test_messages_arrive_however_the_network_cuts_them() -> None:
    stream = b"".join(
        [
            publish("t/1", b"", 1),
            publish("t/2", b"x" * 127, 2, retain=True),
            publish("t/3", b"y" * 20_000, 3, dup=True),
            publish("t/4", b"no number", 0, qos=0),
        ]
    )
    expected = [
        Message("t/1", b"", False, False, 1, 1),
        Message("t/2", b"x" * 127, True, False, 1, 2),
        Message("t/3", b"y" * 20_000, False, True, 1, 3),
        Message("t/4", b"no number", False, False, 1, 0),
    ]

    def in_pieces(size: int) -> Script:
        async def script(peer: Peer) -> None:
            await peer.greet()
            for at in range(0, len(stream), size):
                peer.send(stream[at : at + size])
                await peer.pushed()
            await peer.gone()

        return script

    async def story(size: int) -> None:
        async with FakeBroker(in_pieces(size)) as broker, client(broker) as reader:
            assert await received(reader, 4) == expected

    for size in (7, 1_000, len(stream)):
        run(story(size))


def test_a_message_cut_in_the_middle_is_taken_from_the_next_connection() -> None:
    whole = publish("t", b"x" * 500, 1)

    async def cutting(peer: Peer) -> None:
        await peer.greet()
        peer.send(whole[:100])
        await peer.pushed()
        peer.finish()
        await peer.gone()

    async def story() -> None:
        async with (
            FakeBroker(cutting, sending(whole, session_present=True)) as broker,
            client(broker) as reader,
        ):
            assert await received(reader, 1) == [Message("t", b"x" * 500, False, False, 2, 1)]
            assert reader.waiting == 0

    run(story())


@pytest.mark.parametrize(
    "poison",
    [
        packet(PUBLISH, 0b0010, b"\xff\xfft"),  # topic longer than the packet
        packet(PUBLISH, 0b0010, b""),
        packet(PUBLISH, 0b0010, b"\x00\x00\x00\x01"),  # no topic
        packet(PUBLISH, 0b0110, b"\x00\x01t\x00\x01"),  # QoS 3
        packet(15, 0, b""),  # reserved type
        bytes([PUBLISH << 4 | 2, 0xFF, 0xFF, 0xFF, 0xFF, 0x01]),  # length of five digits
        packet(PUBACK, 0, b"\x01"),
        packet(9, 0, b""),  # a SUBACK of nothing
        connack()[:2] + b"\x00",
    ],
    ids=["long topic", "empty", "no topic", "qos 3", "type 15", "length", "puback", "suback", "connack"],
)
def test_a_poisoned_packet_costs_the_connection_never_the_client(poison: bytes) -> None:
    async def poisoning(peer: Peer) -> None:
        await peer.greet()
        peer.send(publish("t", b"before", 1), poison, publish("t", b"after", 2))
        await peer.gone()

    async def story() -> None:
        async with (
            FakeBroker(poisoning, sending(publish("t", b"again", 3), session_present=True)) as broker,
            client(broker) as reader,
        ):
            payloads = []
            while not payloads or payloads[-1] != b"again":
                payloads.append((await received(reader, 1))[0].payload)
            assert payloads[0] == b"before"
            assert broker.connections == 2

    run(story())


def test_a_topic_that_is_no_text_comes_readable_and_wrong() -> None:
    async def story() -> None:
        async with (
            FakeBroker(sending(publish(b"t/\xff\xfe", b"x", 1), publish("t", b"y", 2))) as broker,
            client(broker) as reader,
        ):
            assert [m.topic for m in await received(reader, 2)] == ["t/\\xff\\xfe", "t"]

    run(story())


def test_next_and_take_give_what_is_there() -> None:
    async def story() -> None:
        async with (
            FakeBroker(sending(*[publish("t", b"%d" % n, n) for n in range(1, 6)])) as broker,
            client(broker) as reader,
        ):
            await until(lambda: reader.waiting == 5, "five messages")
            first = await reader.next(0)
            assert first is not None
            assert first.payload == b"1"
            assert [m.payload for m in taken(reader, 3)] == [b"2", b"3", b"4"]
            assert [m.payload for m in taken(reader, 9)] == [b"5"]
            assert taken(reader, 9) == []
            assert await reader.next(0.01) is None

    run(story())


def test_a_full_inbox_stops_reading_and_loses_nothing() -> None:
    count = 3_000
    stream = b"".join(publish("t", b"%d" % n, n) for n in range(1, count + 1))

    async def story() -> None:
        async with FakeBroker(sending(stream)) as broker, client(broker, inbox=10) as reader:
            payloads = []
            while len(payloads) < count:
                await until(lambda: reader.waiting, "more messages")
                assert reader.waiting <= 10
                payloads += [m.payload for m in taken(reader, 7)]
            assert payloads == [b"%d" % n for n in range(1, count + 1)]

    run(story())


def test_a_full_inbox_is_bounded_in_bytes_too() -> None:
    stream = b"".join(publish("t", b"x" * 1_000, n) for n in range(1, 101))

    async def story() -> None:
        async with FakeBroker(sending(stream)) as broker, client(broker, inbox_bytes=5_000) as reader:
            await until(lambda: reader.waiting == 5, "five messages")
            assert len(await received(reader, 100)) == 100

    run(story())


def test_a_reader_that_stopped_costs_the_connection_not_the_messages() -> None:
    first = [publish("t", b"%d" % n, n) for n in range(1, 21)]

    async def story() -> None:
        async with (
            FakeBroker(sending(*first), sending(*first, session_present=True)) as broker,
            client(broker, inbox=10, keepalive=1) as reader,
        ):
            await until(lambda: "does not keep up" in reader.trouble, "the stop is told")
            assert reader.waiting == 10
            # No new connection as long as there is no room for what it would bring.
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.1):
                    await reader.wait_connected()
            assert broker.connections == 1
            numbers = [(m.connection, m.packet) for m in await received(reader, 30)]
            assert numbers == [(1, n) for n in range(1, 11)] + [(2, n) for n in range(1, 21)]

    run(story())


# Acknowledging


def test_acknowledgements_leave_in_the_order_of_arrival_and_once() -> None:
    async def script(peer: Peer) -> None:
        await peer.greet()
        peer.send(*[publish("t", b"%d" % n, n) for n in (5, 9, 2)])
        assert [(await peer.expect(PUBACK)).number for _ in range(3)] == [5, 9, 2]
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT]

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker) as reader:
            five, nine, two = await received(reader, 3)
            assert reader.unacknowledged == 3
            reader.ack([two])
            assert reader.unacknowledged == 3
            reader.ack([nine, five])
            assert reader.unacknowledged == 0
            reader.ack([five, nine, two])

    run(story())


def test_nothing_is_acknowledged_unasked_and_nothing_without_a_number() -> None:
    async def script(peer: Peer) -> None:
        await peer.greet()
        peer.send(publish("t", b"a", 1), publish("t", b"b", 0, qos=0))
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT]

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker) as reader:
            _, unnumbered = await received(reader, 2)
            reader.ack([unnumbered])

    run(story())


def test_an_acknowledgement_of_an_older_connection_is_dropped() -> None:
    """The broker lost its session, so number 1 now stands for a message nobody has processed."""

    async def cutting(peer: Peer) -> None:
        await peer.greet()
        peer.send(publish("t", b"old", 1))
        await peer.gone()

    async def forgetful(peer: Peer) -> None:
        await peer.greet(session_present=False)
        peer.send(publish("t", b"new", 1))
        assert (await peer.expect(PUBLISH)).publish[0] == "between"
        assert (await peer.expect(PUBACK)).number == 1
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT]

    async def story() -> None:
        async with FakeBroker(dropping(cutting), forgetful) as broker, client(broker) as reader:
            old, new = await received(reader, 2)
            assert (old.payload, old.connection, old.packet) == (b"old", 1, 1)
            assert (new.payload, new.connection, new.packet) == (b"new", 2, 1)
            reader.ack([old])
            await reader.wait_connected()
            await reader.publish("between", b"")
            reader.ack([new, old])

    run(story())


def dropping(script: Script) -> Script:
    """Run the script up to its wait for the end, and hang up there."""

    async def cut(peer: Peer) -> None:
        async def gone() -> list[Packet]:
            await peer.pushed()
            peer.finish()
            return []

        peer.gone = gone  # type: ignore[method-assign]
        await script(peer)

    return cut


def test_a_copy_of_what_is_in_hand_is_dropped() -> None:
    """Some brokers deliver again inside a connection what is not acknowledged in time."""

    async def script(peer: Peer) -> None:
        await peer.greet()
        peer.send(publish("t", b"a", 1), publish("t", b"b", 2), publish("t", b"a", 1, dup=True))
        assert [(await peer.expect(PUBACK)).number for _ in range(2)] == [1, 2]
        # Acknowledged numbers are free again, for a message or for a late copy.
        peer.send(publish("t", b"c", 1), publish("t", b"b", 2, dup=True))
        assert [(await peer.expect(PUBACK)).number for _ in range(2)] == [1, 2]
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT]

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker) as reader:
            first = await received(reader, 2)
            await asyncio.sleep(0)
            reader.ack(first)
            second = await received(reader, 2)
            reader.ack(second)
            assert [m.payload for m in first + second] == [b"a", b"b", b"c", b"b"]
            assert reader.waiting == 0

    run(story())


def test_one_number_for_two_messages_ends_the_connection() -> None:
    async def story() -> None:
        async with (
            FakeBroker(sending(publish("t", b"a", 1), publish("t", b"b", 1)), silent) as broker,
            client(broker) as reader,
        ):
            await until(lambda: reader.connection == 2, "a new connection")
            assert [m.payload for m in taken(reader, 9)] == [b"a"]

    run(story())


# Publishing


def test_a_delivery_is_done_when_the_broker_says_so_in_any_order() -> None:
    async def script(peer: Peer) -> None:
        await peer.greet()
        sent = [await peer.expect(PUBLISH) for _ in range(3)]
        assert [p.publish[0::2] for p in sent] == [("a", b"1"), ("b", b"2"), ("c", b"3")]
        assert [p.flags for p in sent] == [0b0010, 0b0011, 0b0010]
        for p in reversed(sent[1:]):
            peer.send(packet(PUBACK, 0, p.publish[1].to_bytes(2)))
        await peer.gone()

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker) as writer:
            await writer.wait_connected()
            first = await writer.publish("a", b"1")
            second = await writer.publish("b", b"2", retain=True)
            third = await writer.publish("c", b"3")
            await second
            await third
            assert not first.done()
        with pytest.raises(BusUnavailable, match="disconnected"):
            await first

    run(story())


def test_a_publish_left_open_is_the_callers_to_send_again() -> None:
    async def withholding(peer: Peer) -> None:
        await peer.greet()
        await peer.expect(PUBLISH)
        peer.finish()
        await peer.gone()

    async def afterwards(peer: Peer) -> None:
        await peer.greet(session_present=True)
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT], "nothing is sent again unasked"

    async def story() -> None:
        async with FakeBroker(withholding, afterwards) as broker, client(broker) as writer:
            await writer.wait_connected()
            delivery = await writer.publish("a", b"1")
            with pytest.raises(BusUnavailable, match="unknown whether the broker has the message"):
                await delivery
            await until(lambda: writer.connected, "a new connection")
            assert writer.connection == 2

    run(story())


@pytest.mark.parametrize(
    ("limits", "size"), [({"window": 3}, 1), ({"window_bytes": 3_000}, 1_000)], ids=["messages", "bytes"]
)
def test_a_publisher_waits_while_the_window_is_full(limits: dict[str, int], size: int) -> None:
    go_on = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.greet()
        sent = [await peer.expect(PUBLISH) for _ in range(3)]
        await go_on.wait()
        peer.send(packet(PUBACK, 0, sent[0].publish[1].to_bytes(2)))
        await peer.expect(PUBLISH)
        await peer.gone()

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker, **limits) as writer:
            await writer.wait_connected()
            first = [await writer.publish("a", b"x" * size) for _ in range(3)]
            fourth = asyncio.create_task(writer.publish("a", b"x" * size))
            fifth = asyncio.create_task(writer.publish("a", b"x" * size))
            done, _ = await asyncio.wait({fourth, fifth}, timeout=0.05)
            assert not done
            go_on.set()
            await fourth
            assert first[0].done()
            assert not fifth.done()
        with pytest.raises(BusUnavailable):
            await fifth

    run(story())


def test_all_who_wait_for_the_window_hear_of_a_lost_connection() -> None:
    cut = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.greet()
        await peer.expect(PUBLISH)
        await cut.wait()
        peer.finish()
        await peer.gone()

    async def story() -> None:
        async with FakeBroker(script, silent) as broker, client(broker, window=1) as writer:
            await writer.wait_connected()
            first = await writer.publish("a", b"")
            waiting = [asyncio.create_task(writer.publish("a", b"")) for _ in range(3)]
            await asyncio.sleep(0)
            cut.set()
            results = await asyncio.gather(first, *waiting, return_exceptions=True)
            assert [type(result) for result in results] == [BusUnavailable] * 4

    run(story())


def test_one_message_larger_than_the_window_still_goes_alone() -> None:
    async def story() -> None:
        async with FakeBroker(take_all) as broker, client(broker, window_bytes=10) as writer:
            await writer.wait_connected()
            for _ in range(3):
                await (await writer.publish("a", b"x" * 100))

    run(story())


def test_a_cancelled_publisher_blocks_nobody() -> None:
    go_on = asyncio.Event()

    async def script(peer: Peer) -> None:
        await peer.greet()
        number = (await peer.expect(PUBLISH)).publish[1]
        await go_on.wait()
        peer.send(packet(PUBACK, 0, number.to_bytes(2)))
        assert (await peer.expect(PUBLISH)).publish[0] == "third"
        await peer.gone()

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker, window=1) as writer:
            await writer.wait_connected()
            first = await writer.publish("first", b"")
            first.cancel()
            second = asyncio.create_task(writer.publish("second", b""))
            third = asyncio.create_task(writer.publish("third", b""))
            await asyncio.sleep(0)
            second.cancel()
            go_on.set()
            await third

    run(story())


def test_a_payload_over_the_limit_is_refused_with_numbers_and_not_sent() -> None:
    async def script(peer: Peer) -> None:
        await peer.greet()
        assert [sent.kind for sent in await peer.gone()] == [DISCONNECT]

    async def story() -> None:
        async with FakeBroker(script) as broker, client(broker) as writer:
            await writer.wait_connected()
            with pytest.raises(BusError, match=r"8,388,609 bytes for t .* 8,388,608") as caught:
                await writer.publish("t", bytes(MAX_PAYLOAD + 1))
            assert not isinstance(caught.value, BusUnavailable)

    run(story())


def test_a_thousand_publishes_pass_through_a_small_window() -> None:
    async def story() -> None:
        async with FakeBroker(take_all) as broker, client(broker, window=7) as writer:
            await writer.wait_connected()
            deliveries = [await writer.publish("t", b"%d" % n) for n in range(1_000)]
            await asyncio.gather(*deliveries)

    run(story())


def test_a_certificate_authority_that_is_none_is_refused_at_once(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    for name in ("ca.pem", "absent.pem"):
        with pytest.raises(ConfigError, match=name):
            Client(host="localhost", port=1, client_id="reader", ca_file=tmp_path / name)


def test_a_client_whose_work_has_ended_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    async def dying(_: Client) -> None:
        raise SystemError("nobody thought of this")

    monkeypatch.setattr(Client, "_run", dying)

    async def story() -> None:
        async with FakeBroker(silent) as broker, client(broker) as dead:
            with pytest.raises(BusError, match="nobody thought of this"):
                await asyncio.wait_for(dead.watch(), 5)
            assert not dead.connected
            assert "ended" in dead.trouble

    asyncio.run(story())

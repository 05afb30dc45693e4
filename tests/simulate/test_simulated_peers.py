"""Stations on the vertical channel: rules of IPC-HERMES-9852 as seen by a small client of our own."""

import asyncio
import contextlib
import re
from datetime import datetime
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.simulate.clocks import MachineClock
from broker_bridge.simulate.model.records import Transfer
from broker_bridge.simulate.peers.messages import track
from broker_bridge.simulate.peers.server import StationPeer
from broker_bridge.simulate.peers.session import LONGEST, Session

NOW = datetime(2026, 3, 2, 8, 15, 30, 120_000)  # noqa: DTZ001 - the protocol's stamps have no zone
HELLO = (
    b'<Hermes Timestamp="2026-03-02T08:15:00.000"><SupervisoryServiceDescription SystemId="recorder-1" Version="1.4">'
    b"<SupportedFeatures>%s</SupportedFeatures></SupervisoryServiceDescription></Hermes>\n"
)
TRACKING = HELLO % b"<FeatureBoardTracking/><FeatureCheckAliveResponse/>"
SILENT = HELLO % b""


def elements(data: bytes) -> list[ElementTree.Element]:
    """The messages in a run of bytes."""
    return [ElementTree.fromstring(part)[0] for part in re.findall(rb"<Hermes.*?</Hermes>", data, re.DOTALL)]


def body(inner: bytes) -> bytes:
    return b'<Hermes Timestamp="x">' + inner + b"</Hermes>"


def test_the_machine_answers_the_description_with_its_own() -> None:
    session = Session("SPI")
    (answer,) = elements(session.receive(TRACKING, NOW))
    assert answer.tag == "SupervisoryServiceDescription"
    assert answer.get("SystemId") == "SPI"
    assert re.fullmatch(r"[1-9][0-9]{0,2}\.[0-9]{1,3}", answer.get("Version") or "")
    features = {feature.tag for feature in answer.findall("SupportedFeatures/*")}
    assert "FeatureBoardTracking" in features
    assert session.tracks


def test_only_announced_tracking_is_served() -> None:
    session = Session("SPI")
    assert not session.tracks
    session.receive(SILENT, NOW)
    assert not session.tracks


def test_check_alive_is_answered_only_when_asked_and_even_before_the_handshake() -> None:
    session = Session("SPI")
    assert session.receive(body(b"<CheckAlive/>"), NOW) == b""
    (pong,) = elements(session.receive(body(b'<CheckAlive Type="1" Id="7&quot;7"/>'), NOW))
    assert (pong.tag, pong.get("Type"), pong.get("Id")) == ("CheckAlive", "2", '7"7')
    assert session.receive(body(b'<CheckAlive Type="2" Id="77"/>'), NOW) == b""


def test_work_order_is_accepted_and_queued() -> None:
    session = Session("LOAD")
    session.receive(HELLO % b"<FeatureReplyWorkOrderInfo/>", NOW)
    (reply,) = elements(
        session.receive(body(b'<SendWorkOrderInfo WorkOrderId="WO &lt;1&gt;" BatchId="b"/>'), NOW)
    )
    assert (reply.tag, dict(reply.attrib)) == (
        "ReplyWorkOrderInfo",
        {"WorkOrderId": "WO <1>", "BatchId": "b", "Status": "2"},
    )
    silent = Session("LOAD")
    silent.receive(TRACKING, NOW)
    assert silent.receive(body(b'<SendWorkOrderInfo WorkOrderId="WO-1"/>'), NOW) == b""


def test_unknown_messages_attributes_and_text_between_messages_are_ignored() -> None:
    session = Session("SPI")
    noise = b"\xef\xbb\xbf<?xml version='1.0'?><!-- hello -->" + body(b'<Novelty Weight="3"/>')
    strange = TRACKING.replace(b'SystemId="recorder-1"', b"Colour='blue' SystemId='a&gt;b'")
    assert len(elements(session.receive(noise + strange, NOW))) == 1
    assert session.tracks
    assert not session.closing


@pytest.mark.parametrize(
    "bad",
    [
        body(b"<CheckAlive>"),
        body(b""),
        body(
            b'<SupervisoryServiceDescription SystemId="a"><SupportedFeatures/></SupervisoryServiceDescription>'
        ),
        body(b'<SupervisoryServiceDescription SystemId="a" Version="1.2"/>'),
        TRACKING + TRACKING,
        b"<Hermes>" + b" " * (LONGEST + 1),
        body(b"<A>" + b" " * LONGEST + b"</A>"),
    ],
)
def test_a_protocol_error_is_notified_and_ends_the_connection(bad: bytes) -> None:
    session = Session("SPI")
    last = elements(session.receive(bad, NOW))[-1]
    assert (last.tag, last.get("NotificationCode"), last.get("Severity")) == ("Notification", "1", "1")
    assert session.closing
    assert not session.tracks
    assert session.receive(TRACKING, NOW) == b""


@settings(max_examples=60)
@given(cuts=st.lists(st.integers(0, 700), max_size=12))
def test_any_cutting_of_the_bytes_gives_the_same_answers(cuts: list[int]) -> None:
    wire = (
        TRACKING
        + body('<SendWorkOrderInfo WorkOrderId="ü"/>'.encode())
        + body(b'<CheckAlive Type="1" Id="1"/>')
    )
    whole = Session("SPI").receive(wire, NOW)
    session, answers = Session("SPI"), b""
    edges = [0, *sorted(min(cut, len(wire)) for cut in cuts), len(wire)]
    for start, end in pairwise(edges):
        answers += session.receive(wire[start:end], NOW)
    assert answers == whole
    assert len(elements(whole)) == 2


@settings(max_examples=60)
@given(garbage=st.binary(max_size=300))
def test_garbage_never_raises_and_never_piles_up(garbage: bytes) -> None:
    session = Session("SPI")
    session.receive(garbage, NOW)
    session.receive(b"x" * 3 * LONGEST, NOW)
    assert session.closing or len(session._buffer) <= LONGEST


def test_names_are_escaped_and_required_attributes_are_there() -> None:
    """Attributes of BoardArrived and BoardDeparted that IPC-HERMES-9852 requires, from the shared field tables."""
    clock = MachineClock(datetime.fromisoformat("2026-07-06T06:00:00+00:00"), 1.0)
    for arrived, lane in ((True, "UpstreamLaneId"), (False, "DownstreamLaneId")):
        transfer = Transfer(
            "SPI", 60.0, arrived, 1, "0f0e0d0c-0000-4000-8000-000000000001", 'A&"B', 1, "P<1>", "bottom", "", "W", "",
            (100.0, 80.0), ((1, "S&1", 1), (2, "", 4)), "", 0,
        )  # fmt: skip
        data = track(transfer, clock)
        assert ElementTree.fromstring(data).get("Timestamp") == "2026-07-06T07:01:00.000"  # local, summer
        (message,) = elements(data)
        required = {
            "MachineId",
            lane,
            "BoardTransfer",
            "BoardId",
            "BoardIdCreatedBy",
            "FailedBoard",
            "FlippedBoard",
        }
        assert required <= set(message.attrib)
        assert message.get("BoardIdCreatedBy") == 'A&"B'
        assert message.get("FlippedBoard") == "2"
        assert "TopBarcode" not in message.attrib
        assert [dict(sb.attrib) for sb in message.findall("SubBoards/SB")] == [
            {"Pos": "1", "Bc": "S&1", "St": "1"},
            {"Pos": "2", "St": "4"},
        ]


async def connect(
    peer: StationPeer, hello: bytes = TRACKING
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    reader, writer = await asyncio.open_connection("127.0.0.1", peer.port)
    writer.write(hello)
    await read_until(reader, b"</Hermes>")
    return reader, writer


async def read_until(reader: asyncio.StreamReader, mark: bytes) -> bytes:
    return await asyncio.wait_for(reader.readuntil(mark), 10)


async def rest(reader: asyncio.StreamReader) -> bytes:
    """What comes until the machine hangs up, in whatever way it does."""
    data = b""
    with contextlib.suppress(ConnectionError):
        while more := await asyncio.wait_for(reader.read(4096), 10):
            data += more
    return data


def message(number: int) -> bytes:
    return body(b'<BoardArrived MachineId="SPI" BoardId="%d"/>' % number)


def test_supervisors_that_track_get_what_is_sent_while_they_are_there() -> None:
    async def scenario() -> None:
        peer = StationPeer("SPI", lambda: NOW)
        await peer.start()
        peer.send(message(1))  # nobody there: gone, not queued
        first, first_writer = await connect(peer)
        _, silent_writer = await connect(peer, SILENT)
        peer.send(message(2))
        second, second_writer = await connect(peer)
        peer.send(message(3))
        assert peer.supervisors == 2
        assert [e.get("BoardId") for e in elements(await read_until(first, message(3)))] == ["2", "3"]
        assert [e.get("BoardId") for e in elements(await read_until(second, message(3)))] == ["3"]
        await peer.close()
        for reader in (first, second):
            (goodbye,) = elements(await asyncio.wait_for(reader.read(), 10))
            assert (goodbye.get("NotificationCode"), goodbye.get("Severity")) == ("5", "4")
        for writer in (first_writer, silent_writer, second_writer):
            writer.close()

    asyncio.run(scenario())


def test_a_cut_breaks_connections_and_new_ones_until_restored() -> None:
    async def scenario() -> None:
        peer = StationPeer("AOI", lambda: NOW)
        await peer.start()
        reader, writer = await connect(peer)
        peer.cut()
        peer.send(message(1))
        assert elements(await rest(reader)) == []  # not even a goodbye
        writer.close()
        refused, refused_writer = await asyncio.open_connection("127.0.0.1", peer.port)
        refused_writer.write(TRACKING)
        assert await rest(refused) == b""
        refused_writer.close()
        peer.restore()
        again, again_writer = await connect(peer)
        peer.send(message(2))
        assert [e.get("BoardId") for e in elements(await read_until(again, message(2)))] == ["2"]
        again_writer.close()
        await peer.close()

    asyncio.run(scenario())


def test_a_malformed_message_is_notified_and_the_connection_ends() -> None:
    async def scenario() -> None:
        peer = StationPeer("AOI", lambda: NOW)
        await peer.start()
        reader, writer = await connect(peer)
        writer.write(body(b"<Broken>"))
        (notification,) = elements(await asyncio.wait_for(reader.read(), 10))
        assert notification.get("NotificationCode") == "1"
        writer.close()
        await peer.close()

    asyncio.run(scenario())


def test_silence_is_broken_by_a_sign_of_life() -> None:
    async def scenario() -> None:
        peer = StationPeer("OVEN", lambda: NOW, keep_alive=0.01)
        await peer.start()
        reader, writer = await connect(peer)
        (sign,) = elements(await read_until(reader, b"</Hermes>"))
        assert (sign.tag, dict(sign.attrib)) == ("CheckAlive", {})
        writer.close()
        await peer.close()

    asyncio.run(scenario())

"""The supervisor on real sockets: handshake, signs of life, what it records, and what it never sends."""

import asyncio
import base64
import contextlib
import errno
import socket
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, get_args

import pytest
from fakes import MemorySourceWriter
from transfer_machine import ANSWERING, TRACKING, Machine, until
from transfer_plant import machine, supervisor

from broker_bridge.adapters.base import Request
from broker_bridge.adapters.transfer.adapter import SupervisorAdapter, session, watch
from broker_bridge.adapters.transfer.adapter.session import SENT, Session
from broker_bridge.adapters.transfer.protocol import Message
from broker_bridge.config import TransferAdapter
from broker_bridge.errors import ConfigError, LocalProtocolError

QUICK = {"keep_alive_s": 0.05, "answer_s": 1.0, "reconnect_first_s": 0.005, "reconnect_longest_s": 0.05}


class Scene(SimpleNamespace):
    """A machine, its supervisor and what is kept of it."""

    peer: Machine
    writer: MemorySourceWriter
    config: TransferAdapter

    def data(self, type_name: str = "") -> list[Any]:
        """What is kept, in order; of one type."""
        return [
            statement.data
            for taking in self.writer.takings
            for statement in taking.statements
            if type_name in ("", statement.data.TYPE)
        ]

    def counted(self, name: str) -> int:
        return self.writer.counters.get(name, 0)

    async def kept(self, type_name: str, number: int = 1) -> list[Any]:
        """Wait until so many of a type are kept."""
        await until(lambda: len(self.data(type_name)) >= number)
        return self.data(type_name)


def detail(writer: MemorySourceWriter) -> str:
    """What was last reported of the machines."""
    return writer.reports[-1][1] if writer.reports else ""


@contextlib.asynccontextmanager
async def running(
    config: TransferAdapter, writer: MemorySourceWriter, adapter: SupervisorAdapter | None = None
) -> AsyncIterator[None]:
    """A supervisor at work."""
    task = asyncio.create_task((adapter or SupervisorAdapter(config)).run(writer))
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@contextlib.asynccontextmanager
async def listening(**settings: Any) -> AsyncIterator[Machine]:
    """A machine that may be connected to."""
    peer = Machine(**settings)
    await peer.start()
    try:
        yield peer
    finally:
        await peer.stop()


@contextlib.asynccontextmanager
async def scene(
    features: tuple[str, ...] = (TRACKING, ANSWERING),
    writer: MemorySourceWriter | None = None,
    **settings: Any,
) -> AsyncIterator[Scene]:
    writer = writer or MemorySourceWriter()
    async with listening(features=features) as peer:
        config = supervisor(machine(port=peer.port), **{**QUICK, "zone": "UTC", **settings})
        async with running(config, writer):
            here = Scene(peer=peer, writer=writer, config=config)
            await until(lambda: here.counted("source_connected"))
            yield here


def test_it_announces_board_tracking_and_states_that_it_is_connected():
    async def play() -> None:
        async with scene(system_id="line-1 recorder") as here:
            (first,) = here.data()
            assert (first.TYPE, first.peer, first.station) == ("source.connected", "PLACER-1", "place-1")
            description = here.peer.heard[0]
            assert description.tag == "SupervisoryServiceDescription"
            assert (description.get("SystemId"), description.get("Version")) == ("line-1 recorder", "1.6")
            features = [feature.tag for feature in description.find("SupportedFeatures") or ()]
            assert features == ["FeatureCheckAliveResponse", "FeatureBoardTracking"]
            assert here.writer.condition == "reading"

    asyncio.run(play())


def test_arrivals_and_departures_of_two_lanes_are_kept_in_order_under_the_connections_number():
    async def play() -> None:
        async with scene() as here:
            here.peer.board(lane=1)
            here.peer.board(lane=2)
            here.peer.board(arrived=False, lane=2)
            await here.kept("board.departed")
            boards = [one for one in here.data() if one.TYPE.startswith("board.")]
            assert [(one.TYPE, one.lane) for one in boards] == [
                ("board.arrived", 1),
                ("board.arrived", 2),
                ("board.departed", 2),
            ]
            ids = [(taking.generation, taking.position) for taking in here.writer.takings]
            (generation,) = {generation for generation, _ in ids}
            assert generation.startswith("1-")
            positions = [position for _, position in ids]
            assert positions == sorted(set(positions))
            assert here.writer.takings[-1].rawname == f"127.0.0.1:{here.peer.port}"

    asyncio.run(play())


def test_magazines_and_boards_of_a_panel():
    async def play() -> None:
        async with scene(positions="plant") as here:
            inside = '<SubBoards><SB Pos="1" Bc="S-1" St="1"/><SB Pos="2" St="4"/></SubBoards>'
            here.peer.board(more='TopBarcode="PNL1" MagazineId="MAG-7" SlotId="12"', inside=inside)
            (arrived,) = await here.kept("board.arrived")
            assert (arrived.magazine, arrived.slot) == ("MAG-7", "12")
            panel, first, second = arrived.boards
            assert (panel.unit, first.position, second.state) == ("panel", 1, "skipped")

    asyncio.run(play())


def test_a_large_message_is_archived_before_it_is_taken():
    async def play() -> None:
        async with scene() as here:
            here.peer.board(inside="<SubBoards>" + '<SB Pos="1" Bc="S-1" St="1"/>' * 200 + "</SubBoards>")
            (arrived,) = await here.kept("board.arrived")
            raw = arrived.origin.raw
            assert raw.inline is None
            assert len(here.writer.raw[raw.archived]) == raw.size

    asyncio.run(play())


def test_a_ping_is_answered_with_its_id_and_a_plain_sign_of_life_is_not():
    async def play() -> None:
        async with scene(keep_alive_s=60) as here:
            here.peer.say("<CheckAlive/>", '<CheckAlive Type="1" Id="77"/>')
            await until(lambda: "CheckAlive" in here.peer.names())
            here.peer.board()
            await here.kept("board.arrived")
            answers = [one.attrib for one in here.peer.heard if one.tag == "CheckAlive"]
            assert answers == [{"Type": "2", "Id": "77"}]

    asyncio.run(play())


def test_it_shows_signs_of_life_that_fit_the_machine():
    async def signs(features: tuple[str, ...]) -> set[str | None]:
        async with scene(features) as here:
            await until(lambda: here.peer.names().count("CheckAlive") >= 3)
            return {one.get("Type") for one in here.peer.heard if one.tag == "CheckAlive"}

    assert asyncio.run(signs((TRACKING, ANSWERING))) == {"1"}
    assert asyncio.run(signs((TRACKING,))) == {None}


def test_a_connection_that_is_dead_without_a_word_is_noticed_and_its_uncertain_time_is_a_gap(monkeypatch):
    monkeypatch.setattr(session, "_NOTE_EVERY", timedelta(0))

    async def play() -> None:
        async with scene() as here:
            began = here.writer.kept["machine/place-1"]
            await until(lambda: here.writer.kept["machine/place-1"] != began)  # it answered a sign of life
            here.peer.freeze()
            lost = here.peer.board()
            (gone,) = await here.kept("source.disconnected")
            assert "sign of life" in gone.detail
            here.peer.thaw()
            await here.kept("source.connected", 2)
            gap = here.data("source.gap")[-1]
            assert gap.cause == "away"
            assert gap.start <= lost.time <= gap.end

    asyncio.run(play())


def test_silence_alone_counts_only_where_the_plant_says_so():
    async def play() -> None:
        async with scene((TRACKING,), silent_s=0.2, keep_alive_s=60) as here:
            (gone,) = await here.kept("source.disconnected")
            assert "silent for 0.2 s" in gone.detail

    asyncio.run(play())


def test_what_is_heard_moves_on_without_boards(monkeypatch):
    monkeypatch.setattr(session, "_NOTE_EVERY", timedelta(seconds=0.1))

    async def play() -> None:
        async with scene() as here:
            began = here.writer.kept["machine/place-1"]
            taken = len(here.writer.takings)
            await until(lambda: here.writer.kept["machine/place-1"] != began)
            assert len(here.writer.takings) == taken

    asyncio.run(play())


def test_a_machine_that_answers_nothing_proves_little_by_talking(monkeypatch):
    monkeypatch.setattr(session, "_NOTE_EVERY", timedelta(0))
    monkeypatch.setattr(watch, "IN_FLIGHT", timedelta(seconds=0.2))

    async def play() -> None:
        async with scene((TRACKING,)) as here:
            began = here.writer.kept["machine/place-1"]
            await asyncio.wait_for(_talk(here, began), 10)
            at = datetime.now(UTC)
            here.peer.cut()
            await here.kept("source.gap")
            assert here.data("source.gap")[0].start <= at - timedelta(seconds=0.2)

    async def _talk(here: Scene, began: bytes) -> None:
        while here.writer.kept["machine/place-1"] == began:
            here.peer.say("<CheckAlive/>")
            await asyncio.sleep(0.005)

    asyncio.run(play())


def test_broken_bytes_are_kept_the_machine_is_told_and_all_around_them_is_taken():
    async def play() -> None:
        async with scene() as here:
            before, after = here.peer.happen()[1], here.peer.happen()[1]
            broken = b"<Hermes><BoardArrived Lane='1'</Hermes>"
            here.peer.send(here.peer.envelope(before) + broken + here.peer.envelope(after))
            (rejected,) = await here.kept("source.rejected")
            assert base64.b64decode(rejected.origin.raw.inline) == broken
            assert len(await here.kept("board.arrived", 2)) == 2
            await here.kept("source.connected", 2)
            (notice,) = (one for one in here.peer.heard if one.tag == "Notification")
            assert (notice.get("NotificationCode"), notice.get("Severity")) == ("1", "1")
            assert "broke the protocol" in here.data("source.disconnected")[0].detail

    asyncio.run(play())


def test_the_beginning_of_a_message_is_kept_when_the_connection_ends_inside_it():
    async def play() -> None:
        async with scene() as here:
            whole = here.peer.envelope(here.peer.happen()[1])
            here.peer.finish(whole[:100])
            (rejected,) = await here.kept("source.rejected")
            assert base64.b64decode(rejected.origin.raw.inline) == whole[:100]
            await here.kept("source.connected", 2)

    asyncio.run(play())


def test_a_cut_message_and_what_came_before_it_survive_a_broken_connection():
    async def play() -> None:
        async with scene() as here:
            first, second = (here.peer.envelope(here.peer.happen()[1]) for _ in range(2))
            here.peer.send(first + second[:80])
            await here.kept("board.arrived")
            here.peer.cut()
            (rejected,) = await here.kept("source.rejected")
            assert base64.b64decode(rejected.origin.raw.inline) == second[:80]

    asyncio.run(play())


def test_nothing_behind_several_broken_messages_is_lost():
    async def play() -> None:
        async with scene() as here:
            whole = here.peer.envelope(here.peer.happen()[1])
            here.peer.send(b"<Hermes>1</Hermes><Hermes>2</Hermes>" + whole + b"<Hermes>3</Hermes>")
            rejected = await here.kept("source.rejected", 3)
            assert [base64.b64decode(one.origin.raw.inline)[8:9] for one in rejected] == [b"1", b"2", b"3"]
            assert len(here.data("board.arrived")) == 1

    asyncio.run(play())


def test_the_beginning_of_a_message_is_kept_when_a_dead_connection_is_given_up():
    async def play() -> None:
        async with scene() as here:
            whole = here.peer.envelope(here.peer.happen()[1])
            here.peer.send(whole[:80])
            here.peer.freeze()
            (rejected,) = await here.kept("source.rejected")
            assert base64.b64decode(rejected.origin.raw.inline) == whole[:80]

    asyncio.run(play())


def test_a_connection_that_the_system_gives_up_is_no_time_out_of_ours():
    async def play() -> None:
        reader = asyncio.StreamReader()
        reader.set_exception(TimeoutError(errno.ETIMEDOUT, "Connection timed out"))
        one = Session(SimpleNamespace(config=supervisor(), machine=machine()))  # type: ignore[arg-type]
        with pytest.raises(TimeoutError, match="Connection timed out"):
            await one._listen(reader)

    asyncio.run(play())


def test_a_gap_is_stated_in_full_though_the_disk_was_away_when_it_began_and_ended():
    async def play() -> None:
        async with scene() as here:
            here.writer.broken = 1
            here.peer.cut()
            await here.kept("source.disconnected")
            here.writer.broken = 1
            await here.kept("source.connected", 2)
            gaps = [
                taking for taking in here.writer.takings if taking.statements[0].data.TYPE == "source.gap"
            ]
            assert [taking.revision for taking in gaps] == [1, 2]
            assert len({(taking.generation, taking.position) for taking in gaps}) == 1

    asyncio.run(play())


def test_a_departure_first_after_a_gap_invents_no_arrival():
    async def play() -> None:
        async with scene() as here:
            here.peer.cut()
            await here.kept("source.connected", 2)
            await until(lambda: here.peer.supervisors)
            here.peer.board(arrived=False)
            await here.kept("board.departed")
            assert here.data("board.arrived") == []

    asyncio.run(play())


def test_a_restart_states_the_time_in_between():
    async def play() -> None:
        writer = MemorySourceWriter()
        async with listening() as peer:
            config = supervisor(machine(port=peer.port), **QUICK)
            here = Scene(peer=peer, writer=writer)
            async with running(config, writer):
                await until(lambda: peer.supervisors)
                peer.board()
                await here.kept("board.arrived")
            await until(lambda: not peer.supervisors)
            lost = peer.board()
            async with running(config, writer):
                await here.kept("source.connected", 2)
            opened, closed = here.data("source.gap")
            assert (opened.end, opened.start) == (None, closed.start)
            assert closed.start <= lost.time <= closed.end
            generations = [taking.generation for taking in writer.takings]
            assert len(set(generations)) == 3  # before, the time away, and after

    asyncio.run(play())


def test_a_machine_that_cannot_be_reached_is_tried_for_ever_and_reported():
    async def play() -> None:
        writer = MemorySourceWriter()
        with socket.socket() as bound:
            bound.bind(("127.0.0.1", 0))  # nobody listens there
            port = bound.getsockname()[1]
            stack = contextlib.AsyncExitStack()
            await stack.enter_async_context(running(supervisor(machine(port=port), **QUICK), writer))
            await until(lambda: "cannot be reached" in detail(writer))
            assert (writer.condition, writer.takings) == ("away", [])
        async with stack, listening(port=port):
            await until(lambda: writer.condition == "reading")

    asyncio.run(play())


def test_a_host_name_that_cannot_be_one_is_reported_and_harms_no_other_machine():
    async def play() -> None:
        writer = MemorySourceWriter()
        nowhere = machine("place-2").model_copy(update={"host": "a" * 70 + ".invalid"})
        async with (
            listening() as peer,
            running(supervisor(machine(port=peer.port), nowhere, **QUICK), writer),
        ):
            await until(
                lambda: "cannot be reached" in detail(writer) and "place-1: connected" in detail(writer)
            )
            assert writer.condition == "away"
            assert detail(writer).startswith("place-2: away since")

    asyncio.run(play())


def test_a_machine_that_does_not_describe_itself_is_left_again():
    async def play() -> None:
        writer = MemorySourceWriter()
        async with listening() as peer:
            peer.freeze()
            async with running(supervisor(machine(port=peer.port), **QUICK), writer):
                await until(lambda: "did not describe itself" in detail(writer))
                peer.thaw()
                await until(lambda: writer.condition == "reading")

    asyncio.run(play())


def test_a_full_outbox_loses_messages_in_a_gap_and_says_so():
    async def play() -> None:
        async with scene() as here:
            here.writer.ceiling = 0
            lost = here.peer.board()
            (gap,) = await here.kept("source.gap")
            assert (gap.cause, gap.end) == ("outbox_full", None)
            assert here.writer.condition == "waiting"
            assert here.counted("messages_lost") == 1
            here.writer.ceiling = None
            here.peer.board()
            await here.kept("board.arrived")
            closed = here.data("source.gap")[-1]
            assert closed.start <= lost.time <= closed.end
            await until(lambda: here.writer.condition == "reading")

    asyncio.run(play())


def test_an_outbox_that_cannot_be_written_loses_nothing_that_has_room_to_wait():
    async def play() -> None:
        async with scene() as here:
            here.writer.broken = 2
            for _ in range(20):
                here.peer.board()
            await here.kept("board.arrived", 20)
            assert here.data("source.gap") == []
            assert any("cannot be written" in detail for _, detail in here.writer.reports)

    asyncio.run(play())


def test_messages_that_found_no_place_are_counted_and_reported():
    async def play() -> None:
        async with listening() as peer:
            writer = MemorySourceWriter()
            config = supervisor(machine(port=peer.port), **QUICK)
            here = Scene(peer=peer, writer=writer)
            adapter = SupervisorAdapter(config, max_waiting_bytes=10_000)
            async with running(config, writer, adapter):
                await until(lambda: here.counted("source_connected"))
                writer.broken = 1
                peer.say(*[peer.happen()[1] for _ in range(20)])
                await until(lambda: here.counted("messages_lost"))
                assert writer.condition == "waiting"
                await until(lambda: here.counted("board_arrived") + here.counted("messages_lost") == 20)
                await until(lambda: writer.condition == "reading")
                assert any("too slowly" in text for _, text in writer.reports)

    asyncio.run(play())


def test_requests_are_answered_that_nothing_can_be_said_twice():
    async def play() -> None:
        writer = MemorySourceWriter()
        writer.waiting.append(Request(7, "retry", {}))
        async with scene(writer=writer):
            await until(lambda: 7 in writer.answers)
            assert writer.answers[7].startswith("refused: retry is not possible")

    asyncio.run(play())


def test_configuration_and_capabilities_are_read_only_when_asked_for():
    features = (TRACKING, ANSWERING, "FeatureConfiguration")

    async def asked(**settings: Any) -> set[str]:
        async with scene(features, **settings) as here:
            await until(lambda: here.peer.names().count("CheckAlive") >= 2)
            here.peer.say(
                '<CurrentConfiguration MachineId="PLACER-1"><UpstreamConfigurations><UpstreamConfiguration'
                ' UpstreamLaneId="1" HostAddress="10.0.0.7" Port="50101"/></UpstreamConfigurations>'
                '<DownstreamConfigurations><DownstreamConfiguration DownstreamLaneId="2" Port="50102"/>'
                "</DownstreamConfigurations></CurrentConfiguration>"
            )
            await until(lambda: "upstream of lane 1 at 10.0.0.7:50101" in detail(here.writer))
            assert "downstream of lane 2 at port 50102" in detail(here.writer)
            return set(here.peer.names())

    basis = {"SupervisoryServiceDescription", "CheckAlive"}
    assert asyncio.run(asked()) == basis
    both = asyncio.run(asked(read=("configuration", "capabilities")))
    assert both == basis | {"GetConfiguration", "QueryHermesCapabilities"}


def test_a_configuration_is_not_asked_of_a_machine_that_does_not_offer_it():
    async def play() -> None:
        async with scene(read=("configuration",)) as here:
            await until(lambda: here.peer.names().count("CheckAlive") >= 2)
            assert "GetConfiguration" not in here.peer.names()

    asyncio.run(play())


@pytest.mark.parametrize(
    "kind", [kind for kind in get_args(Message) if kind not in SENT], ids=lambda kind: kind.__name__
)
def test_nothing_else_can_be_sent(kind):
    """SetConfiguration, SendWorkOrderInfo, Command and whatever else would change what a machine does."""
    with pytest.raises(LocalProtocolError, match="not ours to send"):
        Session(SimpleNamespace(config=supervisor(), machine=machine()))._send(object.__new__(kind))  # type: ignore[arg-type]


def test_the_messages_that_can_be_sent_change_nothing():
    assert {kind.__name__ for kind in SENT} == {
        "SupervisoryServiceDescription",
        "CheckAlive",
        "Notification",
        "GetConfiguration",
        "QueryHermesCapabilities",
    }


def test_a_clock_that_is_wrong_is_reported_once_and_the_bridges_stands_in():
    async def play() -> None:
        async with scene(zone="Pacific/Auckland") as here:
            happened = here.peer.board()
            (arrived,) = await here.kept("board.arrived")
            assert "clock_suspect" in arrived.origin.flags
            (taking,) = [one for one in here.writer.takings if one.statements[0].data is arrived]
            assert abs(taking.statements[0].time - happened.time) < timedelta(seconds=5)
            await until(lambda: "its clock is more than 5 s off" in detail(here.writer))

    asyncio.run(play())


def test_a_machine_without_board_tracking_is_pointed_out():
    async def play() -> None:
        async with scene((ANSWERING,)) as here:
            assert "does not announce board tracking" in here.data("source.connected")[0].detail
            assert "does not announce board tracking" in detail(here.writer)

    asyncio.run(play())


@pytest.mark.parametrize(
    "settings",
    [
        {"version": "1.1"},
        {"version": "1.2", "announce": ("FeatureSendHermesCapabilities",)},
        {"system_id": "a\x01b"},
    ],
)
def test_what_the_standard_does_not_let_us_say_is_refused_at_the_start(settings):
    with pytest.raises(ConfigError, match="correct system_id, version or announce"):
        SupervisorAdapter(supervisor(**settings))

"""A machine's question answered, on real sockets at both ends: off unless switched on, in time, and each answer kept."""

import asyncio
import base64
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from fakes import MemorySourceWriter
from hypothesis import given
from hypothesis import strategies as st
from transfer_machine import Machine, until
from transfer_plant import machine, supervisor

from broker_bridge.adapters.transfer.adapter import SupervisorAdapter
from broker_bridge.adapters.transfer.mapping.reply import Reply, reply_of
from broker_bridge.errors import ConfigError

QUICK = {
    "keep_alive_s": 0.05,
    "answer_s": 1.0,
    "reconnect_first_s": 0.005,
    "reconnect_longest_s": 0.05,
    "zone": "UTC",
}
GOOD = {
    "word": "good", "reasons": [], "order": "WO-7", "part": "HW-1", "caution": "none",
    "as_of": {"record": "harbour-works", "incarnation": 1, "commit": 6, "number": 60},
}  # fmt: skip
ASK = '<QueryWorkOrderInfo QueryId="{0}" MachineId="PLACER-1" Barcode="{1}"/>'


class Desk:
    """A service that answers as it is told; a real HTTP/1.1 server on a socket."""

    def __init__(self) -> None:
        self.status, self.document, self.delay = 200, json.dumps(GOOD), 0.0
        self.requests: list[tuple[str, dict[str, str]]] = []
        self.port = 0
        self._serving: dict[asyncio.StreamWriter, asyncio.Task[Any] | None] = {}

    async def stop(self) -> None:
        for task in self._serving.values():
            assert task is not None
            task.cancel()
        await until(lambda: not self._serving)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._serving[writer] = asyncio.current_task()
        try:
            await self._serve(reader, writer)
        finally:
            writer.transport.abort()
            del self._serving[writer]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
            lines = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
            headers = dict(line.lower().split(": ", 1) for line in lines[1:] if line)
            self.requests.append((lines[0], headers))
            await asyncio.sleep(self.delay)
            body = self.document.encode()
            writer.write(
                b"HTTP/1.1 %d X\r\nContent-Length: %d\r\nConnection: close\r\n\r\n" % (self.status, len(body))
                + body
            )
            await writer.drain()
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


class Scene:
    """A machine that asks, a service that knows, and what is kept."""

    def __init__(self, peer: Machine, writer: MemorySourceWriter, desk: Desk) -> None:
        self.peer, self.writer, self.desk = peer, writer, desk

    def told(self, type_name: str) -> list[Any]:
        return [
            s.data for taking in self.writer.takings for s in taking.statements if type_name == s.data.TYPE
        ]

    def answers(self) -> list[ElementTree.Element]:
        return [element for element in self.peer.heard if element.tag == "SendWorkOrderInfo"]

    async def ask(self, barcode: str = "HW-000123", query: str = "7") -> ElementTree.Element:
        before = len(self.answers())
        self.peer.say(ASK.format(query, barcode))
        await until(lambda: len(self.answers()) > before)
        await until(lambda: len(self.told("source.answered")) > before)
        return self.answers()[-1]


@contextlib.asynccontextmanager
async def scene(
    by: str | None = "qe-02", writer: MemorySourceWriter | None = None, **settings: Any
) -> AsyncIterator[Scene]:
    writer, desk, peer = writer or MemorySourceWriter(), Desk(), Machine()
    await peer.start()
    server = await asyncio.start_server(desk.serve, "127.0.0.1", 0)
    desk.port = server.sockets[0].getsockname()[1]
    config = supervisor(
        machine(port=peer.port, answered_by_order_of=by),
        **{"answer_url": f"http://127.0.0.1:{desk.port}"} | QUICK | settings,
    )
    task = asyncio.create_task(SupervisorAdapter(config).run(writer))
    try:
        await until(lambda: writer.counters.get("source_connected"))
        yield Scene(peer, writer, desk)
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await peer.stop()
        await desk.stop()
        server.close()
        await server.wait_closed()


def play(act: Callable[[Scene], Any], **settings: Any) -> None:
    async def run() -> None:
        async with scene(**settings) as here:
            await act(here)

    asyncio.run(run())


def features(here: Scene) -> set[str]:
    return {feature.tag for feature in here.peer.heard[0].find("SupportedFeatures") or ()}


def test_what_the_record_knows_is_said_and_kept() -> None:
    async def act(here: Scene) -> None:
        assert {"FeatureQueryWorkOrderInfo", "FeatureSendWorkOrderInfo"} <= features(here)
        said = await here.ask()
        assert said.attrib == {
            "QueryId": "7",
            "WorkOrderId": "WO-7",
            "ProductTypeId": "HW-1",
            "FailedBoard": "1",
        }
        (kept,) = here.told("source.answered")
        assert (kept.barcode, kept.query, kept.allowed_by) == ("HW-000123", "7", "qe-02")
        assert (kept.answer.word, kept.answer.order, kept.record, kept.commit) == (
            "good",
            "WO-7",
            "harbour-works",
            6,
        )
        assert kept.station == "place-1"
        assert not kept.boards, "an answer is no evidence about a board"
        assert b"SendWorkOrderInfo" in base64.b64decode(kept.origin.raw.inline)
        assert [d.order for d in here.told("board.identified")] == [None], "what was asked is told as before"

    play(act)


def test_nobody_is_answered_unless_somebody_switched_it_on() -> None:
    async def act(here: Scene) -> None:
        assert not {"FeatureQueryWorkOrderInfo", "FeatureSendWorkOrderInfo"} & features(here)
        here.peer.say(ASK.format("7", "HW-000123"))
        await until(lambda: here.told("board.identified"))
        await until(lambda: here.peer.names().count("CheckAlive") >= 3)
        assert not here.answers()
        assert not here.desk.requests

    play(act, by=None)


@pytest.mark.parametrize(("word", "code"), [("good", "1"), ("failed", "2"), ("unknown", "0")])
def test_each_word_is_its_code(word: str, code: str) -> None:
    """FailedBoard: 0 unknown, 1 good, 2 failed (IPC-HERMES-9852, as the fact sheet of this adapter has it)."""

    async def act(here: Scene) -> None:
        here.desk.document = json.dumps(GOOD | {"word": word, "reasons": ["on hold H-1"]})
        assert (await here.ask()).get("FailedBoard") == code
        assert here.told("source.answered")[-1].why == "on hold H-1"

    play(act)


@pytest.mark.parametrize(
    ("status", "document", "why"),
    [
        (404, '{"detail": "identifier is not in the record"}', "not in the record"),
        (409, '{"detail": "it names several things"}', "several things"),
        (401, '{"detail": "a token is needed"}', "status 401"),
        (500, '{"detail": "damaged"}', "status 500"),
        (200, '{"word": "splendid"}', "the answer is none"),
        (200, '{"word": "good"}', "the answer is none"),
        (200, "<html>", "did not answer"),
        (200, "[]", "the answer is none"),
        (200, '"' + "x" * 300_000 + '"', "larger than"),
    ],
)
def test_what_is_no_answer_is_not_found(status: int, document: str, why: str) -> None:
    async def act(here: Scene) -> None:
        here.desk.status, here.desk.document = status, document
        assert (await here.ask()).attrib == {"QueryId": "7"}
        (kept,) = here.told("source.answered")
        assert kept.answer is None
        assert why in kept.why

    play(act)


def test_a_slow_service_is_not_waited_for() -> None:
    async def act(here: Scene) -> None:
        here.desk.delay = 5.0
        begun = asyncio.get_running_loop().time()
        assert (await here.ask()).attrib == {"QueryId": "7"}
        assert asyncio.get_running_loop().time() - begun < 2.0
        assert here.told("source.answered")[0].why == "no answer within 200 ms"

    play(act, answer_within_ms=200)


def test_without_a_service_the_answer_is_not_found() -> None:
    async def act(here: Scene) -> None:
        assert (await here.ask()).attrib == {"QueryId": "7"}
        assert "did not answer" in here.told("source.answered")[0].why

    play(act, answer_url="http://127.0.0.1:9")


def test_a_question_about_nothing_or_of_another_machine_asks_nobody() -> None:
    async def act(here: Scene) -> None:
        here.peer.say('<QueryWorkOrderInfo QueryId="1" MachineId="PLACER-1"/>')
        await until(lambda: len(here.answers()) == 1)
        await until(lambda: here.told("source.answered"))
        assert here.told("source.answered")[0].why == "it asks about no barcode"
        assert not here.desk.requests

    play(act)


def test_many_questions_at_once_are_all_answered_and_few_are_looked_up() -> None:
    async def act(here: Scene) -> None:
        here.desk.delay = 0.2
        here.peer.say(*(ASK.format(str(number), f"HW-{number}00{number}1") for number in range(12)))
        await until(lambda: len(here.answers()) == 12)
        assert sorted(int(one.get("QueryId", "")) for one in here.answers()) == list(range(12))
        assert len(here.desk.requests) == 4
        await until(lambda: len(here.told("source.answered")) == 12)

    play(act)


def test_where_an_answer_cannot_be_kept_no_word_is_said() -> None:
    async def run() -> None:
        async with scene(writer=MemorySourceWriter()) as here:
            adapter_full = here.writer
            adapter_full.ceiling = 0
            here.peer.say(ASK.format("7", "HW-000123"))
            await until(lambda: here.answers())
            await until(lambda: here.told("source.gap"))

    asyncio.run(run())


def test_the_barcode_and_the_token_travel_as_they_must(tmp_path: Path) -> None:
    token = tmp_path / "token"
    token.write_text("bb_secret\n", encoding="utf-8")
    token.chmod(0o600)

    async def act(here: Scene) -> None:
        await here.ask("a/b&amp;id=x?#%20\u00e9")
        line, headers = here.desk.requests[0]
        assert line == "GET /api/v1/board/word?id=a%2Fb%26id%3Dx%3F%23%2520%C3%A9 HTTP/1.1"
        assert headers["authorization"] == "bearer bb_secret"

    play(act, answer_token_file=token)


def test_a_token_that_everybody_may_read_is_refused(tmp_path: Path) -> None:
    token = tmp_path / "token"
    token.write_text("bb_secret\n", encoding="utf-8")
    token.chmod(0o644)
    config = supervisor(
        machine(answered_by_order_of="qe-02"), answer_url="http://127.0.0.1:8080", answer_token_file=token
    )
    with pytest.raises(ConfigError, match="chmod 600"):
        SupervisorAdapter(config)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({}, "needs answer_url"),
        ({"answer_url": "http://10.0.0.7:8080"}, "unencrypted"),
        ({"answer_url": "https://plant:8080/api"}, "has a path"),
        ({"answer_url": "https://plant", "answer_within_ms": 10}, "answer_within_ms"),
    ],
)
def test_a_configuration_that_cannot_work_is_refused(settings: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        supervisor(machine(answered_by_order_of="qe-02"), **settings)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from([*GOOD, "record", "commit"]), inner, max_size=6)
        ),
        max_leaves=8,
    )
)
def test_any_document_is_an_answer_or_a_value_error(document: Any) -> None:
    try:
        reply = reply_of(document)
    except ValueError:
        return
    assert isinstance(reply, Reply)
    assert reply.word in ("good", "failed", "unknown")

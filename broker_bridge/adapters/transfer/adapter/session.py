"""One connection to one machine, from the handshake to its end.

It only listens: what it may send stands in `SENT`, and nothing there changes what a machine does. The one exception is
`ANSWER`, to a machine whose questions somebody switched on to be answered, and only to a question.
"""

import asyncio
import contextlib
import logging
import socket
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import count
from typing import Final

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.transfer.adapter.answers import described, read_out
from broker_bridge.adapters.transfer.adapter.asking import Service
from broker_bridge.adapters.transfer.adapter.keeper import Keeper
from broker_bridge.adapters.transfer.adapter.ledger import Connected, Disconnected, Heard, Told
from broker_bridge.adapters.transfer.adapter.roster import Roster
from broker_bridge.adapters.transfer.adapter.watch import Watch
from broker_bridge.adapters.transfer.mapping import Mapper
from broker_bridge.adapters.transfer.mapping.reply import Reply, answer_to
from broker_bridge.adapters.transfer.protocol import (
    CheckAlive,
    CurrentConfiguration,
    Feature,
    GetConfiguration,
    Message,
    Notification,
    NotificationCode,
    Pending,
    QueryHermesCapabilities,
    QueryWorkOrderInfo,
    Received,
    Role,
    SendHermesCapabilities,
    SendWorkOrderInfo,
    Severity,
    SupervisoryServiceDescription,
    VerticalConnection,
)
from broker_bridge.config import TransferAdapter, TransferMachine
from broker_bridge.errors import LocalProtocolError, RemoteProtocolError, SourceUnavailable
from broker_bridge.events.source import SourceRejected

log = logging.getLogger(__name__)

SENT: Final = (
    SupervisoryServiceDescription,
    CheckAlive,
    Notification,
    GetConfiguration,
    QueryHermesCapabilities,
)
"""All that a machine gets from us unasked."""

ANSWER: Final = SendWorkOrderInfo
"""What a machine gets for a question of its own, where that is switched on."""

_QUESTIONS_AT_ONCE: Final = 4
"""Of one machine; more get not-found at once."""

_NOTE_EVERY: Final = timedelta(seconds=5)
_READ_BYTES: Final = 65_536
_MAX_UNSENT: Final = 65_536
_CLOSE_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the sessions of one machine share."""

    config: TransferAdapter
    machine: TransferMachine
    mapper: Mapper
    keeper: Keeper
    roster: Roster
    tally: Callable[..., None]
    clock: Callable[[], datetime]
    service: Service | None = None
    """Who knows the answers; None: this machine's questions are not answered."""


class Session:
    """Make one for each attempt to connect; `run` is its whole life."""

    def __init__(self, around: Surroundings) -> None:
        self._around = around
        self._config = around.config
        self._station = around.machine.station
        self._name = f"{around.machine.host}:{around.machine.port}"
        self._core = VerticalConnection(Role.SUPERVISOR)
        self._watch = Watch(around.config, 0.0)
        self._positions = count(1)
        self._generation = ""
        self._stream: asyncio.StreamWriter | None = None
        self._noted: datetime | None = None
        self._lost: int | None = None
        self._answering: set[asyncio.Task[None]] = set()

    async def run(self) -> str:
        """Connect and listen until the connection ends; returns why it did."""
        try:
            reader, stream = await self._connect()
        except SourceUnavailable as error:
            return str(error)
        self._stream = stream
        self._generation = self._around.keeper.generation(self._around.clock())
        self._watch = Watch(self._config, _monotonic())
        try:
            self._send(description(self._config, self._around.machine))
            await self._listen(reader)
        except RemoteProtocolError as error:
            reason = f"it broke the protocol: {error}"
            self._refuse(str(error))
        except SourceUnavailable as error:
            reason = str(error)
        except OSError as error:
            reason = f"the connection broke: {error.strerror or error}"
        finally:
            for task in self._answering:
                task.cancel()
            self._take_rest()
            await _close(stream)
        if self._watch.proven is not None:
            await self._gone(reason)
        return reason

    # -- the socket ---------------------------------------------------------------------------------------

    async def _connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        machine, limit = self._around.machine, self._config.answer_s
        try:
            async with asyncio.timeout(limit):
                reader, stream = await asyncio.open_connection(machine.host, machine.port)
        except TimeoutError:
            raise SourceUnavailable(f"{self._name} does not answer within {limit:g} s") from None
        except (OSError, UnicodeError) as error:
            raise SourceUnavailable(f"{self._name} cannot be reached: {error}") from error
        _guard(stream.get_extra_info("socket"), limit)
        return reader, stream

    async def _listen(self, reader: asyncio.StreamReader) -> None:
        while True:
            data: bytes | None = None
            try:
                async with asyncio.timeout_at(self._watch.due_at):
                    data = await reader.read(_READ_BYTES)
            except TimeoutError as error:
                if error.errno is not None:  # not ours: the system gave the connection up
                    raise
            if data is not None:
                self._watch.heard(_monotonic())
                self._core.receive_data(data)
                self._take_messages()
                if not data:
                    raise SourceUnavailable("it closed the connection")
            if check := self._watch.check(_monotonic()):
                self._send(check)

    def _send(self, message: Message) -> None:
        if not isinstance(message, SENT):
            raise LocalProtocolError(
                f"{type(message).__name__} is not ours to send: this adapter only listens"
            )
        self._write(message)

    def _write(self, message: Message, kept: Callable[[bytes], bool] | None = None) -> bool:
        """Send it, if it could be kept."""
        if self._stream is None:  # what is read now was left over when the connection ended
            return False
        if self._stream.transport.get_write_buffer_size() > _MAX_UNSENT:
            raise SourceUnavailable("it does not take what we send")
        raw = self._core.send(message, self._around.clock().astimezone())
        if kept is not None and not kept(raw):
            return False
        self._stream.write(raw)
        return True

    def _refuse(self, why: str) -> None:
        notice = Notification(
            notification_code=NotificationCode.PROTOCOL_ERROR,
            severity=Severity.FATAL,
            description=_plain(why),
        )
        if self._core.may_send(Notification):
            with contextlib.suppress(SourceUnavailable):
                self._send(notice)

    # -- messages -----------------------------------------------------------------------------------------

    def _take_messages(self) -> None:
        """Take all that is there, also behind something broken, and raise the first RemoteProtocolError then."""
        broken: RemoteProtocolError | None = None
        while True:
            try:
                received = self._core.next_message()
            except RemoteProtocolError as error:
                now = self._around.clock()
                self._tell((self._around.mapper.broken(error, now),), error.raw, now)
                broken = broken or error
                continue
            if isinstance(received, Pending):
                break
            self._take(received, self._around.clock())
        if broken is not None:
            raise broken

    def _take_rest(self) -> None:
        """What lies here when the connection ends, the beginning of a message perhaps."""
        self._stream = None
        self._core.receive_data(b"")
        with contextlib.suppress(RemoteProtocolError):
            self._take_messages()

    def _take(self, received: Received, now: datetime) -> None:
        message = received.message
        if isinstance(message, CheckAlive):
            self._alive(message, now)
            return
        if isinstance(message, SupervisoryServiceDescription) and self._watch.proven is None:
            self._described(message, now)
        elif isinstance(message, CurrentConfiguration | SendHermesCapabilities):
            self._around.roster.note(self._station, type(message).__name__, read_out(message))
        self._watch.said(_monotonic(), now)
        statements = self._around.mapper.statements(received, now)
        if statements:
            self._tell(statements, received.raw, now)
            self._note_clock(statements)
        else:
            self._around.tally(messages_without_board=1)
            self._note_heard(now)
        if isinstance(message, QueryWorkOrderInfo) and self._around.service is not None:
            refused = any(isinstance(statement.data, SourceRejected) for statement in statements)
            self._asked(message, now, refused=refused)

    def _asked(self, question: QueryWorkOrderInfo, now: datetime, *, refused: bool) -> None:
        """Answer a question beside the listening."""
        why = ""
        if refused:
            why = "the question could not be used"
        elif not question.barcode:
            why = "it asks about no barcode"
        elif len(self._answering) >= _QUESTIONS_AT_ONCE:
            why = f"{_QUESTIONS_AT_ONCE} of its questions are being answered"
        if why:
            self._answer(question, Reply(why), now)
            return
        task = asyncio.create_task(self._look_up(question, now), name=f"{self._station} answer")
        self._answering.add(task)
        task.add_done_callback(self._answering.discard)

    async def _look_up(self, question: QueryWorkOrderInfo, now: datetime) -> None:
        assert self._around.service is not None
        reply = await self._around.service.ask(question.barcode or "")
        self._answer(question, reply, now)

    def _answer(self, question: QueryWorkOrderInfo, reply: Reply, asked: datetime) -> None:
        """Send the answer and keep that it was sent. Where there is no room to keep it, the machine gets not-found: what
        was said and is nowhere written must at least not have been a word about a board."""
        allowed_by = self._around.machine.answered_by_order_of or ""

        def kept(raw: bytes) -> bool:
            now = self._around.clock()
            told = self._around.mapper.answered(question, reply, raw, now, now - asked, allowed_by)
            return self._tell((told,), raw, now)

        try:
            if not self._write(answer_to(question, reply), kept):
                self._write(answer_to(question, Reply("no room")))
            self._around.tally(questions_answered=1)
        except (SourceUnavailable, LocalProtocolError) as error:
            log.warning("%s: a question was not answered: %s", self._station, error)

    def _tell(self, statements: tuple[Statement, ...], raw: bytes, now: datetime) -> bool:
        position = next(self._positions)
        item = Told(
            station=self._station,
            generation=self._generation,
            position=position,
            at=now,
            lost=self._lost,
            statements=statements,
            raw=raw,
            rawname=self._name,
            heard=self._watch.proven,
        )
        if self._around.keeper.offer(item):
            self._lost = None
            self._noted = self._watch.proven
            return True
        self._lost = position if self._lost is None else self._lost
        self._around.tally(messages_lost=1)
        return False

    def _described(self, message: SupervisoryServiceDescription, now: datetime) -> None:
        answers = Feature.CHECK_ALIVE_RESPONSE in message.supported_features
        self._watch.described(_monotonic(), now, answers=answers)
        self._noted = now
        how = described(message)
        self._around.keeper.put(
            Connected(
                station=self._station,
                generation=self._generation,
                position=next(self._positions),
                at=now,
                lost=self._lost,
                peer=message.system_id[:512],
                detail=how,
            )
        )
        self._lost = None
        self._around.roster.connected(self._station, how, now)
        self._around.tally(connections=1)
        log.info("%s: connected to %s, %s", self._station, self._name, how)
        for question in (GetConfiguration, QueryHermesCapabilities):
            if _QUESTIONS[question] in self._config.read and self._core.may_send(question):
                self._send(question())

    def _alive(self, message: CheckAlive, now: datetime) -> None:
        if not self._watch.answered(message, _monotonic(), now) and (answer := self._core.answer_to(message)):
            self._send(answer)
        self._watch.said(_monotonic(), now)
        self._note_heard(now)

    def _note_heard(self, now: datetime) -> None:
        proven = self._watch.proven
        if proven is None or self._noted is None or abs(proven - self._noted) < _NOTE_EVERY:
            return
        item = Heard(
            station=self._station,
            generation=self._generation,
            position=next(self._positions),
            at=now,
            lost=self._lost,
            heard=proven,
        )
        if self._around.keeper.offer(item):
            self._lost = None
            self._noted = proven

    def _note_clock(self, statements: tuple[Statement, ...]) -> None:
        suspect = any("clock_suspect" in statement.data.origin.flags for statement in statements)
        limit = f"{self._config.clock_tolerance_s:g} s"
        text = (
            f"its clock is more than {limit} off or its messages are late, so ours stands in"
            if suspect
            else ""
        )
        self._around.roster.note(self._station, "clock", text)

    async def _gone(self, reason: str) -> None:
        log.warning("%s: no longer connected to %s: %s", self._station, self._name, reason)
        position = next(self._positions)
        gone = Disconnected(
            station=self._station,
            generation=self._generation,
            position=position,
            at=self._around.clock(),
            lost=self._lost,
            detail=_plain(reason),
        )
        await self._around.keeper.put(gone).wait()


_QUESTIONS: Final[dict[type[Message], str]] = {
    GetConfiguration: "configuration",
    QueryHermesCapabilities: "capabilities",
}


_ANSWERING: Final = frozenset({Feature.QUERY_WORK_ORDER_INFO, Feature.SEND_WORK_ORDER_INFO})
"""Which of the two makes a machine ask is not settled, so both are announced where questions are answered."""


def description(config: TransferAdapter, machine: TransferMachine) -> SupervisoryServiceDescription:
    """What we say about ourselves: that we want to hear of boards, answer signs of life, and what else is switched on."""
    return SupervisoryServiceDescription(
        system_id=config.system_id,
        version=config.version,
        supported_features=frozenset(
            {
                Feature.BOARD_TRACKING,
                Feature.CHECK_ALIVE_RESPONSE,
                *(Feature(name) for name in config.announce),
                *(_ANSWERING if machine.answered_by_order_of else ()),
            }
        ),
    )


def _guard(sock: socket.socket, limit_s: float) -> None:
    """Let the system give up a connection on which nothing is acknowledged, where it can."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, max(1, int(limit_s * 1000)))


async def _close(stream: asyncio.StreamWriter) -> None:
    """Close it, giving a last message a moment to leave."""
    stream.close()
    try:
        async with asyncio.timeout(_CLOSE_S):
            await stream.wait_closed()
    except OSError:  # a time-out is one
        stream.transport.abort()


def _monotonic() -> float:
    return asyncio.get_running_loop().time()


def _plain(text: str) -> str:
    """A text that fits into a message and an event."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:1000]

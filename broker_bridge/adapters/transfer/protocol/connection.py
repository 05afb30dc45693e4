"""One connection of either channel, from either side: bytes in, messages out, messages in, bytes out.

A connection judges both ends by one table (`states`): what we try to send out of order is a
LocalProtocolError, what the peer sends out of order a RemoteProtocolError. One object serves one TCP
connection; after a reconnect everything starts anew with the handshake.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Generic, TypeVar

from broker_bridge.adapters.transfer.protocol.codes import Feature, Role
from broker_bridge.adapters.transfer.protocol.fields import version_of
from broker_bridge.adapters.transfer.protocol.flags import Flag, FlagKind
from broker_bridge.adapters.transfer.protocol.framing import Pending
from broker_bridge.adapters.transfer.protocol.keep_alive import pong_for
from broker_bridge.adapters.transfer.protocol.messages import (
    BoardAvailable,
    CheckAlive,
    Message,
    ServiceDescription,
    SetConfiguration,
    StartTransport,
    StopTransport,
    SupervisoryServiceDescription,
    TransportFinished,
)
from broker_bridge.adapters.transfer.protocol.reader import MessageReader, Received, UnknownMessage
from broker_bridge.adapters.transfer.protocol.states import HORIZONTAL, VERTICAL, Channel, State
from broker_bridge.adapters.transfer.protocol.table import younger_parts
from broker_bridge.adapters.transfer.protocol.writer import write_message
from broker_bridge.errors import LocalProtocolError, RemoteProtocolError

Description = TypeVar("Description", bound=ServiceDescription | SupervisoryServiceDescription)


class Connection(Generic[Description]):
    """What the two channels have in common. Use `HorizontalConnection` or `VerticalConnection`."""

    def __init__(self, channel: Channel, role: Role, description: type[Description]) -> None:
        if role not in channel.parties:
            raise ValueError(
                f"{role} is no party of the {channel.name} channel: {', '.join(channel.parties)}"
            )
        first, second = channel.parties
        self._channel = channel
        self._description = description
        self._reader = MessageReader()
        self.role = role
        self.peer = second if role is first else first
        self.state = State.SOCKET_CONNECTED
        self.own_description: Description | None = None
        self.peer_description: Description | None = None

    @property
    def rest(self) -> bytes:
        """Bytes taken in and not handed out yet: keep them too when closing on an error."""
        return self._reader.rest

    @property
    def junk(self) -> int:
        """Bytes dropped so far that belonged to no message, blanks not counted."""
        return self._reader.junk

    def receive_data(self, data: bytes) -> None:
        """Buffer `data`; b"" says that the peer closed the connection. Nothing is read yet.

        Raises LocalProtocolError, and takes nothing, when data follow the close, or when `next_message`
        was not called until it said NEED_DATA before the next data came.
        """
        self._reader.receive_data(data)

    def next_message(self) -> Received | Pending:
        """Return the peer's next message, NEED_DATA, or CLOSED.

        An `UnknownMessage` is to be ignored; so is, and comes as one, a message of another channel.

        Raises RemoteProtocolError, with the raw bytes, for what cannot be read and for what is out of
        order. The standard then wants Notification 1, severity 1, and the connection closed. Whoever
        only listens may go on instead: the state is as before and the next call takes the next message.
        """
        received = self._reader.next_message()
        if isinstance(received, Received):
            return self._judge(received)
        if received is Pending.CLOSED:
            self.state = State.NOT_CONNECTED
        return received

    def send(self, message: Message, at: datetime) -> bytes:
        """Return the bytes to send, and move on as if they were sent.

        at: the time on our wall clock; the wire has no zone, so an aware time loses its own.

        Raises LocalProtocolError, and changes nothing, when the message is out of order, needs a
        feature the peer did not announce, carries what the Version we announced does not have, or
        breaks the field table.
        """
        name = type(message).__name__
        if refusal := self._refusal(type(message)):
            raise LocalProtocolError(refusal)
        raw = write_message(message, at, self._peers_ids())
        version = self._version(message, self.own_description)
        if younger := _younger(message, version):
            raise LocalProtocolError(f"{', '.join(younger)}: not in the Version we announce, {version}")
        self._check_sending(message)
        self._move(message, self.role, self._channel.legal[self.state, self.role, name])
        return raw

    def may_send(self, message: type[Message]) -> bool:
        """Say whether such a message is in order now, whatever its content."""
        return self._refusal(message) is None

    def answer_to(self, message: Message | UnknownMessage) -> CheckAlive | None:
        """Return the CheckAlive that has to be sent in answer to a received message, if any."""
        if not isinstance(message, CheckAlive) or not _announces(
            self.own_description, Feature.CHECK_ALIVE_RESPONSE
        ):
            return None
        return pong_for(message)

    def _refusal(self, message: type[Message]) -> str | None:
        name = message.__name__
        if (self.state, self.role, name) not in self._channel.legal:
            return f"{name} is not for the {self.role} side to send in state {self.state}"
        feature = self._channel.features.get(name)
        if feature and not _announces(self.peer_description, feature):
            return f"{name} needs {feature}, which the {self.peer} side did not announce"
        return None

    def _judge(self, received: Received) -> Received:
        message = received.message
        if isinstance(message, UnknownMessage):
            return received
        name = type(message).__name__
        if name not in self._channel.messages:
            flag = Flag(FlagKind.MISPLACED, name, f"on the {self._channel.name} channel")
            return replace(received, message=UnknownMessage(name), flags=(*received.flags, flag))
        step = self._channel.step(self.state, self.peer, name)
        if step is None:
            raise RemoteProtocolError(
                f"{name} from the {self.peer} side is out of order in state {self.state}", received.raw
            )
        flags = [*received.flags, *self._check_received(message, received.raw)]
        if step.tolerated:
            flags.append(Flag(FlagKind.TOLERATED, name, self.state))
        feature = self._channel.features.get(name)
        if feature and not _announces(self.own_description, feature):
            flags.append(Flag(FlagKind.UNANNOUNCED, name, feature))
        flags += self._newer(message)
        self._move(message, self.peer, step.state)
        return replace(received, flags=tuple(flags))

    def _newer(self, message: Message) -> list[Flag]:
        version = self._version(message, self.peer_description)
        return [Flag(FlagKind.NEWER, part, version) for part in _younger(message, version)]

    def _version(self, message: Message, description: Description | None) -> str:
        """The Version the sender of the message announced, or announces with it; empty if none yet."""
        if isinstance(message, self._description):
            description = message
        return description.version if description else ""

    def _move(self, message: Message, sender: Role, state: State) -> None:
        if isinstance(message, self._description):
            if sender is self.role:
                self.own_description = message
            else:
                self.peer_description = message
        self.state = state

    # What one channel adds

    def _peers_ids(self) -> frozenset[str]:
        """Board ids the peer made, which we have to repeat as they are."""
        return frozenset()

    def _check_sending(self, message: Message) -> None:
        """Raise LocalProtocolError if the content is out of order."""

    def _check_received(self, message: Message, raw: bytes) -> list[Flag]:
        """Flag what is odd about the content, or raise RemoteProtocolError if it is out of order."""
        return []


def _announces(
    description: ServiceDescription | SupervisoryServiceDescription | None, feature: Feature
) -> bool:
    return description is not None and feature in description.supported_features


def _younger(message: Message, announced: str) -> tuple[str, ...]:
    version = version_of(announced)
    return younger_parts(message, version) if version else ()


class HorizontalConnection(Connection[ServiceDescription]):
    """Between two machines: hands boards on. role: UPSTREAM gives, and is the server; DOWNSTREAM takes.

    `offered` is the BoardId of the last BoardAvailable, `moving` that of the last StartTransport;
    a StopTransport or TransportFinished about any other is out of order (clauses 3.10 to 3.12). A
    StartTransport for another board than the one on offer is flagged: two messages may have crossed.
    """

    def __init__(self, role: Role) -> None:
        super().__init__(HORIZONTAL, role, ServiceDescription)
        self.offered: str | None = None
        self.moving: str | None = None

    def _peers_ids(self) -> frozenset[str]:
        return frozenset(board for board in (self.offered, self.moving) if board)

    def _expected(self, message: Message) -> tuple[str, str | None] | None:
        """The board a message names, and the one it should name; None if it names none."""
        match message:
            case StartTransport():
                return message.board_id, self.offered
            case StopTransport() | TransportFinished():
                return message.board_id, self.moving
        return None

    def _check_sending(self, message: Message) -> None:
        named = self._expected(message)
        # To the letter: peers compare ids as case-sensitive strings.
        if named and named[0] != named[1]:
            raise LocalProtocolError(f"{type(message).__name__} names board {named[0]}, not {named[1]}")

    def _check_received(self, message: Message, raw: bytes) -> list[Flag]:
        named = self._expected(message)
        if named is None or named[0].lower() == (named[1] or "").lower():
            return []
        what = f"{named[0]}, not {named[1]}"
        if isinstance(message, StartTransport):
            return [Flag(FlagKind.OTHER_BOARD, "StartTransport/BoardId", what)]
        raise RemoteProtocolError(f"{type(message).__name__} names board {what}", raw)

    def _move(self, message: Message, sender: Role, state: State) -> None:
        match message:
            case BoardAvailable() if state is not self.state:  # one that is only tolerated offers nothing
                self.offered = message.board_id
            case StartTransport():
                self.moving = message.board_id
        super()._move(message, sender, state)


class VerticalConnection(Connection[SupervisoryServiceDescription]):
    """Between a machine and the plant. role: MACHINE is the server; SUPERVISOR the client.

    may_configure: allow a SUPERVISOR to send SetConfiguration, which changes where a machine looks
        for its neighbours. Off by default, so that no mistake of ours stops a line.
    features: further messages that are only sent to a peer that announced a feature. The standard's
        rule is known for board tracking and configuration; for the rest the plant has to say.
    """

    def __init__(
        self,
        role: Role,
        *,
        may_configure: bool = False,
        features: Mapping[str, Feature] | None = None,
    ) -> None:
        channel = replace(VERTICAL, features={**VERTICAL.features, **(features or {})})
        super().__init__(channel, role, SupervisoryServiceDescription)
        self._may_configure = may_configure

    def _refusal(self, message: type[Message]) -> str | None:
        if message is SetConfiguration and not self._may_configure:
            return "SetConfiguration changes a machine; this connection was not made with may_configure"
        return super()._refusal(message)

"""The two channels of IPC-HERMES-9852 as data: who may send what, and when.

Rules for whoever changes this file:

1. Everything that decides whether a message is in order stands here, except what needs a message's
   content (which board it names; see `connection`).
2. Nothing here knows which side we are on. The same rows judge us and the peer.
3. `legal` rows may be sent and received. `tolerated` rows are never sent, but no error on receipt:
   the two ends change state at different moments, so messages cross.
4. Messages that are in no row of a channel belong to another channel or to nobody: they are ignored.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import product
from typing import Final

from broker_bridge.adapters.transfer.protocol.codes import Feature, Role


class State(StrEnum):
    """Where a connection stands. The horizontal ones bear the standard's names."""

    NOT_CONNECTED = "NotConnected"
    SOCKET_CONNECTED = "SocketConnected"
    # horizontal
    SERVICE_DESCRIPTION_DOWNSTREAM = "ServiceDescriptionDownstream"
    NOT_AVAILABLE_NOT_READY = "NotAvailableNotReady"
    BOARD_AVAILABLE = "BoardAvailable"
    MACHINE_READY = "MachineReady"
    AVAILABLE_AND_READY = "AvailableAndReady"
    TRANSPORTING = "Transporting"
    TRANSPORT_STOPPED = "TransportStopped"
    TRANSPORT_FINISHED = "TransportFinished"
    # vertical
    SUPERVISOR_DESCRIBED = "SupervisorDescribed"
    CONNECTED = "Connected"


Row = tuple[State, Role, str]
"""A state, who sends, and the name of the message."""


@dataclass(frozen=True, slots=True)
class Step:
    """What a message does: the next state, and whether it is only tolerated."""

    state: State
    tolerated: bool = False


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel: its two parties, first speaker first, its rows, and what needs announcing.

    `features`: a message is sent only to a receiver that announced this feature.
    """

    name: str
    parties: tuple[Role, Role]
    legal: Mapping[Row, State]
    tolerated: Mapping[Row, State]
    features: Mapping[str, Feature]

    @property
    def messages(self) -> frozenset[str]:
        """The names of the messages this channel knows."""
        return frozenset(name for rows in (self.legal, self.tolerated) for _, _, name in rows)

    def step(self, state: State, sender: Role, message: str) -> Step | None:
        """Say what the message does in this state, or None if it is out of order."""
        row = (state, sender, message)
        if row in self.legal:
            return Step(self.legal[row])
        if row in self.tolerated:
            return Step(self.tolerated[row], tolerated=True)
        return None


def _unchanged(states: Iterable[State], senders: Iterable[Role], names: Iterable[str]) -> dict[Row, State]:
    return {row: row[0] for row in product(states, senders, names)}


_U, _D = Role.UPSTREAM, Role.DOWNSTREAM
_OPEN = State.SOCKET_CONNECTED
_SD = State.SERVICE_DESCRIPTION_DOWNSTREAM
_NANR = State.NOT_AVAILABLE_NOT_READY
_BA = State.BOARD_AVAILABLE
_MR = State.MACHINE_READY
_AAR = State.AVAILABLE_AND_READY
_TR = State.TRANSPORTING
_TS = State.TRANSPORT_STOPPED
_TF = State.TRANSPORT_FINISHED
_SHAKEN = (_NANR, _BA, _MR, _AAR, _TR, _TS, _TF)
_HORIZONTAL_STATES = (_OPEN, _SD, *_SHAKEN)

HORIZONTAL: Final = Channel(
    name="horizontal",
    parties=(_D, _U),
    legal={
        (_OPEN, _D, "ServiceDescription"): _SD,
        (_SD, _U, "ServiceDescription"): _NANR,
        (_NANR, _U, "BoardAvailable"): _BA,
        (_MR, _U, "BoardAvailable"): _AAR,
        (_BA, _U, "RevokeBoardAvailable"): _NANR,
        (_AAR, _U, "RevokeBoardAvailable"): _MR,
        (_NANR, _D, "MachineReady"): _MR,
        (_BA, _D, "MachineReady"): _AAR,
        (_MR, _D, "RevokeMachineReady"): _NANR,
        (_AAR, _D, "RevokeMachineReady"): _BA,
        (_AAR, _D, "StartTransport"): _TR,
        (_TR, _D, "StopTransport"): _TS,
        (_TF, _D, "StopTransport"): _NANR,
        (_TR, _U, "TransportFinished"): _TF,
        (_TS, _U, "TransportFinished"): _NANR,
        (_NANR, _U, "BoardForecast"): _NANR,
        (_MR, _U, "BoardForecast"): _MR,
        **_unchanged(_SHAKEN, (_D,), ("QueryBoardInfo",)),
        **_unchanged(_SHAKEN, (_U,), ("SendBoardInfo",)),
        **_unchanged(_SHAKEN, (_U, _D), ("Command",)),
        **_unchanged(_HORIZONTAL_STATES, (_U, _D), ("Notification", "CheckAlive")),
    },
    tolerated={
        # Crossed with the upstream machine's RevokeBoardAvailable: it goes on as if not revoked.
        (_MR, _D, "StartTransport"): _TR,
        # The same crossing, seen from downstream, and what the upstream machine said after it.
        **_unchanged((_TR, _TS), (_U,), ("BoardAvailable", "RevokeBoardAvailable", "BoardForecast")),
        **_unchanged((_OPEN, _SD), (_D,), ("QueryBoardInfo",)),
        **_unchanged((_OPEN, _SD), (_U,), ("SendBoardInfo",)),
        **_unchanged((_OPEN, _SD), (_U, _D), ("Command",)),
    },
    # What the other features ask of whom could not be told from the sources at hand.
    features={},
)

_M, _S = Role.MACHINE, Role.SUPERVISOR
_SDS = State.SUPERVISOR_DESCRIBED
_CON = State.CONNECTED
_FROM_MACHINE = (
    "BoardArrived",
    "BoardDeparted",
    "QueryWorkOrderInfo",
    "ReplyWorkOrderInfo",
    "SendHermesCapabilities",
    "CurrentConfiguration",
)
_FROM_SUPERVISOR = (
    "SendWorkOrderInfo",
    "QueryHermesCapabilities",
    "GetConfiguration",
    "SetConfiguration",
)

VERTICAL: Final = Channel(
    name="vertical",
    parties=(_S, _M),
    legal={
        (_OPEN, _S, "SupervisoryServiceDescription"): _SDS,
        (_SDS, _M, "SupervisoryServiceDescription"): _CON,
        # After the handshake any order is in order.
        **_unchanged((_CON,), (_M,), _FROM_MACHINE),
        **_unchanged((_CON,), (_S,), _FROM_SUPERVISOR),
        **_unchanged((_OPEN, _SDS, _CON), (_M, _S), ("Notification", "CheckAlive")),
    },
    tolerated={
        # A board is not to be lost because its machine was in a hurry.
        **_unchanged((_SDS,), (_M,), _FROM_MACHINE),
        **_unchanged((_SDS,), (_S,), _FROM_SUPERVISOR),
        **_unchanged((_CON,), (_M, _S), ("SupervisoryServiceDescription",)),
        # Whether Command exists on this channel could not be told from the sources at hand.
        **_unchanged((_CON,), (_M, _S), ("Command",)),
    },
    features={
        "BoardArrived": Feature.BOARD_TRACKING,
        "BoardDeparted": Feature.BOARD_TRACKING,
        "GetConfiguration": Feature.CONFIGURATION,
        "SetConfiguration": Feature.CONFIGURATION,
    },
)

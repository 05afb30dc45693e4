"""The numbers and names of IPC-HERMES-9852 that mean something.

Values and clause numbers come from the project's fact sheet, which restates the standard at the
level of version 1.6. A value a peer sends that is not listed here is kept as a plain integer and
flagged: it is never mapped to the nearest known one.
"""

from enum import IntEnum, StrEnum
from typing import Final

HORIZONTAL_BASE_PORT: Final = 50100
"""Default port of a lane's horizontal channel is this plus the LaneId (clause 2.3.1)."""

REMOTE_CONFIGURATION_PORT: Final = 1248
"""Port of the remote configuration channel (clause 2.4.1)."""

MAX_MESSAGE_SIZE: Final = 65_536
"""Largest whole message in bytes, `<Hermes` to `</Hermes>` (clause 3.1)."""


class FailedBoard(IntEnum):
    """Quality of a board. In MachineReady: what the machine will take, 0 being any."""

    UNKNOWN = 0
    GOOD = 1
    FAILED = 2


class FlippedBoard(IntEnum):
    """Which side of the board looks up."""

    UNKNOWN = 0
    TOP_SIDE_UP = 1
    BOTTOM_SIDE_UP = 2


class TransferState(IntEnum):
    """How far the board got. Zero is never legal; only COMPLETE from both sides is certain."""

    NOT_STARTED = 1
    INCOMPLETE = 2
    COMPLETE = 3


class SubBoardState(IntEnum):
    """Quality of one position of a panel."""

    UNKNOWN = 0
    GOOD = 1
    FAILED = 2
    MISSING = 3
    SKIP = 4


class BoardArrivedTransfer(IntEnum):
    """How a board came into a machine."""

    TRANSFERRED = 1  # from the upstream machine, by this protocol or by IPC-SMEMA-9851
    LOADED = 2  # from a magazine or stack
    INSERTED = 3  # by hand


class BoardDepartedTransfer(IntEnum):
    """How a board left a machine."""

    TRANSFERRED = 1
    UNLOADED = 2  # into a magazine
    REMOVED = 3  # by hand


class WorkOrderStatus(IntEnum):
    """What a machine made of the work order information it was sent."""

    REJECTED = 0
    ACCEPTED_READY = 1
    ACCEPTED_QUEUED = 2


class Severity(IntEnum):
    """Severity of a Notification."""

    FATAL = 1
    ERROR = 2
    WARNING = 3
    INFORMATION = 4


class NotificationCode(IntEnum):
    """What a Notification is about."""

    PROTOCOL_ERROR = 1  # the sender closes the connection next
    CONNECTION_REFUSED = 2  # because one is established already
    CONFIGURATION_CHANGED = 3  # the sender resets the connection
    CONFIGURATION_ERROR = 4
    MACHINE_SHUTDOWN = 5
    BOARD_FORECAST_ERROR = 6  # since 1.1


class CheckAliveType(IntEnum):
    """Whether a CheckAlive asks for an answer or is one."""

    PING = 1
    PONG = 2


class Feature(StrEnum):
    """What a ServiceDescription or SupervisoryServiceDescription can announce."""

    CHECK_ALIVE_RESPONSE = "FeatureCheckAliveResponse"
    BOARD_FORECAST = "FeatureBoardForecast"
    QUERY_BOARD_INFO = "FeatureQueryBoardInfo"
    SEND_BOARD_INFO = "FeatureSendBoardInfo"
    COMMAND = "FeatureCommand"
    CONFIGURATION = "FeatureConfiguration"
    BOARD_TRACKING = "FeatureBoardTracking"
    QUERY_WORK_ORDER_INFO = "FeatureQueryWorkOrderInfo"
    SEND_WORK_ORDER_INFO = "FeatureSendWorkOrderInfo"
    REPLY_WORK_ORDER_INFO = "FeatureReplyWorkOrderInfo"
    QUERY_HERMES_CAPABILITIES = "FeatureQueryHermesCapabilities"
    SEND_HERMES_CAPABILITIES = "FeatureSendHermesCapabilities"


class OptionalMessage(StrEnum):
    """The optional messages a machine can list in SendHermesCapabilities."""

    CHECK_ALIVE_RESPONSE = "MessageCheckAliveResponse"
    BOARD_FORECAST = "MessageBoardForecast"
    QUERY_BOARD_INFO = "MessageQueryBoardInfo"
    SEND_BOARD_INFO = "MessageSendBoardInfo"
    BOARD_ARRIVED = "MessageBoardArrived"
    BOARD_DEPARTED = "MessageBoardDeparted"
    QUERY_WORK_ORDER_INFO = "MessageQueryWorkOrderInfo"
    REPLY_WORK_ORDER_INFO = "MessageReplyWorkOrderInfo"
    COMMAND = "MessageCommand"


class Role(StrEnum):
    """Who a party is. The direction is the boards': they go from upstream to downstream."""

    UPSTREAM = "upstream"  # gives the board; TCP server of the horizontal channel
    DOWNSTREAM = "downstream"  # takes the board; TCP client
    MACHINE = "machine"  # TCP server of the vertical channel
    SUPERVISOR = "supervisor"  # the plant's side; TCP client

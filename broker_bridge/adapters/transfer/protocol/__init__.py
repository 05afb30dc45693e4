"""The protocol core of IPC-HERMES-9852, board transfer: no sockets, no clock, no logging.

Feed the bytes of one TCP connection to `receive_data` and take messages with `next_message` until
it says NEED_DATA; `send` turns a message into bytes. `HorizontalConnection` talks between machines,
`VerticalConnection` between a machine and the plant, each from either side; `MessageReader` only reads
along, `read_message` reads kept raw bytes again. Messages bear the standard's names. What was odd about
a received one stands in its flags.

Versions 1.0 to 1.6, as restated in the project's fact sheet: the text of the standard was not at hand.
"""

from broker_bridge.adapters.transfer.protocol.codes import (
    HORIZONTAL_BASE_PORT,
    MAX_MESSAGE_SIZE,
    REMOTE_CONFIGURATION_PORT,
    BoardArrivedTransfer,
    BoardDepartedTransfer,
    CheckAliveType,
    FailedBoard,
    Feature,
    FlippedBoard,
    NotificationCode,
    OptionalMessage,
    Role,
    Severity,
    SubBoardState,
    TransferState,
    WorkOrderStatus,
)
from broker_bridge.adapters.transfer.protocol.connection import HorizontalConnection, VerticalConnection
from broker_bridge.adapters.transfer.protocol.diagram import diagram
from broker_bridge.adapters.transfer.protocol.flags import Flag, FlagKind
from broker_bridge.adapters.transfer.protocol.framing import Pending
from broker_bridge.adapters.transfer.protocol.keep_alive import KeepAlive, pong_for
from broker_bridge.adapters.transfer.protocol.messages import (
    BoardArrived,
    BoardAvailable,
    BoardDeparted,
    BoardForecast,
    CapabilityAttributes,
    CheckAlive,
    Command,
    CurrentConfiguration,
    DownstreamConfiguration,
    GetConfiguration,
    MachineReady,
    Message,
    Notification,
    QueryBoardInfo,
    QueryHermesCapabilities,
    QueryWorkOrderInfo,
    ReplyWorkOrderInfo,
    RevokeBoardAvailable,
    RevokeMachineReady,
    SendBoardInfo,
    SendHermesCapabilities,
    SendWorkOrderInfo,
    ServiceDescription,
    SetConfiguration,
    StartTransport,
    StopTransport,
    SubBoard,
    SupervisoryServiceDescription,
    TransportFinished,
    UpstreamConfiguration,
)
from broker_bridge.adapters.transfer.protocol.reader import (
    MessageReader,
    Received,
    UnknownMessage,
    read_message,
)
from broker_bridge.adapters.transfer.protocol.states import HORIZONTAL, VERTICAL, Channel, State, Step

NEED_DATA = Pending.NEED_DATA
CLOSED = Pending.CLOSED

__all__ = [
    "CLOSED",
    "HORIZONTAL",
    "HORIZONTAL_BASE_PORT",
    "MAX_MESSAGE_SIZE",
    "NEED_DATA",
    "REMOTE_CONFIGURATION_PORT",
    "VERTICAL",
    "BoardArrived",
    "BoardArrivedTransfer",
    "BoardAvailable",
    "BoardDeparted",
    "BoardDepartedTransfer",
    "BoardForecast",
    "CapabilityAttributes",
    "Channel",
    "CheckAlive",
    "CheckAliveType",
    "Command",
    "CurrentConfiguration",
    "DownstreamConfiguration",
    "FailedBoard",
    "Feature",
    "Flag",
    "FlagKind",
    "FlippedBoard",
    "GetConfiguration",
    "HorizontalConnection",
    "KeepAlive",
    "MachineReady",
    "Message",
    "MessageReader",
    "Notification",
    "NotificationCode",
    "OptionalMessage",
    "Pending",
    "QueryBoardInfo",
    "QueryHermesCapabilities",
    "QueryWorkOrderInfo",
    "Received",
    "ReplyWorkOrderInfo",
    "RevokeBoardAvailable",
    "RevokeMachineReady",
    "Role",
    "SendBoardInfo",
    "SendHermesCapabilities",
    "SendWorkOrderInfo",
    "ServiceDescription",
    "SetConfiguration",
    "Severity",
    "StartTransport",
    "State",
    "Step",
    "StopTransport",
    "SubBoard",
    "SubBoardState",
    "SupervisoryServiceDescription",
    "TransferState",
    "TransportFinished",
    "UnknownMessage",
    "UpstreamConfiguration",
    "VerticalConnection",
    "WorkOrderStatus",
    "diagram",
    "pong_for",
    "read_message",
]

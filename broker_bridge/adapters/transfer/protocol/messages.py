"""Every message of IPC-HERMES-9852, versions 1.0 to 1.6, as frozen values.

Names are the standard's; attributes are its names in snake case, with its spelling in the annotation.
An attribute without a default is required. None means absent, which is not the same as empty text.
The annotations are the field table: reader and writer know nothing about a message but its rows.

"1.4" stands for "1.4 or later": what the standard brought with 1.4, 1.5 and 1.6 could not be told
apart from the sources at hand, and the lowest possible version refuses and flags the least.
"""

from dataclasses import dataclass
from typing import Annotated

from broker_bridge.adapters.transfer.protocol.codes import (
    BoardArrivedTransfer,
    BoardDepartedTransfer,
    CheckAliveType,
    FailedBoard,
    Feature,
    FlippedBoard,
    NotificationCode,
    OptionalMessage,
    Severity,
    SubBoardState,
    TransferState,
    WorkOrderStatus,
)
from broker_bridge.adapters.transfer.protocol.fields import (
    VERSION_FORM,
    Code,
    Group,
    Guid,
    Integer,
    Items,
    Names,
    Number,
    Text,
    Wire,
    fields_of,
)

_TEXT = Text()
_GUID = Guid()
_MM = Number("mm")
_MM_PER_S = Number("mm/s")
_INTEGER = Integer()
_COUNTED_FROM_1 = Integer(((1, 2**31 - 1),))
_UINT16 = Integer(((0, 65_535),))
# 0 undefined, 1 to 99 route numbers, 900 return board, 999 manual removal, from 1000 on the line's own.
_ROUTE = Integer(((0, 99), (900, 900), (999, 65_535)))
# 0 undefined, 1 process, 2 pass through, from 1000 on the line's own.
_ACTION = Integer(((0, 2), (1000, 65_535)))

_FEATURES = Names(
    {
        Feature.CHECK_ALIVE_RESPONSE: (1, 1),
        Feature.BOARD_FORECAST: (1, 1),
        Feature.QUERY_BOARD_INFO: (1, 1),
        Feature.SEND_BOARD_INFO: (1, 1),
        Feature.COMMAND: (1, 4),
    }
)
_SUPERVISORY_FEATURES = Names(
    {
        Feature.CONFIGURATION: (1, 2),
        Feature.CHECK_ALIVE_RESPONSE: (1, 2),
        Feature.BOARD_TRACKING: (1, 2),
        Feature.QUERY_WORK_ORDER_INFO: (1, 2),
        Feature.SEND_WORK_ORDER_INFO: (1, 2),
        Feature.REPLY_WORK_ORDER_INFO: (1, 4),
        Feature.QUERY_HERMES_CAPABILITIES: (1, 4),
        Feature.SEND_HERMES_CAPABILITIES: (1, 4),
    }
)
_OPTIONAL_MESSAGES = Names({message: (1, 4) for message in OptionalMessage})


# What stands inside a message


@dataclass(frozen=True, slots=True, kw_only=True)
class SubBoard:
    """One position of a panel (`<SB>`). A machine may leave positions out when it runs out of memory."""

    pos: Annotated[int, Wire("Pos", _UINT16, "1.4")]
    bc: Annotated[str | None, Wire("Bc", _TEXT, "1.4")] = None
    st: Annotated[int, Wire("St", Code(SubBoardState), "1.4")]


@dataclass(frozen=True, slots=True, kw_only=True)
class UpstreamConfiguration:
    """Where a machine looks for its upstream machine on one lane."""

    upstream_lane_id: Annotated[int, Wire("UpstreamLaneId", _COUNTED_FROM_1, "1.0")]
    upstream_interface_id: Annotated[str | None, Wire("UpstreamInterfaceId", _TEXT, "1.1")] = None
    host_address: Annotated[str, Wire("HostAddress", _TEXT, "1.0")]
    port: Annotated[int, Wire("Port", _UINT16, "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class DownstreamConfiguration:
    """Where a machine waits for its downstream machine on one lane, and for which address."""

    downstream_lane_id: Annotated[int, Wire("DownstreamLaneId", _COUNTED_FROM_1, "1.0")]
    downstream_interface_id: Annotated[str | None, Wire("DownstreamInterfaceId", _TEXT, "1.1")] = None
    client_address: Annotated[str | None, Wire("ClientAddress", _TEXT, "1.0")] = None
    port: Annotated[int, Wire("Port", _UINT16, "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilityAttributes:
    """A number for each board attribute a machine can handle; what the numbers mean is not known here."""

    product_type_id: Annotated[int, Wire("ProductTypeId", _UINT16, "1.4")]
    top_barcode: Annotated[int, Wire("TopBarcode", _UINT16, "1.4")]
    bottom_barcode: Annotated[int, Wire("BottomBarcode", _UINT16, "1.4")]
    length: Annotated[int, Wire("Length", _UINT16, "1.4")]
    width: Annotated[int, Wire("Width", _UINT16, "1.4")]
    thickness: Annotated[int, Wire("Thickness", _UINT16, "1.4")]
    conveyor_speed: Annotated[int, Wire("ConveyorSpeed", _UINT16, "1.4")]
    top_clearance_height: Annotated[int, Wire("TopClearanceHeight", _UINT16, "1.4")]
    bottom_clearance_height: Annotated[int, Wire("BottomClearanceHeight", _UINT16, "1.4")]
    weight: Annotated[int, Wire("Weight", _UINT16, "1.4")]
    work_order_id: Annotated[int, Wire("WorkOrderId", _UINT16, "1.4")]
    batch_id: Annotated[int, Wire("BatchId", _UINT16, "1.4")]
    route: Annotated[int, Wire("Route", _UINT16, "1.4")]
    action: Annotated[int, Wire("Action", _UINT16, "1.4")]
    sub_boards: Annotated[int, Wire("SubBoards", _UINT16, "1.4")]


_SUB_BOARDS = Items("SB", SubBoard, fields_of(SubBoard))
_UPSTREAM_CONFIGURATIONS = Items(
    "UpstreamConfiguration", UpstreamConfiguration, fields_of(UpstreamConfiguration), always=True
)
_DOWNSTREAM_CONFIGURATIONS = Items(
    "DownstreamConfiguration", DownstreamConfiguration, fields_of(DownstreamConfiguration), always=True
)
_CAPABILITIES = Group(CapabilityAttributes, fields_of(CapabilityAttributes))


# The common block of board attributes. A message that requires one of them declares it again.


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """What can be said about a board. Lengths in mm, speed in mm/s, weight in g."""

    board_id: Annotated[str | None, Wire("BoardId", _GUID, "1.0")] = None
    failed_board: Annotated[int | None, Wire("FailedBoard", Code(FailedBoard), "1.0")] = None
    product_type_id: Annotated[str | None, Wire("ProductTypeId", _TEXT, "1.0")] = None
    flipped_board: Annotated[int | None, Wire("FlippedBoard", Code(FlippedBoard), "1.0")] = None
    top_barcode: Annotated[str | None, Wire("TopBarcode", _TEXT, "1.0")] = None
    bottom_barcode: Annotated[str | None, Wire("BottomBarcode", _TEXT, "1.0")] = None
    length: Annotated[float | None, Wire("Length", _MM, "1.0")] = None
    width: Annotated[float | None, Wire("Width", _MM, "1.0")] = None
    thickness: Annotated[float | None, Wire("Thickness", _MM, "1.0")] = None
    conveyor_speed: Annotated[float | None, Wire("ConveyorSpeed", _MM_PER_S, "1.0")] = None
    top_clearance_height: Annotated[float | None, Wire("TopClearanceHeight", _MM, "1.0")] = None
    bottom_clearance_height: Annotated[float | None, Wire("BottomClearanceHeight", _MM, "1.0")] = None
    weight: Annotated[float | None, Wire("Weight", Number("g"), "1.1")] = None
    work_order_id: Annotated[str | None, Wire("WorkOrderId", _TEXT, "1.2")] = None
    batch_id: Annotated[str | None, Wire("BatchId", _TEXT, "1.3")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CreatedBoard(Board):
    """The block with the machine that made the BoardId."""

    board_id_created_by: Annotated[str | None, Wire("BoardIdCreatedBy", _TEXT, "1.0")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutedBoard(CreatedBoard):
    """The block with what version 1.4 brought: where the board shall go, and its positions."""

    route: Annotated[int | None, Wire("Route", _ROUTE, "1.4")] = None
    sub_boards: Annotated[tuple[SubBoard, ...], Wire("SubBoards", _SUB_BOARDS, "1.4")] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBoard(RoutedBoard):
    """The block of a board that is really there."""

    board_id: Annotated[str, Wire("BoardId", _GUID, "1.0")]
    board_id_created_by: Annotated[str, Wire("BoardIdCreatedBy", _TEXT, "1.0")]
    failed_board: Annotated[int, Wire("FailedBoard", Code(FailedBoard), "1.0")]
    flipped_board: Annotated[int, Wire("FlippedBoard", Code(FlippedBoard), "1.0")]
    action: Annotated[int | None, Wire("Action", _ACTION, "1.4")] = None


# Both channels


@dataclass(frozen=True, slots=True, kw_only=True)
class Notification:
    """Something to tell the other side. After PROTOCOL_ERROR its sender closes the connection."""

    notification_code: Annotated[int, Wire("NotificationCode", Code(NotificationCode), "1.0")]
    severity: Annotated[int, Wire("Severity", Code(Severity), "1.0")]
    description: Annotated[str, Wire("Description", _TEXT, "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAlive:
    """A sign of life. Without a type it must not be answered."""

    type: Annotated[int | None, Wire("Type", Code(CheckAliveType), "1.1")] = None
    id: Annotated[str | None, Wire("Id", _TEXT, "1.1")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A command between neighbours; what the numbers mean is not known here."""

    command: Annotated[int, Wire("Command", _UINT16, "1.4")]


# The horizontal channel


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceDescription:
    """Who a machine is and what it can do; the downstream machine speaks first.

    `lane_id` is the sender's own, counted looking downstream from right to left from 1; the two
    ends of one link may state different ones.
    """

    machine_id: Annotated[str, Wire("MachineId", _TEXT, "1.0")]
    lane_id: Annotated[int, Wire("LaneId", _COUNTED_FROM_1, "1.0")]
    interface_id: Annotated[str | None, Wire("InterfaceId", _TEXT, "1.1")] = None
    version: Annotated[str, Wire("Version", Text(VERSION_FORM), "1.0")]
    supported_features: Annotated[frozenset[Feature], Wire("SupportedFeatures", _FEATURES, "1.1")]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardAvailable(KnownBoard):
    """The upstream machine has a board to give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RevokeBoardAvailable:
    """The upstream machine has no board to give after all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineReady(Board):
    """The downstream machine will take a board; with attributes: only such a one."""

    forecast_id: Annotated[str | None, Wire("ForecastId", _TEXT, "1.1")] = None
    failed_board: Annotated[int, Wire("FailedBoard", Code(FailedBoard), "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class RevokeMachineReady:
    """The downstream machine takes no board after all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTransport:
    """The downstream machine wants the board to come. Speed in mm/s."""

    board_id: Annotated[str, Wire("BoardId", _GUID, "1.0")]
    conveyor_speed: Annotated[float | None, Wire("ConveyorSpeed", _MM_PER_S, "1.0")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StopTransport:
    """The downstream machine stopped its conveyor; `transfer_state`: how far the board got."""

    transfer_state: Annotated[int, Wire("TransferState", Code(TransferState), "1.0")]
    board_id: Annotated[str, Wire("BoardId", _GUID, "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class TransportFinished:
    """The upstream machine is done with the transport; `transfer_state`: how far the board got."""

    transfer_state: Annotated[int, Wire("TransferState", Code(TransferState), "1.0")]
    board_id: Annotated[str, Wire("BoardId", _GUID, "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardForecast(CreatedBoard):
    """A board will be available in `time_until_available` seconds."""

    forecast_id: Annotated[str | None, Wire("ForecastId", _TEXT, "1.1")] = None
    time_until_available: Annotated[float | None, Wire("TimeUntilAvailable", Number("s"), "1.1")] = None
    failed_board: Annotated[int, Wire("FailedBoard", Code(FailedBoard), "1.0")]
    flipped_board: Annotated[int, Wire("FlippedBoard", Code(FlippedBoard), "1.0")]


@dataclass(frozen=True, slots=True, kw_only=True)
class QueryBoardInfo:
    """The downstream machine asks for what is stored about a board that was put in by hand."""

    top_barcode: Annotated[str | None, Wire("TopBarcode", _TEXT, "1.1")] = None
    bottom_barcode: Annotated[str | None, Wire("BottomBarcode", _TEXT, "1.1")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SendBoardInfo(RoutedBoard):
    """The answer, with the barcodes of the query; without the rest when the board was not found."""

    action: Annotated[int | None, Wire("Action", _ACTION, "1.4")] = None


# The vertical channel


@dataclass(frozen=True, slots=True, kw_only=True)
class SupervisoryServiceDescription:
    """Who a machine or supervisory system is and what it can do; the supervisory system speaks first."""

    system_id: Annotated[str, Wire("SystemId", _TEXT, "1.2")]
    version: Annotated[str, Wire("Version", Text(VERSION_FORM), "1.2")]
    supported_features: Annotated[frozenset[Feature], Wire("SupportedFeatures", _SUPERVISORY_FEATURES, "1.2")]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardArrived(KnownBoard):
    """A board came into the machine. `slot_id` counts from the bottom of the magazine, from 1."""

    machine_id: Annotated[str, Wire("MachineId", _TEXT, "1.2")]
    upstream_lane_id: Annotated[int, Wire("UpstreamLaneId", _INTEGER, "1.2")]
    upstream_interface_id: Annotated[str | None, Wire("UpstreamInterfaceId", _TEXT, "1.2")] = None
    magazine_id: Annotated[str | None, Wire("MagazineId", _TEXT, "1.2")] = None
    slot_id: Annotated[int | None, Wire("SlotId", _COUNTED_FROM_1, "1.2")] = None
    board_transfer: Annotated[int, Wire("BoardTransfer", Code(BoardArrivedTransfer), "1.2")]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardDeparted(KnownBoard):
    """A board left the machine. `slot_id` counts from the bottom of the magazine, from 1."""

    machine_id: Annotated[str, Wire("MachineId", _TEXT, "1.2")]
    downstream_lane_id: Annotated[int, Wire("DownstreamLaneId", _INTEGER, "1.2")]
    downstream_interface_id: Annotated[str | None, Wire("DownstreamInterfaceId", _TEXT, "1.2")] = None
    magazine_id: Annotated[str | None, Wire("MagazineId", _TEXT, "1.2")] = None
    slot_id: Annotated[int | None, Wire("SlotId", _COUNTED_FROM_1, "1.2")] = None
    board_transfer: Annotated[int, Wire("BoardTransfer", Code(BoardDepartedTransfer), "1.2")]


@dataclass(frozen=True, slots=True, kw_only=True)
class QueryWorkOrderInfo:
    """A machine asks which work order a board or magazine belongs to."""

    query_id: Annotated[str | None, Wire("QueryId", _TEXT, "1.2")] = None
    machine_id: Annotated[str, Wire("MachineId", _TEXT, "1.2")]
    magazine_id: Annotated[str | None, Wire("MagazineId", _TEXT, "1.2")] = None
    slot_id: Annotated[int | None, Wire("SlotId", _COUNTED_FROM_1, "1.2")] = None
    barcode: Annotated[str | None, Wire("Barcode", _TEXT, "1.2")] = None
    work_order_id: Annotated[str | None, Wire("WorkOrderId", _TEXT, "1.4")] = None
    batch_id: Annotated[str | None, Wire("BatchId", _TEXT, "1.4")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SendWorkOrderInfo(RoutedBoard):
    """The supervisory system tells a machine about a work order; `query_id` repeats the query's."""

    query_id: Annotated[str | None, Wire("QueryId", _TEXT, "1.2")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyWorkOrderInfo:
    """What the machine made of it. When one is due is not known here."""

    work_order_id: Annotated[str, Wire("WorkOrderId", _TEXT, "1.4")]
    batch_id: Annotated[str | None, Wire("BatchId", _TEXT, "1.4")] = None
    status: Annotated[int, Wire("Status", Code(WorkOrderStatus), "1.4")]


@dataclass(frozen=True, slots=True, kw_only=True)
class QueryHermesCapabilities:
    """The supervisory system asks what a machine can do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SendHermesCapabilities:
    """What a machine can do."""

    optional_messages: Annotated[
        frozenset[OptionalMessage], Wire("OptionalMessages", _OPTIONAL_MESSAGES, "1.4")
    ]
    attributes: Annotated[CapabilityAttributes, Wire("Attributes", _CAPABILITIES, "1.4")]


@dataclass(frozen=True, slots=True, kw_only=True)
class GetConfiguration:
    """Asks for a machine's configuration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentConfiguration:
    """A machine's configuration, in answer to GetConfiguration."""

    machine_id: Annotated[str | None, Wire("MachineId", _TEXT, "1.0")] = None
    supervisory_system_port: Annotated[int | None, Wire("SupervisorySystemPort", _UINT16, "1.2")] = None
    upstream_configurations: Annotated[
        tuple[UpstreamConfiguration, ...], Wire("UpstreamConfigurations", _UPSTREAM_CONFIGURATIONS, "1.0")
    ] = ()
    downstream_configurations: Annotated[
        tuple[DownstreamConfiguration, ...],
        Wire("DownstreamConfigurations", _DOWNSTREAM_CONFIGURATIONS, "1.0"),
    ] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetConfiguration(CurrentConfiguration):
    """Changes a machine's configuration: it looks for its neighbours elsewhere afterwards."""

    machine_id: Annotated[str, Wire("MachineId", _TEXT, "1.0")]


Message = (
    ServiceDescription
    | BoardAvailable
    | RevokeBoardAvailable
    | MachineReady
    | RevokeMachineReady
    | StartTransport
    | StopTransport
    | TransportFinished
    | BoardForecast
    | QueryBoardInfo
    | SendBoardInfo
    | Notification
    | CheckAlive
    | Command
    | SupervisoryServiceDescription
    | BoardArrived
    | BoardDeparted
    | QueryWorkOrderInfo
    | SendWorkOrderInfo
    | ReplyWorkOrderInfo
    | QueryHermesCapabilities
    | SendHermesCapabilities
    | GetConfiguration
    | SetConfiguration
    | CurrentConfiguration
)
"""Any message of the standard."""

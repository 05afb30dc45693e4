"""Messages as bytes beside the values they stand for, written by hand from the tables of the standard.

STATED are the eleven examples of the project's fact sheet on IPC-HERMES-9852, section 8. OWN holds one
more for each message, with the attributes the stated ones leave out and with other ways of writing.
"""

from broker_bridge.adapters.transfer.protocol import (
    BoardArrived,
    BoardArrivedTransfer,
    BoardAvailable,
    BoardDeparted,
    BoardDepartedTransfer,
    BoardForecast,
    CapabilityAttributes,
    CheckAlive,
    CheckAliveType,
    Command,
    CurrentConfiguration,
    DownstreamConfiguration,
    FailedBoard,
    Feature,
    FlippedBoard,
    GetConfiguration,
    MachineReady,
    Message,
    Notification,
    NotificationCode,
    OptionalMessage,
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
    Severity,
    StartTransport,
    StopTransport,
    SubBoard,
    SubBoardState,
    SupervisoryServiceDescription,
    TransferState,
    TransportFinished,
    UpstreamConfiguration,
    WorkOrderStatus,
)

BOARD = "5f0c7c1e-91aa-4f0e-8b51-7a2f5f4a1c10"
OTHER = "0b8f5a52-6a3e-4d0e-9a39-2f2f4f0f9f11"

STATED: list[tuple[str, Message]] = [
    (
        '<Hermes Timestamp="2026-03-02T08:15:30.120"><ServiceDescription MachineId="SPI-2" LaneId="1" Version="1.6"><SupportedFeatures><FeatureCheckAliveResponse/></SupportedFeatures></ServiceDescription></Hermes>',
        ServiceDescription(
            machine_id="SPI-2",
            lane_id=1,
            version="1.6",
            supported_features=frozenset({Feature.CHECK_ALIVE_RESPONSE}),
        ),
    ),
    (
        f'<Hermes Timestamp="2026-03-02T08:15:31.004"><BoardAvailable BoardId="{BOARD}" BoardIdCreatedBy="PRINTER-1" FailedBoard="1" ProductTypeId="CTRL &amp; IO &lt;B&gt;" FlippedBoard="1" TopBarcode="PNL000417" Length="160.000" Width="100.100" WorkOrderId="WO-88" BatchId="2" Route="0" Action="1"><SubBoards><SB Pos="1" Bc="PNL000417-1" St="1"/><SB Pos="2" Bc="PNL000417-2" St="4"/></SubBoards></BoardAvailable></Hermes>',
        BoardAvailable(
            board_id=BOARD,
            board_id_created_by="PRINTER-1",
            failed_board=FailedBoard.GOOD,
            product_type_id="CTRL & IO <B>",
            flipped_board=FlippedBoard.TOP_SIDE_UP,
            top_barcode="PNL000417",
            length=160.0,
            width=100.1,
            work_order_id="WO-88",
            batch_id="2",
            route=0,
            action=1,
            sub_boards=(
                SubBoard(pos=1, bc="PNL000417-1", st=SubBoardState.GOOD),
                SubBoard(pos=2, bc="PNL000417-2", st=SubBoardState.SKIP),
            ),
        ),
    ),
    (
        '<Hermes Timestamp="2026-03-02T08:15:31.950"><MachineReady FailedBoard="0"/></Hermes>',
        MachineReady(failed_board=FailedBoard.UNKNOWN),
    ),
    (
        f'<Hermes Timestamp="2026-03-02T08:15:32.002"><StartTransport BoardId="{BOARD}" ConveyorSpeed="250.000"/></Hermes>',
        StartTransport(board_id=BOARD, conveyor_speed=250.0),
    ),
    (
        f'<Hermes Timestamp="2026-03-02T08:15:35.410"><TransportFinished TransferState="3" BoardId="{BOARD}"/></Hermes>',
        TransportFinished(transfer_state=TransferState.COMPLETE, board_id=BOARD),
    ),
    (
        f'<Hermes Timestamp="2026-03-02T08:15:35.690"><StopTransport TransferState="3" BoardId="{BOARD}"/></Hermes>',
        StopTransport(transfer_state=TransferState.COMPLETE, board_id=BOARD),
    ),
    (
        '<Hermes Timestamp="2026-03-02T08:15:00.000"><SupervisoryServiceDescription SystemId="recorder-1" Version="1.6"><SupportedFeatures><FeatureCheckAliveResponse/><FeatureBoardTracking/></SupportedFeatures></SupervisoryServiceDescription></Hermes>',
        SupervisoryServiceDescription(
            system_id="recorder-1",
            version="1.6",
            supported_features=frozenset({Feature.CHECK_ALIVE_RESPONSE, Feature.BOARD_TRACKING}),
        ),
    ),
    (
        f'<Hermes Timestamp="2026-03-02T08:15:35.700"><BoardArrived MachineId="PLACER-1" UpstreamLaneId="1" BoardTransfer="1" BoardId="{BOARD}" BoardIdCreatedBy="PRINTER-1" FailedBoard="1" FlippedBoard="1" TopBarcode="PNL000417"/></Hermes>',
        BoardArrived(
            machine_id="PLACER-1",
            upstream_lane_id=1,
            board_transfer=BoardArrivedTransfer.TRANSFERRED,
            board_id=BOARD,
            board_id_created_by="PRINTER-1",
            failed_board=FailedBoard.GOOD,
            flipped_board=FlippedBoard.TOP_SIDE_UP,
            top_barcode="PNL000417",
        ),
    ),
    (
        f'<Hermes Timestamp="2026-03-02T08:17:02.031"><BoardDeparted MachineId="PLACER-1" DownstreamLaneId="1" BoardTransfer="3" BoardId="{BOARD}" BoardIdCreatedBy="PRINTER-1" FailedBoard="2" FlippedBoard="1" TopBarcode="PNL000417"/></Hermes>',
        BoardDeparted(
            machine_id="PLACER-1",
            downstream_lane_id=1,
            board_transfer=BoardDepartedTransfer.REMOVED,
            board_id=BOARD,
            board_id_created_by="PRINTER-1",
            failed_board=FailedBoard.FAILED,
            flipped_board=FlippedBoard.TOP_SIDE_UP,
            top_barcode="PNL000417",
        ),
    ),
    (
        '<Hermes Timestamp="2026-03-02T08:18:00.000"><Notification NotificationCode="5" Severity="4" Description="planned stop"/></Hermes>',
        Notification(
            notification_code=NotificationCode.MACHINE_SHUTDOWN,
            severity=Severity.INFORMATION,
            description="planned stop",
        ),
    ),
    (
        '<Hermes Timestamp="2026-03-02T08:18:01.000"><CheckAlive Type="1" Id="77"/></Hermes>',
        CheckAlive(type=CheckAliveType.PING, id="77"),
    ),
]

_AT = "2026-05-04T06:07:08.009"

OWN: list[tuple[str, Message]] = [
    (
        f"<Hermes Timestamp='{_AT}'><CheckAlive/></Hermes>",
        CheckAlive(),
    ),
    (
        f'<Hermes Timestamp="{_AT}">\n <Notification Severity="1" NotificationCode="1" Description="Umlaut: &#xE4;, quote: &quot;, empty lane"/>\n</Hermes >',
        Notification(
            notification_code=NotificationCode.PROTOCOL_ERROR,
            severity=Severity.FATAL,
            description='Umlaut: ä, quote: ", empty lane',
        ),
    ),
    (f'<Hermes Timestamp="{_AT}"><Command Command="65535"/></Hermes>', Command(command=65_535)),
    (
        f'<Hermes Timestamp="{_AT}"><ServiceDescription LaneId="2" MachineId="Drucker-Ü" InterfaceId="rear" Version="10.12"><SupportedFeatures><FeatureCommand></FeatureCommand><FeatureBoardForecast /><FeatureQueryBoardInfo/><FeatureSendBoardInfo/></SupportedFeatures></ServiceDescription></Hermes>',
        ServiceDescription(
            machine_id="Drucker-Ü",
            lane_id=2,
            interface_id="rear",
            version="10.12",
            supported_features=frozenset(
                {
                    Feature.COMMAND,
                    Feature.BOARD_FORECAST,
                    Feature.QUERY_BOARD_INFO,
                    Feature.SEND_BOARD_INFO,
                }
            ),
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><BoardAvailable FlippedBoard="2" FailedBoard="0" BoardIdCreatedBy="" BoardId="{OTHER}" BottomBarcode="a > b" Thickness="1.6" ConveyorSpeed="300" TopClearanceHeight="25.5" BottomClearanceHeight="0" Weight="81.25" Route="900" Action="1000"/></Hermes>',
        BoardAvailable(
            board_id=OTHER,
            board_id_created_by="",
            failed_board=FailedBoard.UNKNOWN,
            flipped_board=FlippedBoard.BOTTOM_SIDE_UP,
            bottom_barcode="a > b",
            thickness=1.6,
            conveyor_speed=300.0,
            top_clearance_height=25.5,
            bottom_clearance_height=0.0,
            weight=81.25,
            route=900,
            action=1000,
        ),
    ),
    (f'<Hermes Timestamp="{_AT}"><RevokeBoardAvailable/></Hermes>', RevokeBoardAvailable()),
    (
        f'<Hermes Timestamp="{_AT}"><MachineReady FailedBoard="1" ForecastId="F-1" BoardId="{OTHER}" FlippedBoard="1" ProductTypeId="P" TopBarcode="" Length="1" Width="2" Weight="3" WorkOrderId="W" BatchId="B"/></Hermes>',
        MachineReady(
            failed_board=FailedBoard.GOOD,
            forecast_id="F-1",
            board_id=OTHER,
            flipped_board=FlippedBoard.TOP_SIDE_UP,
            product_type_id="P",
            top_barcode="",
            length=1.0,
            width=2.0,
            weight=3.0,
            work_order_id="W",
            batch_id="B",
        ),
    ),
    (f'<Hermes Timestamp="{_AT}"><RevokeMachineReady></RevokeMachineReady></Hermes>', RevokeMachineReady()),
    (
        f'<Hermes Timestamp="{_AT}"><StartTransport BoardId="{OTHER}"/></Hermes>',
        StartTransport(board_id=OTHER),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><StopTransport BoardId="{OTHER}" TransferState="1"/></Hermes>',
        StopTransport(transfer_state=TransferState.NOT_STARTED, board_id=OTHER),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><TransportFinished BoardId="{OTHER}" TransferState="2"/></Hermes>',
        TransportFinished(transfer_state=TransferState.INCOMPLETE, board_id=OTHER),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><BoardForecast ForecastId="F-1" TimeUntilAvailable="12.5" BoardIdCreatedBy="LOADER" FailedBoard="1" FlippedBoard="0" BoardId="{OTHER}"/></Hermes>',
        BoardForecast(
            forecast_id="F-1",
            time_until_available=12.5,
            board_id_created_by="LOADER",
            failed_board=FailedBoard.GOOD,
            flipped_board=FlippedBoard.UNKNOWN,
            board_id=OTHER,
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><QueryBoardInfo TopBarcode="T" BottomBarcode="U"/></Hermes>',
        QueryBoardInfo(top_barcode="T", bottom_barcode="U"),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><SendBoardInfo TopBarcode="T" BottomBarcode="U" Route="1" Action="2"><SubBoards><SB Pos="0" St="3"/></SubBoards></SendBoardInfo></Hermes>',
        SendBoardInfo(
            top_barcode="T",
            bottom_barcode="U",
            route=1,
            action=2,
            sub_boards=(SubBoard(pos=0, st=SubBoardState.MISSING),),
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><SupervisoryServiceDescription SystemId="" Version="1.2"><SupportedFeatures/></SupervisoryServiceDescription></Hermes>',
        SupervisoryServiceDescription(system_id="", version="1.2", supported_features=frozenset()),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><BoardArrived MachineId="M" UpstreamLaneId="2" UpstreamInterfaceId="I" MagazineId="MAG" SlotId="1" BoardTransfer="2" BoardId="{OTHER}" BoardIdCreatedBy="M" FailedBoard="0" FlippedBoard="0"><SubBoards><SB Pos="1" Bc="" St="2"/></SubBoards></BoardArrived></Hermes>',
        BoardArrived(
            machine_id="M",
            upstream_lane_id=2,
            upstream_interface_id="I",
            magazine_id="MAG",
            slot_id=1,
            board_transfer=BoardArrivedTransfer.LOADED,
            board_id=OTHER,
            board_id_created_by="M",
            failed_board=FailedBoard.UNKNOWN,
            flipped_board=FlippedBoard.UNKNOWN,
            sub_boards=(SubBoard(pos=1, bc="", st=SubBoardState.FAILED),),
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><BoardDeparted MachineId="M" DownstreamLaneId="1" DownstreamInterfaceId="I" MagazineId="MAG" SlotId="50" BoardTransfer="2" BoardId="{OTHER}" BoardIdCreatedBy="M" FailedBoard="2" FlippedBoard="2" Route="999"/></Hermes>',
        BoardDeparted(
            machine_id="M",
            downstream_lane_id=1,
            downstream_interface_id="I",
            magazine_id="MAG",
            slot_id=50,
            board_transfer=BoardDepartedTransfer.UNLOADED,
            board_id=OTHER,
            board_id_created_by="M",
            failed_board=FailedBoard.FAILED,
            flipped_board=FlippedBoard.BOTTOM_SIDE_UP,
            route=999,
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><QueryWorkOrderInfo QueryId="Q1" MachineId="M" MagazineId="MAG" SlotId="2" Barcode="X" WorkOrderId="W" BatchId="B"/></Hermes>',
        QueryWorkOrderInfo(
            query_id="Q1",
            machine_id="M",
            magazine_id="MAG",
            slot_id=2,
            barcode="X",
            work_order_id="W",
            batch_id="B",
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><SendWorkOrderInfo QueryId="Q1" WorkOrderId="W" Length="160.5" Route="99"/></Hermes>',
        SendWorkOrderInfo(query_id="Q1", work_order_id="W", length=160.5, route=99),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><ReplyWorkOrderInfo WorkOrderId="W" BatchId="B" Status="2"/></Hermes>',
        ReplyWorkOrderInfo(work_order_id="W", batch_id="B", status=WorkOrderStatus.ACCEPTED_QUEUED),
    ),
    (f'<Hermes Timestamp="{_AT}"><QueryHermesCapabilities/></Hermes>', QueryHermesCapabilities()),
    (
        f'<Hermes Timestamp="{_AT}"><SendHermesCapabilities><OptionalMessages><MessageBoardArrived/><MessageCommand/></OptionalMessages><Attributes ProductTypeId="1" TopBarcode="2" BottomBarcode="3" Length="4" Width="5" Thickness="6" ConveyorSpeed="7" TopClearanceHeight="8" BottomClearanceHeight="9" Weight="10" WorkOrderId="11" BatchId="12" Route="13" Action="14" SubBoards="15"/></SendHermesCapabilities></Hermes>',
        SendHermesCapabilities(
            optional_messages=frozenset({OptionalMessage.BOARD_ARRIVED, OptionalMessage.COMMAND}),
            attributes=CapabilityAttributes(
                product_type_id=1,
                top_barcode=2,
                bottom_barcode=3,
                length=4,
                width=5,
                thickness=6,
                conveyor_speed=7,
                top_clearance_height=8,
                bottom_clearance_height=9,
                weight=10,
                work_order_id=11,
                batch_id=12,
                route=13,
                action=14,
                sub_boards=15,
            ),
        ),
    ),
    (f'<Hermes Timestamp="{_AT}"><GetConfiguration/></Hermes>', GetConfiguration()),
    (
        f'<Hermes Timestamp="{_AT}"><SetConfiguration MachineId="M" SupervisorySystemPort="50200"><UpstreamConfigurations><UpstreamConfiguration UpstreamLaneId="1" UpstreamInterfaceId="I" HostAddress="10.0.0.1" Port="50101"/></UpstreamConfigurations><DownstreamConfigurations><DownstreamConfiguration DownstreamLaneId="1" ClientAddress="10.0.0.3" Port="50101"/><DownstreamConfiguration DownstreamLaneId="2" DownstreamInterfaceId="J" Port="50102"/></DownstreamConfigurations></SetConfiguration></Hermes>',
        SetConfiguration(
            machine_id="M",
            supervisory_system_port=50_200,
            upstream_configurations=(
                UpstreamConfiguration(
                    upstream_lane_id=1, upstream_interface_id="I", host_address="10.0.0.1", port=50_101
                ),
            ),
            downstream_configurations=(
                DownstreamConfiguration(downstream_lane_id=1, client_address="10.0.0.3", port=50_101),
                DownstreamConfiguration(downstream_lane_id=2, downstream_interface_id="J", port=50_102),
            ),
        ),
    ),
    (
        f'<Hermes Timestamp="{_AT}"><CurrentConfiguration><UpstreamConfigurations/><DownstreamConfigurations/></CurrentConfiguration></Hermes>',
        CurrentConfiguration(),
    ),
]

EXAMPLES = STATED + OWN

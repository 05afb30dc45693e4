"""The field table against the tables of IPC-HERMES-9852, written out here a second time.

Source of every table: IPC-HERMES-9852, clause as named, as restated in the project's fact sheet.
"""

import json
from pathlib import Path
from typing import get_args

import pytest

from broker_bridge.adapters.transfer.protocol import codes
from broker_bridge.adapters.transfer.protocol.fields import Code, Group, Guid, Integer, Items, Names, Number
from broker_bridge.adapters.transfer.protocol.messages import (
    CapabilityAttributes,
    Message,
    SubBoard,
    UpstreamConfiguration,
)
from broker_bridge.adapters.transfer.protocol.table import MESSAGES

# The common block: R required, O optional, - not in this message; then the version that brought it.
BLOCK = """
                       BA  MR  BF  SBI ARR DEP SWO  since
BoardId                R   O   O   O   R   R   O    1.0
BoardIdCreatedBy       R   -   O   O   R   R   O    1.0
FailedBoard            R   R   R   O   R   R   O    1.0
ProductTypeId          O   O   O   O   O   O   O    1.0
FlippedBoard           R   O   R   O   R   R   O    1.0
TopBarcode             O   O   O   O   O   O   O    1.0
BottomBarcode          O   O   O   O   O   O   O    1.0
Length                 O   O   O   O   O   O   O    1.0
Width                  O   O   O   O   O   O   O    1.0
Thickness              O   O   O   O   O   O   O    1.0
ConveyorSpeed          O   O   O   O   O   O   O    1.0
TopClearanceHeight     O   O   O   O   O   O   O    1.0
BottomClearanceHeight  O   O   O   O   O   O   O    1.0
Weight                 O   O   O   O   O   O   O    1.1
WorkOrderId            O   O   O   O   O   O   O    1.2
BatchId                O   O   O   O   O   O   O    1.3
Route                  O   -   -   O   O   O   O    1.4
Action                 O   -   -   O   O   O   -    1.4
SubBoards              O   -   -   O   O   O   O    1.4
"""
SHORT = {
    "BA": "BoardAvailable",
    "MR": "MachineReady",
    "BF": "BoardForecast",
    "SBI": "SendBoardInfo",
    "ARR": "BoardArrived",
    "DEP": "BoardDeparted",
    "SWO": "SendWorkOrderInfo",
}

# What a message has besides the block: clause, version, then attributes, "?" behind the optional ones.
OWN = """
CheckAlive                     3.3   1.0  Type? Id?
ServiceDescription             3.4   1.0  MachineId LaneId InterfaceId? Version SupportedFeatures
Notification                   3.5   1.0  NotificationCode Severity Description
BoardAvailable                 3.6   1.0
RevokeBoardAvailable           3.7   1.0
MachineReady                   3.8   1.0  ForecastId?
RevokeMachineReady             3.9   1.0
StartTransport                 3.10  1.0  BoardId ConveyorSpeed?
StopTransport                  3.11  1.0  TransferState BoardId
TransportFinished              3.12  1.0  TransferState BoardId
BoardForecast                  3.16  1.1  ForecastId? TimeUntilAvailable?
QueryBoardInfo                 3.17  1.1  TopBarcode? BottomBarcode?
SendBoardInfo                  3.18  1.1
SupervisoryServiceDescription  3.22  1.2  SystemId Version SupportedFeatures
BoardArrived                   3.23  1.2  MachineId UpstreamLaneId UpstreamInterfaceId? MagazineId? SlotId? BoardTransfer
BoardDeparted                  3.24  1.2  MachineId DownstreamLaneId DownstreamInterfaceId? MagazineId? SlotId? BoardTransfer
QueryWorkOrderInfo             3.25  1.2  QueryId? MachineId MagazineId? SlotId? Barcode? WorkOrderId? BatchId?
SendWorkOrderInfo              3.26  1.2  QueryId?
ReplyWorkOrderInfo             3.27  1.4  WorkOrderId BatchId? Status
Command                        3.28  1.4  Command
QueryHermesCapabilities        6     1.4
SendHermesCapabilities         6     1.4  OptionalMessages Attributes
GetConfiguration               -     1.0
SetConfiguration               -     1.0  MachineId SupervisorySystemPort? UpstreamConfigurations? DownstreamConfigurations?
CurrentConfiguration           -     1.0  MachineId? SupervisorySystemPort? UpstreamConfigurations? DownstreamConfigurations?
"""


def _block(message: str) -> dict[str, str]:
    head, *lines = [line.split() for line in BLOCK.strip().splitlines()]
    for column, short in enumerate(head[:-1], start=1):
        if SHORT[short] == message:
            return {line[0]: line[column] for line in lines if line[column] != "-"}
    return {}


def _own(message: str) -> tuple[str, str, dict[str, str]]:
    for name, clause, since, *attributes in (line.split() for line in OWN.strip().splitlines()):
        if name == message:
            return clause.strip("-"), since, {a.rstrip("?"): "O" if a[-1] == "?" else "R" for a in attributes}
    raise AssertionError(message)


def test_table_has_every_message_of_the_standard_and_no_other() -> None:
    assert set(MESSAGES) == {line.split()[0] for line in OWN.strip().splitlines()}
    assert {row.type for row in MESSAGES.values()} == set(get_args(Message))


@pytest.mark.parametrize("name", sorted(MESSAGES))
def test_clause_version_attributes_and_what_is_required(name: str) -> None:
    row = MESSAGES[name]
    clause, since, own = _own(name)
    assert row.clause == clause
    assert "{}.{}".format(*row.since) == since
    assert {field.spelling: "R" if field.required else "O" for field in row.fields} == _block(name) | own


@pytest.mark.parametrize("name", SHORT.values())
def test_version_that_brought_an_attribute_of_the_block(name: str) -> None:
    since = {line.split()[0]: line.split()[-1] for line in BLOCK.strip().splitlines()[1:]}
    # MachineReady had nothing but FailedBoard in 1.0; no attribute is older than its message.
    floor = {"MachineReady": "1.1", "BoardForecast": "1.1", "SendBoardInfo": "1.1"}.get(name, "1.2")
    for field in MESSAGES[name].fields:
        if field.spelling not in _block(name):
            continue
        if name == "BoardAvailable" or (name == "MachineReady" and field.spelling == "FailedBoard"):
            expected = since[field.spelling]
        else:
            expected = max(floor, since[field.spelling])
        assert "{}.{}".format(*field.since) == expected, field.spelling


@pytest.mark.parametrize(
    ("name", "spelling", "since"),
    [
        ("CheckAlive", "Type", (1, 1)),
        ("CheckAlive", "Id", (1, 1)),
        ("ServiceDescription", "InterfaceId", (1, 1)),
        ("ServiceDescription", "SupportedFeatures", (1, 1)),
        ("QueryWorkOrderInfo", "WorkOrderId", (1, 4)),
        ("QueryWorkOrderInfo", "BatchId", (1, 4)),
        ("SetConfiguration", "SupervisorySystemPort", (1, 2)),
    ],
)
def test_version_that_brought_an_attribute_later_than_its_message(
    name: str, spelling: str, since: tuple[int, int]
) -> None:
    assert next(field for field in MESSAGES[name].fields if field.spelling == spelling).since == since


@pytest.mark.parametrize(
    ("enumeration", "values"),
    [
        (codes.FailedBoard, {"UNKNOWN": 0, "GOOD": 1, "FAILED": 2}),
        (codes.FlippedBoard, {"UNKNOWN": 0, "TOP_SIDE_UP": 1, "BOTTOM_SIDE_UP": 2}),
        (codes.SubBoardState, {"UNKNOWN": 0, "GOOD": 1, "FAILED": 2, "MISSING": 3, "SKIP": 4}),
        (codes.TransferState, {"NOT_STARTED": 1, "INCOMPLETE": 2, "COMPLETE": 3}),
        (codes.Severity, {"FATAL": 1, "ERROR": 2, "WARNING": 3, "INFORMATION": 4}),
        (codes.CheckAliveType, {"PING": 1, "PONG": 2}),
        (codes.BoardArrivedTransfer, {"TRANSFERRED": 1, "LOADED": 2, "INSERTED": 3}),
        (codes.BoardDepartedTransfer, {"TRANSFERRED": 1, "UNLOADED": 2, "REMOVED": 3}),
        (codes.WorkOrderStatus, {"REJECTED": 0, "ACCEPTED_READY": 1, "ACCEPTED_QUEUED": 2}),
        (
            codes.NotificationCode,
            {
                "PROTOCOL_ERROR": 1,
                "CONNECTION_REFUSED": 2,
                "CONFIGURATION_CHANGED": 3,
                "CONFIGURATION_ERROR": 4,
                "MACHINE_SHUTDOWN": 5,
                "BOARD_FORECAST_ERROR": 6,
            },
        ),
    ],
)
def test_codes_mean_what_the_standard_says(enumeration: type, values: dict[str, int]) -> None:
    assert {code.name: code.value for code in enumeration} == values  # type: ignore[attr-defined]


def test_clauses_2_3_1_and_2_4_1_ports() -> None:
    assert codes.HORIZONTAL_BASE_PORT + 1 == 50_101  # lane 1
    assert codes.REMOTE_CONFIGURATION_PORT == 1248


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("Length", "mm"),
        ("Width", "mm"),
        ("Thickness", "mm"),
        ("TopClearanceHeight", "mm"),
        ("BottomClearanceHeight", "mm"),
        ("ConveyorSpeed", "mm/s"),
        ("Weight", "g"),
        ("TimeUntilAvailable", "s"),
    ],
)
def test_units(spelling: str, unit: str) -> None:
    rows = [field for row in MESSAGES.values() for field in row.fields if field.spelling == spelling]
    assert rows
    assert {field.kind for field in rows} == {Number(unit)}


def test_every_board_id_is_a_guid_and_every_code_of_a_board_a_code() -> None:
    for row in MESSAGES.values():
        for field in row.fields:
            if field.spelling == "BoardId":
                assert field.kind == Guid()
            if field.spelling in {"FailedBoard", "FlippedBoard", "TransferState", "BoardTransfer"}:
                assert isinstance(field.kind, Code)


@pytest.mark.parametrize(
    ("spelling", "legal", "reserved"),
    [
        # Route: 0, 1 to 99, 900, 999, from 1000; Action: 0, 1, 2, from 1000; both of 16 bits.
        ("Route", [0, 1, 99, 900, 999, 1000, 65_535], [-1, 100, 899, 901, 998, 65_536]),
        ("Action", [0, 1, 2, 1000, 65_535], [-1, 3, 999, 65_536]),
        ("LaneId", [1, 2, 99], [0, -1]),
        ("SlotId", [1, 500], [0]),
    ],
)
def test_ranges(spelling: str, legal: list[int], reserved: list[int]) -> None:
    kinds = {field.kind for row in MESSAGES.values() for field in row.fields if field.spelling == spelling}
    (kind,) = kinds
    assert isinstance(kind, Integer)
    assert [kind.read(str(value)) for value in legal] == [(value, None) for value in legal]
    assert all(kind.read(str(value))[1] for value in reserved)
    for value in reserved:
        with pytest.raises(ValueError, match="outside"):
            kind.write(value)


def _names(message: str, spelling: str) -> dict[str, str]:
    field = next(field for field in MESSAGES[message].fields if field.spelling == spelling)
    assert isinstance(field.kind, Names)
    return {str(name): "{}.{}".format(*since) for name, since in field.kind.since.items()}


def test_clause_3_4_features() -> None:
    assert _names("ServiceDescription", "SupportedFeatures") == {
        "FeatureCheckAliveResponse": "1.1",
        "FeatureBoardForecast": "1.1",
        "FeatureQueryBoardInfo": "1.1",
        "FeatureSendBoardInfo": "1.1",
        "FeatureCommand": "1.4",
    }


def test_clause_3_22_features() -> None:
    assert _names("SupervisoryServiceDescription", "SupportedFeatures") == {
        "FeatureConfiguration": "1.2",
        "FeatureCheckAliveResponse": "1.2",
        "FeatureBoardTracking": "1.2",
        "FeatureQueryWorkOrderInfo": "1.2",
        "FeatureSendWorkOrderInfo": "1.2",
        "FeatureReplyWorkOrderInfo": "1.4",
        "FeatureQueryHermesCapabilities": "1.4",
        "FeatureSendHermesCapabilities": "1.4",
    }


def test_clause_6_capabilities() -> None:
    assert set(_names("SendHermesCapabilities", "OptionalMessages")) == {
        "MessageCheckAliveResponse",
        "MessageBoardForecast",
        "MessageQueryBoardInfo",
        "MessageSendBoardInfo",
        "MessageBoardArrived",
        "MessageBoardDeparted",
        "MessageQueryWorkOrderInfo",
        "MessageReplyWorkOrderInfo",
        "MessageCommand",
    }
    group = MESSAGES["SendHermesCapabilities"].fields[1].kind
    assert isinstance(group, Group)
    assert group.type is CapabilityAttributes
    assert {row.spelling for row in group.rows} == set(_block("BoardAvailable")) - {
        "BoardId",
        "BoardIdCreatedBy",
        "FailedBoard",
        "FlippedBoard",
    }
    assert all(row.required for row in group.rows)


@pytest.mark.parametrize(
    ("message", "spelling", "tag", "cls", "attributes"),
    [
        ("BoardAvailable", "SubBoards", "SB", SubBoard, "Pos Bc? St"),
        (
            "SetConfiguration",
            "UpstreamConfigurations",
            "UpstreamConfiguration",
            UpstreamConfiguration,
            "UpstreamLaneId UpstreamInterfaceId? HostAddress Port",
        ),
    ],
)
def test_items(message: str, spelling: str, tag: str, cls: type, attributes: str) -> None:
    items = next(field for field in MESSAGES[message].fields if field.spelling == spelling).kind
    assert isinstance(items, Items)
    assert (items.tag, items.type) == (tag, cls)
    assert [row.spelling + "?" * (not row.required) for row in items.rows] == attributes.split()


SAMPLE = Path("../shared/data/cfx-samples/message__CFX.Production.Hermes.MagazineArrived__0.json")


@pytest.mark.skipif(not SAMPLE.exists(), reason=f"open data not here: {SAMPLE}")
def test_board_attributes_against_the_sample_of_another_standard() -> None:
    """IPC-2591 (CFX) takes the board block over; its published sample spells it, with one slip of its own."""
    magazine = json.loads(SAMPLE.read_text())["MagazineData"]
    spelled = set(magazine["HermesUnits"][0]) - {"WorkOrderIdentifier"}
    ours = {field.spelling for field in MESSAGES["BoardArrived"].fields}
    assert {"Length" if name == "Lenght" else name for name in spelled} <= ours
    assert "MagazineId" in ours

"""What messages state, field by field. Expected values: the fact sheet's tables of IPC-HERMES-9852 (clauses 3.5,
3.23 to 3.27)."""

import base64
import hashlib
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from transfer_plant import machine, supervisor

from broker_bridge.adapters.transfer.mapping import Mapper
from broker_bridge.adapters.transfer.protocol import read_message
from broker_bridge.errors import RemoteProtocolError
from broker_bridge.events.board import BoardArrived, BoardDeparted, BoardIdentified
from broker_bridge.events.ids import EventId
from broker_bridge.events.source import SourceRejected
from broker_bridge.events.station import StationAlarmRaised
from broker_bridge.events.union import encode_event, parse_event
from broker_bridge.events.work import WorkOrderAssigned

TAKEN = datetime(2026, 3, 2, 7, 15, 36, tzinfo=UTC)
GUID = "5f0c7c1e-91aa-4f0e-8b51-7a2f5f4a1c10"
STAMP = "2026-03-02T08:15:35.700"


def envelope(body: str) -> bytes:
    return f'<Hermes Timestamp="{STAMP}">{body}</Hermes>'.encode()


def arrival(
    attributes: str = "", inside: str = "", *, guid: str = GUID, how: int = 1, lane: int = 1
) -> bytes:
    head = (
        f'MachineId="PLACER-1" UpstreamLaneId="{lane}" BoardTransfer="{how}" BoardId="{guid}"'
        f' BoardIdCreatedBy="PRINTER-1" FailedBoard="1" FlippedBoard="1" {attributes}'
    )
    return envelope(f"<BoardArrived {head}>{inside}</BoardArrived>")


def departure(attributes: str = "", *, how: int = 1, lane: int = 1) -> bytes:
    return envelope(
        f'<BoardDeparted MachineId="PLACER-1" DownstreamLaneId="{lane}" BoardTransfer="{how}" BoardId="{GUID}"'
        f' BoardIdCreatedBy="PRINTER-1" FailedBoard="2" FlippedBoard="2" {attributes}/>'
    )


def states(raw, config=None):
    config = config or supervisor()
    return Mapper(config, config.machines[0]).statements(read_message(raw), TAKEN)


def stated(raw, config=None):
    (statement,) = states(raw, config)
    return statement.data


@pytest.mark.parametrize(
    ("code", "word"), [(1, "transferred"), (2, "loaded"), (3, "inserted"), (7, "unknown")]
)
def test_how_a_board_arrived(code, word):
    data = stated(arrival(how=code))
    assert isinstance(data, BoardArrived)
    assert data.how == word
    assert ("out_of_range" in data.origin.flags) == (word == "unknown")


@pytest.mark.parametrize(
    ("code", "word"), [(1, "transferred"), (2, "unloaded"), (3, "removed"), (0, "unknown")]
)
def test_how_a_board_departed(code, word):
    data = stated(departure(how=code))
    assert isinstance(data, BoardDeparted)
    assert data.how == word
    assert data.outcome == "failed"
    assert data.boards[0].side_up == "bottom"


def test_everything_said_about_a_board_is_kept():
    data = stated(
        arrival(
            'ProductTypeId="CTRL" TopBarcode="PNL000417" BottomBarcode="B417" Length="160.5" Width="100.1"'
            ' Thickness="1.6" ConveyorSpeed="250" TopClearanceHeight="20" BottomClearanceHeight="12.5" Weight="81.5"'
            ' WorkOrderId="WO-88" BatchId="2" Route="900" Action="2" UpstreamInterfaceId="left" MagazineId="MAG-7"'
            ' SlotId="12"',
            lane=2,
        )
    )
    assert (data.station, data.lane, data.outcome, data.part.number) == ("place-1", 2, "good", "CTRL")
    assert (data.order, data.order_batch) == ("WO-88", "2")
    assert (data.interface, data.magazine, data.slot) == ("left", "MAG-7", "12")
    assert data.handling.model_dump() == {
        "route": 900,
        "action": 2,
        "length_mm": 160.5,
        "width_mm": 100.1,
        "thickness_mm": 1.6,
        "weight_g": 81.5,
        "clearance_top_mm": 20.0,
        "clearance_bottom_mm": 12.5,
        "conveyor_speed_mm_s": 250.0,
    }
    transfer, top, bottom = data.boards[0].identifiers
    assert (transfer.kind, transfer.value, transfer.how, transfer.issuer) == (
        "transfer",
        GUID,
        "passed_on",
        "PRINTER-1",
    )
    assert (top.kind, top.value, top.side, top.how) == ("label", "PNL000417", "top", "passed_on")
    assert (bottom.kind, bottom.value, bottom.side) == ("label", "B417", "bottom")


def test_what_is_not_said_stays_absent():
    data = stated(arrival('TopBarcode="" WorkOrderId="" ProductTypeId=""'))
    assert [name.kind for name in data.boards[0].identifiers] == ["transfer"]
    assert (
        data.part,
        data.order,
        data.order_batch,
        data.magazine,
        data.slot,
        data.handling,
        data.equipment,
    ) == (None,) * 7
    assert "placeholder_identifier" not in data.origin.flags


def test_boards_of_a_panel_come_with_position_and_state():
    sub_boards = (
        '<SubBoards><SB Pos="1" Bc="S1" St="1"/><SB Pos="2" St="2"/><SB Pos="3" Bc="NOREAD" St="4"/>'
        '<SB Pos="4" St="3"/><SB Pos="5" St="0"/><SB Pos="6" St="9"/></SubBoards>'
    )
    data = stated(arrival('TopBarcode="PNL1"', sub_boards))
    panel, *boards = data.boards
    assert (panel.unit, panel.identifiers[1].kind) == ("panel", "panel")
    assert [board.state for board in boards] == ["good", "failed", "skipped", "missing", "unknown", None]
    assert [board.machine_position for board in boards] == ["1", "2", "3", "4", "5", "6"]
    assert {board.position for board in boards} == {None}
    assert {(board.panel.kind, board.panel.value) for board in boards} == {("panel", "PNL1")}
    assert [[name.value for name in board.identifiers] for board in boards] == [["S1"], [], [], [], [], []]
    assert {name.kind for name in boards[0].identifiers} == {"board"}
    assert {"placeholder_identifier", "out_of_range"} <= set(data.origin.flags)


def test_positions_are_the_plants_only_where_the_plant_says_so():
    inside = '<SubBoards><SB Pos="0" St="1"/><SB Pos="7" St="1"/></SubBoards>'
    data = stated(arrival(inside=inside), supervisor(positions="plant"))
    zero, seven = data.boards[1:]
    assert (zero.position, zero.machine_position, seven.position, seven.machine_position) == (
        None,
        "0",
        7,
        None,
    )
    assert "position_out_of_range" in data.origin.flags


@pytest.mark.parametrize("labels", ["panel", "board"])
def test_what_a_barcode_names_is_the_plants_to_say(labels):
    data = stated(arrival('TopBarcode="X1"'), supervisor(labels=labels))
    assert (data.boards[0].unit, data.boards[0].identifiers[1].kind) == (labels, labels)


@pytest.mark.parametrize("text", ["NOREAD", "noread", " ERROR ", "0000", "????", "   ", "-"])
def test_placeholders_name_nothing(text):
    data = stated(arrival(f'TopBarcode="{text}"'))
    assert [name.kind for name in data.boards[0].identifiers] == ["transfer"]
    assert "placeholder_identifier" in data.origin.flags


def test_no_id_and_no_guid_name_nothing():
    nil = stated(arrival(guid="00000000-0000-0000-0000-000000000000"))
    assert nil.boards[0].identifiers == ()
    assert "nil_guid" in nil.origin.flags
    odd = stated(arrival(guid="board 17"))
    assert odd.boards[0].identifiers == ()
    assert "not_a_guid" in odd.origin.flags
    trusted = stated(arrival(guid="board 17"), supervisor(board_ids="any"))
    assert trusted.boards[0].identifiers[0].value == "board 17"


def test_the_case_of_a_guid_makes_no_second_board():
    data = stated(arrival(guid=GUID.upper()))  # RFC 9562, section 4: case-insensitive on input
    assert data.boards[0].identifiers[0].value == GUID
    assert "upper_case_guid" in data.origin.flags


@pytest.mark.parametrize(("lane", "expected"), [(1, 1), (99, 99), (0, None), (-3, None), (100, None)])
def test_a_lane_is_what_the_machine_counts_or_not_known(lane, expected):
    data = stated(arrival(lane=lane))
    assert data.lane == expected
    assert ("lane_out_of_range" in data.origin.flags) == (expected is None)


def test_a_configured_lane_stands_in_and_says_so():
    config = supervisor(machine(lane=2, equipment="SN-0042"))
    data = stated(arrival(lane=1), config)
    assert (data.lane, data.equipment) == (2, "SN-0042")
    assert "lane_configured" in data.origin.flags
    assert "lane_configured" not in stated(arrival(lane=2), config).origin.flags


def test_another_machines_board_is_not_put_on_this_station():
    config = supervisor(machine(machine_id="PLACER-2"))
    data = stated(arrival(), config)
    assert isinstance(data, SourceRejected)
    assert (data.code, data.place) == ("other_machine", "BoardArrived/MachineId")
    assert "'PLACER-1'" in data.reason
    assert "'PLACER-2'" in data.reason
    assert isinstance(stated(arrival(), supervisor(machine(machine_id="PLACER-1"))), BoardArrived)


def test_the_time_is_the_machines_with_its_zone():
    (statement,) = states(arrival(), supervisor(zone="Europe/Berlin"))
    assert statement.time == datetime(2026, 3, 2, 7, 15, 35, 700_000, tzinfo=UTC)
    origin = statement.data.origin
    assert (origin.time_text, origin.time_means, origin.zone, origin.zone_basis) == (
        STAMP,
        "sent",
        "Europe/Berlin",
        "configured",
    )
    (other,) = states(arrival(), supervisor(machine(zone="UTC"), zone="Europe/Berlin"))
    assert (other.time, other.data.origin.zone) == (TAKEN, "UTC")
    assert "clock_suspect" in other.data.origin.flags


@pytest.mark.parametrize(
    ("attributes", "subject"),
    [
        ('TopBarcode="NOREAD" BottomBarcode="B1"', "B1"),
        ('TopBarcode="T1"', "T1"),
        ('BottomBarcode="B1"', "B1"),
        ("", GUID),
    ],
)
def test_the_subject_is_a_barcode_before_a_transfer_id(attributes, subject):
    (statement,) = states(arrival(attributes))
    assert statement.subject == subject


def test_a_small_message_travels_inside_its_event():
    raw = arrival()
    kept = stated(raw).origin.raw
    assert base64.b64decode(kept.inline) == raw
    assert (kept.hash, kept.size, kept.archived) == (hashlib.sha256(raw).hexdigest(), len(raw), None)


def test_a_large_message_is_left_to_the_archive():
    raw = arrival(inside="<SubBoards>" + '<SB Pos="1" St="1"/>' * 300 + "</SubBoards>")
    kept = stated(raw).origin.raw
    assert (kept.inline, kept.archived, kept.size) == (None, hashlib.sha256(raw).hexdigest(), len(raw))


def test_a_notification_is_an_alarm():
    raw = envelope('<Notification NotificationCode="5" Severity="4" Description="planned stop"/>')
    (statement,) = states(raw)
    assert isinstance(statement.data, StationAlarmRaised)
    assert (statement.data.code, statement.data.severity, statement.data.text) == (
        "5",
        "information",
        "planned stop",
    )
    assert statement.subject is None


@pytest.mark.parametrize(
    ("severity", "word"), [(1, "fatal"), (2, "error"), (3, "warning"), (4, "information"), (9, "unknown")]
)
def test_severities(severity, word):
    raw = envelope(f'<Notification NotificationCode="77" Severity="{severity}" Description=""/>')
    data = stated(raw)
    assert (data.code, data.severity, data.text) == ("77", word, None)


def test_a_question_about_a_barcode_says_which_board_is_there():
    raw = envelope('<QueryWorkOrderInfo MachineId="PLACER-1" Barcode="PNL9" WorkOrderId="WO-1" QueryId="4"/>')
    data = stated(raw)
    assert isinstance(data, BoardIdentified)
    assert ([name.value for name in data.boards[0].identifiers], data.order) == (["PNL9"], "WO-1")
    assert states(envelope('<QueryWorkOrderInfo MachineId="PLACER-1" MagazineId="M1" SlotId="3"/>')) == ()


def test_a_work_order_sent_for_a_board_is_assigned_to_it():
    raw = envelope(f'<SendWorkOrderInfo QueryId="4" WorkOrderId="WO-1" BatchId="2" BoardId="{GUID}"/>')
    data = stated(raw)
    assert isinstance(data, WorkOrderAssigned)
    assert (data.order, data.order_batch, data.boards[0].identifiers[0].value) == ("WO-1", "2", GUID)
    assert states(envelope('<SendWorkOrderInfo WorkOrderId="WO-1"/>')) == ()


@pytest.mark.parametrize(
    "body",
    [
        "<CheckAlive/>",
        '<ReplyWorkOrderInfo WorkOrderId="WO-1" Status="1"/>',
        "<Weather Temperature='21'/>",
        '<SupervisoryServiceDescription SystemId="P" Version="1.4"><SupportedFeatures/></SupervisoryServiceDescription>',
    ],
)
def test_what_is_about_no_board_states_nothing(body):
    assert states(envelope(body)) == ()


def test_an_unknown_message_that_names_a_board_is_kept():
    raw = envelope(f'<BoardWeighed BoardId="{GUID}" Weight="80"/>')
    data = stated(raw)
    assert (type(data), data.code, data.place) == (SourceRejected, "unknown_kind", "BoardWeighed")
    assert base64.b64decode(data.origin.raw.inline) == raw


def test_a_field_the_schema_cannot_hold_rejects_the_message_whole():
    data = stated(arrival(f'TopBarcode="{"X1" * 300}"'))
    assert (type(data), data.code) == (SourceRejected, "field")
    assert "512" in data.reason


def test_broken_bytes_are_kept_with_the_reason():
    config = supervisor()
    statement = Mapper(config, config.machines[0]).broken(
        RemoteProtocolError("no message\x00", b"<Hermes\xff\x00"), TAKEN
    )
    assert isinstance(statement.data, SourceRejected)
    assert base64.b64decode(statement.data.origin.raw.inline) == b"<Hermes\xff\x00"
    assert statement.time == TAKEN


_TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=20)


@settings(max_examples=100)
@given(
    name=st.sampled_from(
        ["BoardArrived", "BoardDeparted", "Notification", "QueryWorkOrderInfo", "SendWorkOrderInfo", "X"]
    ),
    values=st.dictionaries(
        st.sampled_from(
            [
                "MachineId",
                "UpstreamLaneId",
                "DownstreamLaneId",
                "BoardTransfer",
                "BoardId",
                "BoardIdCreatedBy",
                "FailedBoard",
                "FlippedBoard",
                "TopBarcode",
                "MagazineId",
                "SlotId",
                "Route",
                "Action",
                "Length",
                "WorkOrderId",
                "Barcode",
                "NotificationCode",
                "Severity",
                "Description",
            ]
        ),
        _TEXTS | st.integers(-(10**20), 10**20).map(str) | st.just(GUID),
    ),
    stamp=_TEXTS,
)
def test_whatever_can_be_read_becomes_events_of_the_schema_or_a_rejection(name, values, stamp):
    def quoted(text: str) -> str:
        return text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")

    attributes = " ".join(f'{key}="{quoted(value)}"' for key, value in values.items())
    raw = f'<Hermes Timestamp="{quoted(stamp)}"><{name} {attributes}/></Hermes>'.encode()
    config = supervisor()
    mapper = Mapper(config, config.machines[0])
    try:
        statements = mapper.statements(read_message(raw), TAKEN)
    except RemoteProtocolError as error:
        statements = (mapper.broken(error, TAKEN),)
    for ordinal, statement in enumerate(statements):
        parse_event(
            encode_event(
                event_id=EventId("1-x", 1, ordinal, 1),
                source="/harbour-works/smt/line-1/transfer",
                data=statement.data,
                time=statement.time,
                subject=statement.subject,
                recordedtime=TAKEN,
                sequence=1,
                epoch=1,
                rawname="127.0.0.1:50100",
            )
        )
        assert statement.data.origin.events == len(statements) == 1

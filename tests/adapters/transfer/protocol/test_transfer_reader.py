"""Reading: every example in three ways, what is flagged, what is an error.

IPC-HERMES-9852, as restated in the project's fact sheet.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from transfer_examples import BOARD, EXAMPLES, OWN
from transfer_strategies import cuts

from broker_bridge.adapters.transfer.protocol.flags import Flag, FlagKind
from broker_bridge.adapters.transfer.protocol.framing import Pending
from broker_bridge.adapters.transfer.protocol.messages import BoardAvailable, Message, ServiceDescription
from broker_bridge.adapters.transfer.protocol.reader import (
    MessageReader,
    Received,
    UnknownMessage,
    read_message,
)
from broker_bridge.adapters.transfer.protocol.table import MESSAGES
from broker_bridge.errors import RemoteProtocolError

CASES = [
    pytest.param(xml, value, id=f"{at}-{type(value).__name__}") for at, (xml, value) in enumerate(EXAMPLES)
]
AT = "2026-03-02T08:15:30.120"


def everything(pieces: list[bytes]) -> list[object]:
    reader = MessageReader()
    said: list[object] = []
    for piece in [piece for piece in pieces if piece] + [b""]:
        reader.receive_data(piece)
        while True:
            try:
                received = reader.next_message()
            except RemoteProtocolError as error:
                said.append((str(error), error.raw))
                continue
            if isinstance(received, Pending):
                break
            said.append(received)
    assert received is Pending.CLOSED
    return said


def flags_of(body: str, envelope: str = f'Timestamp="{AT}"') -> list[Flag]:
    return list(read_message(f"<Hermes {envelope}>{body}</Hermes>".encode()).flags)


def test_there_is_an_example_of_our_own_for_every_message() -> None:
    assert sorted(type(value).__name__ for _, value in OWN) == sorted(MESSAGES)


@pytest.mark.parametrize(("xml", "value"), CASES)
def test_example_whole(xml: str, value: Message) -> None:
    raw = xml.encode()
    (received,) = everything([raw])
    assert isinstance(received, Received)
    assert received.message == value
    assert received.raw == raw
    assert received.timestamp == xml[19:42]
    assert {flag.kind for flag in received.flags} <= {FlagKind.EMPTY}


@pytest.mark.parametrize(("xml", "value"), CASES)
def test_example_byte_by_byte(xml: str, value: Message) -> None:
    raw = xml.encode()
    (received,) = everything([raw[at : at + 1] for at in range(len(raw))])
    assert received == read_message(raw)


@pytest.mark.parametrize(("xml", "value"), CASES)
def test_example_with_a_tail(xml: str, value: Message) -> None:
    raw = xml.encode()
    said = everything([raw + b"\n" + raw + b"\n<Hermes"])
    assert said[:2] == [read_message(raw)] * 2
    assert said[2:] == []


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_cutting_the_examples_anywhere_changes_nothing(data: st.DataObject) -> None:
    chosen = data.draw(st.lists(st.sampled_from(EXAMPLES), max_size=5))
    stream = "\n".join(xml for xml, _ in chosen).encode()
    said = everything(data.draw(cuts(stream)))
    assert said == [read_message(xml.encode()) for xml, _ in chosen]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_examples_are_messages_or_errors_with_their_bytes(data: st.DataObject) -> None:
    stream = bytearray(
        "".join(xml for xml, _ in data.draw(st.lists(st.sampled_from(EXAMPLES), max_size=4))).encode()
    )
    for _ in range(data.draw(st.integers(0, 4))):
        if stream:
            at = data.draw(st.integers(0, len(stream) - 1))
            stream[at : at + data.draw(st.integers(0, 9))] = data.draw(st.binary(max_size=4))
    whole = everything([bytes(stream)])
    assert everything(data.draw(cuts(bytes(stream)))) == whole
    for said in whole:
        raw = said.raw if isinstance(said, Received) else said[1]  # type: ignore[index]
        assert raw in bytes(stream)


def test_attribute_order_does_not_matter() -> None:
    first = read_message(
        f'<Hermes Timestamp="{AT}"><Notification NotificationCode="1" Severity="2" Description="d"/></Hermes>'.encode()
    )
    second = read_message(
        f'<Hermes Timestamp="{AT}"><Notification Description="d" Severity="2" NotificationCode="1"/></Hermes>'.encode()
    )
    assert first.message == second.message


SHORT = f'<BoardAvailable BoardId="{BOARD}" BoardIdCreatedBy="M" FailedBoard="1" FlippedBoard="1"'


@pytest.mark.parametrize(
    ("body", "flags"),
    [
        (SHORT + ' Colour="green"/>', [Flag(FlagKind.UNKNOWN_ATTRIBUTE, "BoardAvailable/Colour", "green")]),
        (SHORT + "><Extra/></BoardAvailable>", [Flag(FlagKind.UNKNOWN_ELEMENT, "BoardAvailable", "Extra")]),
        (SHORT + ">text</BoardAvailable>", [Flag(FlagKind.TEXT, "BoardAvailable", "text")]),
        (SHORT + ' SubBoards="1"/>', [Flag(FlagKind.UNKNOWN_ATTRIBUTE, "BoardAvailable/SubBoards", "1")]),
        (SHORT + "><Length/></BoardAvailable>", [Flag(FlagKind.UNKNOWN_ELEMENT, "BoardAvailable", "Length")]),
        (SHORT + ' Length="wide"/>', [Flag(FlagKind.NOT_A_NUMBER, "BoardAvailable/Length", "wide")]),
        (SHORT + ' Length="1,5"/>', [Flag(FlagKind.NOT_A_NUMBER, "BoardAvailable/Length", "1,5")]),
        (SHORT + ' Length="nan"/>', [Flag(FlagKind.NOT_A_NUMBER, "BoardAvailable/Length", "nan")]),
        (SHORT + ' Length="1e999"/>', [Flag(FlagKind.NOT_A_NUMBER, "BoardAvailable/Length", "1e999")]),
        (SHORT + ' Length="1_0"/>', [Flag(FlagKind.NOT_A_NUMBER, "BoardAvailable/Length", "1_0")]),
        (SHORT + ' Route=""/>', [Flag(FlagKind.NOT_A_NUMBER, "BoardAvailable/Route", "")]),
        (SHORT + ' Route="500"/>', [Flag(FlagKind.OUT_OF_RANGE, "BoardAvailable/Route", "500")]),
        (
            SHORT
            + '><SubBoards><SB Pos="1" St="1"/><SB Pos="2" St="9" X="y"/><Q/></SubBoards></BoardAvailable>',
            [
                Flag(FlagKind.UNKNOWN_ELEMENT, "BoardAvailable/SubBoards", "Q"),
                Flag(FlagKind.UNKNOWN_ATTRIBUTE, "BoardAvailable/SubBoards/SB[2]/X", "y"),
                Flag(FlagKind.OUT_OF_RANGE, "BoardAvailable/SubBoards/SB[2]/St", "9"),
            ],
        ),
        (
            SHORT + '><SubBoards/><SubBoards><SB Pos="1" St="1"/></SubBoards></BoardAvailable>',
            [Flag(FlagKind.REPEATED_ELEMENT, "BoardAvailable/SubBoards")],
        ),
        (
            f'<StartTransport BoardId="{BOARD.upper()}"/>',
            [Flag(FlagKind.UPPER_CASE_GUID, "StartTransport/BoardId", BOARD.upper())],
        ),
        (
            '<StartTransport BoardId="board 7"/>',
            [Flag(FlagKind.NOT_A_GUID, "StartTransport/BoardId", "board 7")],
        ),
        ('<StartTransport BoardId=""/>', [Flag(FlagKind.NOT_A_GUID, "StartTransport/BoardId", "")]),
        (
            '<StartTransport BoardId="00000000-0000-0000-0000-000000000000"/>',
            [Flag(FlagKind.NIL_GUID, "StartTransport/BoardId", "00000000-0000-0000-0000-000000000000")],
        ),
        ('<MachineReady FailedBoard="7"/>', [Flag(FlagKind.OUT_OF_RANGE, "MachineReady/FailedBoard", "7")]),
        ('<CheckAlive Type="0"/>', [Flag(FlagKind.OUT_OF_RANGE, "CheckAlive/Type", "0")]),
        (
            '<ServiceDescription MachineId="" LaneId="0" Version="latest"><SupportedFeatures a="b"><FeatureX/><FeatureCommand c="d"/></SupportedFeatures></ServiceDescription>',
            [
                Flag(FlagKind.EMPTY, "ServiceDescription/MachineId", ""),
                Flag(FlagKind.OUT_OF_RANGE, "ServiceDescription/LaneId", "0"),
                Flag(FlagKind.FORM, "ServiceDescription/Version", "latest"),
                Flag(FlagKind.UNKNOWN_ATTRIBUTE, "ServiceDescription/SupportedFeatures/a", "b"),
                Flag(FlagKind.UNKNOWN_ELEMENT, "ServiceDescription/SupportedFeatures", "FeatureX"),
                Flag(
                    FlagKind.UNKNOWN_ATTRIBUTE, "ServiceDescription/SupportedFeatures/FeatureCommand/c", "d"
                ),
            ],
        ),
        # A 1.0 peer: SupportedFeatures came with 1.1.
        (
            '<ServiceDescription MachineId="M" LaneId="1" Version="1.0"/>',
            [Flag(FlagKind.MISSING, "ServiceDescription/SupportedFeatures")],
        ),
        ("<Novelty A='b'><C/></Novelty>", [Flag(FlagKind.UNKNOWN_MESSAGE, "Hermes", "Novelty")]),
        ("<CheckAlive/><CheckAlive/>", [Flag(FlagKind.EXTRA_MESSAGE, "Hermes", "CheckAlive")]),
        ("<CheckAlive/>stray", [Flag(FlagKind.TEXT, "Hermes", "stray")]),
    ],
)
def test_flagged_with_place_and_value(body: str, flags: list[Flag]) -> None:
    assert flags_of(body) == flags


def test_what_is_flagged_is_kept_as_it_came() -> None:
    raw = f'<Hermes><BoardAvailable BoardId="{BOARD.upper()}" BoardIdCreatedBy="M" FailedBoard="7" FlippedBoard="-1" Length="x" Route="500"/></Hermes>'.encode()
    message = read_message(raw).message
    assert message == BoardAvailable(
        board_id=BOARD.upper(),
        board_id_created_by="M",
        failed_board=7,
        flipped_board=-1,
        length=None,
        route=500,
    )


def test_missing_features_are_no_features() -> None:
    message = read_message(
        b'<Hermes><ServiceDescription MachineId="M" LaneId="1" Version="1.0"/></Hermes>'
    ).message
    assert isinstance(message, ServiceDescription)
    assert message.supported_features == frozenset()


def test_unknown_message_is_handed_over_by_name() -> None:
    assert read_message(b"<Hermes><Novelty/></Hermes>").message == UnknownMessage("Novelty")


@pytest.mark.parametrize(
    "timestamp",
    [
        "x",
        "",
        "2026-03-02T08:15:30",
        "2026-03-02T08:15:30.120Z",
        "2026-13-02T08:15:30.120",
        "2026-03-02 08:15:30.120",
        "٢026-03-02T08:15:30.120",
    ],
)
def test_bad_timestamp_is_flagged_and_kept(timestamp: str) -> None:
    received = read_message(f'<Hermes Timestamp="{timestamp}"><CheckAlive/></Hermes>'.encode())
    assert received.timestamp == timestamp
    assert received.flags == (Flag(FlagKind.TIMESTAMP, "Hermes/Timestamp", timestamp),)


def test_absent_timestamp_and_strange_envelope_attribute_are_flagged() -> None:
    assert flags_of("<CheckAlive/>", 'Zone="UTC"') == [
        Flag(FlagKind.TIMESTAMP, "Hermes/Timestamp"),
        Flag(FlagKind.UNKNOWN_ATTRIBUTE, "Hermes/Zone", "UTC"),
    ]


def test_junk_before_a_message_is_flagged() -> None:
    (received,) = everything([b"noise \xff" + EXAMPLES[2][0].encode()])
    assert isinstance(received, Received)
    assert received.flags == (Flag(FlagKind.JUNK, "Hermes", "noise \\xff"),)


def test_flag_repeats_no_more_than_200_characters() -> None:
    (flag,) = flags_of(f'<CheckAlive X="{"y" * 1000}"/>')
    assert flag.value == "y" * 200


REQUIRED = [
    (xml, field.spelling)
    for xml, value in OWN
    for field in MESSAGES[type(value).__name__].fields
    if field.required and field.spelling not in {"SupportedFeatures", "OptionalMessages", "Attributes"}
]


@pytest.mark.parametrize(("xml", "spelling"), REQUIRED)
def test_missing_required_attribute_is_a_protocol_error_with_the_bytes(xml: str, spelling: str) -> None:
    raw = xml.replace(f" {spelling}=", " Gone=", 1).encode()
    with pytest.raises(RemoteProtocolError, match=f"{spelling} is required and missing") as caught:
        read_message(raw)
    assert caught.value.raw == raw


@pytest.mark.parametrize(
    ("body", "what"),
    [
        ('<SupervisoryServiceDescription SystemId="x" Version="1.2"/>', "SupportedFeatures is required"),
        ("<SendHermesCapabilities><OptionalMessages/></SendHermesCapabilities>", "Attributes is required"),
        (
            SHORT + '><SubBoards><SB Pos="1" St="1"/><SB St="1"/></SubBoards></BoardAvailable>',
            r"SubBoards/SB\[2\]: Pos is required",
        ),
        ('<MachineReady FailedBoard="good"/>', "MachineReady/FailedBoard: 'good' is not a whole number"),
        ('<MachineReady FailedBoard="1.0"/>', "is not a whole number"),
        ('<MachineReady FailedBoard=""/>', "'' is not a whole number"),
        ("", "no Hermes element with a message"),
        ("text only", "no Hermes element with a message"),
    ],
)
def test_other_protocol_errors(body: str, what: str) -> None:
    raw = f'<Hermes Timestamp="{AT}">{body}</Hermes>'.encode()
    with pytest.raises(RemoteProtocolError, match=what) as caught:
        read_message(raw)
    assert caught.value.raw == raw


def test_another_root_is_a_protocol_error() -> None:
    with pytest.raises(RemoteProtocolError, match="<Other> is no Hermes element"):
        read_message(b"<Other><CheckAlive/></Other>")


def test_reading_goes_on_behind_an_error() -> None:
    good = EXAMPLES[2][0].encode()
    bad = b"<Hermes><MachineReady/></Hermes>"
    said = everything([bad + good + b"<Hermes><</Hermes>" + good])
    assert [entry == read_message(good) for entry in said] == [False, True, False, True]
    assert said[0][1] == bad  # type: ignore[index]


def test_a_character_cut_in_two_by_the_network_is_one_character() -> None:
    raw = EXAMPLES[14][0].encode()
    at = raw.index("Ü".encode()) + 1
    (received,) = everything([raw[:at], raw[at:]])
    assert received == read_message(raw)


def test_reader_shows_what_is_left_and_what_was_dropped() -> None:
    reader = MessageReader()
    reader.receive_data(b"junk<Hermes><Che")
    assert reader.next_message() is Pending.NEED_DATA
    assert reader.rest == b"<Hermes><Che"
    assert reader.junk == 4

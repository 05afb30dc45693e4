"""Writing: round trips for every message of the table, and what the strict sender refuses."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from transfer_examples import BOARD, EXAMPLES, OWN, STATED
from transfer_strategies import BY_NAME

from broker_bridge.adapters.transfer.protocol.codes import Feature
from broker_bridge.adapters.transfer.protocol.flags import FlagKind
from broker_bridge.adapters.transfer.protocol.messages import (
    BoardAvailable,
    BoardForecast,
    CheckAlive,
    Command,
    CurrentConfiguration,
    MachineReady,
    Message,
    Notification,
    SendHermesCapabilities,
    SendWorkOrderInfo,
    ServiceDescription,
    SetConfiguration,
    StartTransport,
    StopTransport,
    SubBoard,
    SupervisoryServiceDescription,
    UpstreamConfiguration,
)
from broker_bridge.adapters.transfer.protocol.reader import read_message
from broker_bridge.adapters.transfer.protocol.table import MESSAGES, younger_parts
from broker_bridge.adapters.transfer.protocol.writer import write_message
from broker_bridge.errors import LocalProtocolError

AT = datetime(2026, 3, 2, 8, 15, 30, 120_999)  # noqa: DTZ001 - the wire has no zone


@pytest.mark.parametrize("name", sorted(MESSAGES))
def test_round_trip(name: str) -> None:
    @settings(max_examples=40, deadline=None)
    @given(BY_NAME[name])
    def check(message: Message) -> None:
        raw = write_message(message, AT)
        assert raw.endswith(b"\n")
        received = read_message(raw.rstrip(b"\n"))
        assert received.message == message
        assert received.timestamp == "2026-03-02T08:15:30.120"
        # Only empty text in a required place may be odd about what we write.
        assert {flag.kind for flag in received.flags} <= {FlagKind.EMPTY}

    check()


def _same(ours: "etree._Element", given: "etree._Element") -> None:
    assert ours.tag == given.tag

    def plain(value: str) -> str:
        return f"{float(value):.6f}" if re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", value) else value

    assert {k: plain(v) for k, v in ours.items()} == {k: plain(v) for k, v in given.items()}
    assert sorted(str(child.tag) for child in ours) == sorted(str(child.tag) for child in given)
    for mine, theirs in zip(
        sorted(ours, key=lambda e: str(e.tag)), sorted(given, key=lambda e: str(e.tag)), strict=True
    ):
        _same(mine, theirs)


@pytest.mark.parametrize(("xml", "value"), EXAMPLES)
def test_examples_are_written_as_they_are_stated(xml: str, value: Message) -> None:
    """Compared by lxml: numbers as numbers, order of attributes left out."""
    ours = etree.fromstring(write_message(value, AT))
    given = etree.fromstring(xml.encode())
    _same(ours[0], given[0])


def test_an_aware_time_is_written_as_it_reads_on_the_clock() -> None:
    assert b'Timestamp="2026-01-02T03:04:05.000"' in write_message(
        CheckAlive(), datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (160.0, "160"),
        (100.1, "100.1"),
        (0.0004, "0"),
        (-0.0004, "0"),
        (1.0005, "1"),
        (2.5556, "2.556"),
        (3, "3"),
        (1e15, "1000000000000000"),
    ],
)
def test_numbers_have_three_decimals_at_most(value: float, text: str) -> None:
    assert f'Length="{text}"'.encode() in write_message(MachineReady(failed_board=0, length=value), AT)


def test_an_empty_list_of_positions_is_left_out_and_an_empty_configuration_is_not() -> None:
    assert b"SubBoards" not in write_message(SendWorkOrderInfo(), AT)
    assert write_message(CurrentConfiguration(), AT).count(b"Configurations/>") == 2


def test_line_ends_survive_in_text() -> None:
    raw = write_message(CheckAlive(id="a\r\nb\tc"), AT)
    assert b"a&#13;&#10;b&#9;c" in raw


BOARD_AVAILABLE = BoardAvailable(board_id=BOARD, board_id_created_by="M", failed_board=1, flipped_board=1)
DESCRIPTION = ServiceDescription(machine_id="M", lane_id=1, version="1.6", supported_features=frozenset())
NOTIFICATION = Notification(notification_code=1, severity=1, description="")


@pytest.mark.parametrize(
    ("message", "what"),
    [
        (replace(BOARD_AVAILABLE, board_id=None), "BoardAvailable/BoardId is required and None"),
        (replace(BOARD_AVAILABLE, board_id="7"), "BoardAvailable/BoardId: '7' is not a GUID"),
        (replace(BOARD_AVAILABLE, board_id="{" + BOARD + "}"), "is not a GUID"),
        (replace(BOARD_AVAILABLE, board_id=BOARD + "\n"), "is not a GUID"),
        (replace(BOARD_AVAILABLE, board_id="00000000-0000-0000-0000-000000000000"), "the nil one"),
        (replace(BOARD_AVAILABLE, failed_board=3), r"FailedBoard: 3 is none of \[0, 1, 2\]"),
        (replace(BOARD_AVAILABLE, failed_board=True), "FailedBoard: True is none of"),
        (replace(BOARD_AVAILABLE, failed_board="1"), "FailedBoard: '1' is none of"),
        (replace(BOARD_AVAILABLE, route=100), "Route: 100 is outside"),
        (replace(BOARD_AVAILABLE, route=1.0), "Route: 1.0 is not a whole number"),
        (replace(BOARD_AVAILABLE, route=False), "Route: False is not a whole number"),
        (replace(BOARD_AVAILABLE, length=float("nan")), "Length: nan is not a finite number"),
        (replace(BOARD_AVAILABLE, length="160"), "Length: '160' is not a finite number"),
        (replace(BOARD_AVAILABLE, length=True), "Length: True is not a finite number"),
        (replace(BOARD_AVAILABLE, top_barcode=417), "TopBarcode: 417 is not text"),
        (replace(BOARD_AVAILABLE, top_barcode="a\x00"), r"TopBarcode: 'a\\x00' holds '\\x00', which XML"),
        (replace(BOARD_AVAILABLE, top_barcode="\ud800"), "XML 1.0 cannot carry"),
        (
            replace(BOARD_AVAILABLE, sub_boards=(SubBoard(pos=1, st=5),)),
            r"SubBoards/SB\[1\]/St: 5 is none of",
        ),
        (replace(BOARD_AVAILABLE, sub_boards=("1",)), r"SubBoards/SB\[1\]: '1' is no SubBoard"),
        (
            replace(BOARD_AVAILABLE, sub_boards=tuple(SubBoard(pos=n, st=0) for n in range(4000))),
            "more than 65536",
        ),
        (replace(NOTIFICATION, notification_code=0), "NotificationCode: 0 is none of"),
        (replace(NOTIFICATION, severity=5), "Severity: 5 is none of"),
        (replace(DESCRIPTION, version="1"), "Version: '1' does not match"),
        (replace(DESCRIPTION, version="0.9"), "does not match"),
        (replace(DESCRIPTION, version="1.6\n"), "does not match"),
        (replace(DESCRIPTION, lane_id=0), "LaneId: 0 is outside"),
        (
            replace(DESCRIPTION, supported_features=frozenset({Feature.BOARD_TRACKING})),
            "SupportedFeatures has no FeatureBoardTracking",
        ),
        (StopTransport(transfer_state=0, board_id=BOARD), "TransferState: 0 is none of"),
        (Command(command=65_536), "Command: 65536 is outside"),
        (SendHermesCapabilities(optional_messages=frozenset(), attributes=3), "Attributes: 3 is no Capab"),  # type: ignore[arg-type]
        ("CheckAlive", "'CheckAlive' is no message"),
        (SubBoard(pos=1, st=1), "is no message"),
    ],
)
def test_refused_with_place_value_and_reason(message: Any, what: str) -> None:
    with pytest.raises(LocalProtocolError, match=what):
        write_message(message, AT)


def test_a_stranger_with_a_name_of_the_standard_is_no_message() -> None:
    stranger = type("CheckAlive", (), {})()
    with pytest.raises(LocalProtocolError, match="is no message"):
        write_message(stranger, AT)


def test_an_id_the_peer_made_is_repeated_as_it_is_if_asked() -> None:
    odd = StartTransport(board_id="board <7>")
    assert b'BoardId="board &lt;7&gt;"' in write_message(odd, AT, frozenset({"board <7>"}))
    with pytest.raises(LocalProtocolError):
        write_message(odd, AT)


def test_largest_message_that_is_sent_can_be_read() -> None:
    raw = write_message(CheckAlive(id=""), AT)
    filled = write_message(CheckAlive(id="x" * (65_536 - len(raw) + 1)), AT)
    assert len(filled) == 65_536 + 1  # the line end is not part of the message
    assert read_message(filled[:-1]).message
    with pytest.raises(LocalProtocolError, match="65537 bytes"):
        write_message(CheckAlive(id="x" * (65_536 - len(raw) + 2)), AT)


# Versions. Which one brought what: IPC-HERMES-9852, as restated in the project's fact sheet.


@pytest.mark.parametrize(
    ("message", "version", "younger"),
    [
        (BOARD_AVAILABLE, (1, 0), ()),
        (replace(BOARD_AVAILABLE, weight=1.0), (1, 0), ("BoardAvailable/Weight",)),
        (replace(BOARD_AVAILABLE, weight=1.0), (1, 1), ()),
        (
            replace(
                BOARD_AVAILABLE, work_order_id="", batch_id="", route=0, sub_boards=(SubBoard(pos=1, st=1),)
            ),
            (1, 2),
            ("BoardAvailable/BatchId", "BoardAvailable/Route", "BoardAvailable/SubBoards"),
        ),
        (MachineReady(failed_board=0), (1, 0), ()),
        (MachineReady(failed_board=0, length=1.0), (1, 0), ("MachineReady/Length",)),
        (BoardForecast(failed_board=0, flipped_board=0), (1, 0), ("BoardForecast",)),
        (
            replace(DESCRIPTION, supported_features=frozenset({Feature.COMMAND})),
            (1, 3),
            ("ServiceDescription/SupportedFeatures/FeatureCommand",),
        ),
        (
            SetConfiguration(
                machine_id="M",
                upstream_configurations=(
                    UpstreamConfiguration(upstream_lane_id=1, host_address="h", port=1),
                    UpstreamConfiguration(
                        upstream_lane_id=1, upstream_interface_id="i", host_address="h", port=1
                    ),
                ),
            ),
            (1, 0),
            ("SetConfiguration/UpstreamConfigurations/UpstreamConfiguration/UpstreamInterfaceId",),
        ),
        (
            SupervisoryServiceDescription(
                system_id="x", version="1.2", supported_features=frozenset({Feature.BOARD_TRACKING})
            ),
            (1, 2),
            (),
        ),
    ],
)
def test_what_a_version_does_not_have(
    message: Message, version: tuple[int, int], younger: tuple[str, ...]
) -> None:
    assert younger_parts(message, version) == younger


@settings(max_examples=60, deadline=None)
@given(message=st.sampled_from([value for _, value in OWN + STATED]))
def test_nothing_is_younger_than_the_newest_version(message: Message) -> None:
    assert younger_parts(message, (1, 6)) == ()

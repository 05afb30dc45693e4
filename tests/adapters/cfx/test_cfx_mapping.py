"""What messages of CFX state: boards, times, transactions, verdicts, limits. Messages are invented (Harbour Works)."""

from datetime import UTC, datetime
from typing import Any

import pytest
from cfx_machine import WORK, config, envelope, said, units

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.cfx.mapping import Known, Mapper
from broker_bridge.adapters.cfx.protocol.envelope import Envelope, read
from broker_bridge.events.base import Board
from broker_bridge.events.columns import unpack_numbers, unpack_texts

TAKEN = datetime(2026, 3, 2, 8, 20, tzinfo=UTC)


def told(message: Envelope, known: Known | None = None, **more: Any) -> tuple[Statement, ...]:
    return Mapper(config(**more)).read(message, TAKEN, known or Known()).statements


def first(
    name: str, body: dict[str, Any], known: Known | None = None, at: str = "2026-03-02T08:15:04Z", **more: Any
) -> Any:
    return told(envelope(name, body, at=at), known, **more)[0].data


def names(board: Board) -> list[tuple[str, str]]:
    found = [(name.kind, name.value) for name in board.identifiers]
    return found + ([("in", board.panel.value)] if board.panel else [])


# -- boards -----------------------------------------------------------------------------------------------


def test_units_that_share_an_identifier_are_numbered_in_a_panel() -> None:
    data = first("UnitsArrived", {"UnitCount": 2, "Units": units(None, None, shared="HW-P-01"), "Lane": 2})
    assert [names(board) for board in data.boards] == [[("in", "HW-P-01")], [("in", "HW-P-01")]]
    assert [board.machine_position for board in data.boards] == ["1", "2"]
    assert [board.position for board in data.boards] == [None, None]
    assert data.lane == 2


def test_the_plants_numbering_is_told_as_such() -> None:
    body = {"PrimaryIdentifier": "HW-P-01", "Units": units(None, None, shared="HW-P-01")}
    data = first("UnitsArrived", body, positions="plant")
    assert names(data.boards[0]) == [("panel", "HW-P-01")]
    assert [board.position for board in data.boards[1:]] == [1, 2]


def test_units_with_names_of_their_own_are_part_of_what_travels() -> None:
    hermes = "AA40CD8E-aa68-4ce5-a1dd-a8c41bd3fa9c"
    body = {"PrimaryIdentifier": "HW-P-01", "HermesIdentifier": hermes, "Units": units("HW-1", "HW-2")}
    data = first("UnitsArrived", body)
    assert names(data.boards[0]) == [("transfer", hermes.lower()), ("panel", "HW-P-01")]
    assert names(data.boards[1]) == [("board", "HW-1"), ("in", "HW-P-01")]


@pytest.mark.parametrize(
    ("labels", "kind"), [(None, "label"), ("board", "board"), ("panel", "panel"), ("carrier", "carrier")]
)
def test_one_name_alone_is_what_the_plant_says_it_is(labels: str | None, kind: str) -> None:
    (board,) = first("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, labels=labels).boards
    assert names(board) == [(kind, "HW-1")]


def test_a_carrier_is_never_a_board() -> None:
    data = first("UnitsArrived", {"Units": units(None, None, shared="CARRIER-7")}, labels="carrier")
    assert [names(board) for board in data.boards] == [[("carrier", "CARRIER-7")]] * 2
    assert [board.nest for board in data.boards] == ["1", "2"]


@pytest.mark.parametrize("text", ["NOREAD", "000000", "noread", "??"])
def test_placeholders_name_nothing(text: str) -> None:
    data = first("UnitsArrived", {"PrimaryIdentifier": text})
    assert data.boards == ()
    assert "placeholder_identifier" in data.origin.flags


def test_states_of_units() -> None:
    body = {
        "PrimaryIdentifier": "HW-P-01",
        "Units": [
            {"UnitIdentifier": "HW-P-01", "PositionNumber": place, "Status": word}
            for place, word in enumerate(["Pass", "Fail", "Skip", 3, "Dreaming"], 1)
        ],
    }
    data = first("UnitsArrived", body)
    assert [board.state for board in data.boards[1:]] == ["good", "failed", "skipped", "skipped", None]
    assert "unknown_word" in data.origin.flags


# -- times ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "zone", "time", "basis", "flags"),
    [
        ("2026-03-02T09:15:04.1234567+01:00", None, "08:15:04.123456", "stated", ()),
        ("2026-03-02T08:15:04Z", None, "08:15:04", "stated", ()),
        ("2026-03-02T09:15:04", "Europe/Berlin", "08:15:04", "configured", ()),
        ("2026-03-02T09:15:04", None, "08:20:00", None, ("zone_unknown",)),
        ("2026-03-02T10:15:04Z", None, "08:20:00", "stated", ("clock_suspect",)),
        ("last week", None, "08:20:00", None, ("time_unreadable",)),
    ],
)
def test_times(text: str, zone: str | None, time: str, basis: str | None, flags: tuple[str, ...]) -> None:
    (statement,) = told(
        envelope("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, at=text), machine={"zone": zone}
    )
    assert statement.time.isoformat().removesuffix("+00:00") == f"2026-03-02T{time}"
    assert statement.data.origin.zone_basis == basis
    assert statement.data.origin.flags == flags
    assert statement.data.origin.time_text == text


def test_a_message_that_is_days_late_keeps_its_time() -> None:
    (statement,) = told(envelope("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, at="2026-02-20T08:15:04Z"))
    assert statement.time.day == 20
    assert statement.data.origin.flags == ()


def test_a_hour_that_comes_twice_is_flagged() -> None:
    (statement,) = told(
        envelope("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, at="2025-10-26T02:30:00"),
        machine={"zone": "Europe/Berlin"},
    )
    assert statement.data.origin.flags == ("ambiguous_time",)


# -- transactions -----------------------------------------------------------------------------------------


def test_a_transaction_ties_what_follows_to_its_boards() -> None:
    mapper = Mapper(config(positions="plant", machine={"primary_side": "bottom"}))
    body = {
        "TransactionID": WORK.upper(), "PrimaryIdentifier": "HW-P-01", "Lane": 1, "RecipeName": "HW-A", "Revision": "4",
        "RelevantSurface": "SecondarySurface", "WorkOrderIdentifier": {"WorkOrderId": "WO-1", "Batch": "B1"},
        "Units": units("HW-1", "HW-2"),
    }  # fmt: skip
    started = mapper.read(envelope("WorkStarted", body), TAKEN, Known())
    assert started.learnt is not None
    known = Known.load(started.learnt.dump())  # as it comes back from the outbox
    assert known == started.learnt
    child = {"TransactionId": WORK, "InspectionMethod": "AOI", "InspectedUnits": [
        {"UnitIdentifier": None, "UnitPositionNumber": 2, "OverallResult": "Passed"}]}  # fmt: skip
    (inspected,) = mapper.read(envelope("TestAndInspection.UnitsInspected", child), TAKEN, known).statements
    assert names(inspected.data.boards[0]) == [("board", "HW-2"), ("in", "HW-P-01")]
    data: Any = inspected.data
    assert (data.lane, data.side, data.order, data.order_batch, data.program.name) == (
        1,
        "top",
        "WO-1",
        "B1",
        "HW-A",
    )
    assert data.transaction == WORK
    assert "boards_by_transaction" in data.origin.flags
    done = mapper.read(
        envelope("WorkCompleted", {"TransactionID": WORK, "Result": 0, "UnitCount": 0, "Units": []}),
        TAKEN,
        known,
    )
    assert [names(board)[0] for board in done.statements[0].data.boards] == [
        ("panel", "HW-P-01"), ("board", "HW-1"), ("board", "HW-2"),
    ]  # fmt: skip
    assert done.statements[0].data.outcome == "completed"  # type: ignore[attr-defined]


def test_a_nil_transaction_ties_nothing() -> None:
    data = first(
        "WorkCompleted", {"TransactionID": "00000000-0000-0000-0000-000000000000", "Result": "Failed"}
    )
    assert data.transaction is None
    assert data.outcome == "failed"


# -- inspection, test -------------------------------------------------------------------------------------

DEFECT = {
    "UniqueIdentifier": "d-1", "DefectCode": "BRIDGE", "ComponentOfInterest": {"ReferenceDesignator": "U2.11"},
    "RegionOfInterest": {"StartPointX": 1.5, "StartPointY": 2.5, "RegionSegments": []},
}  # fmt: skip


def inspection(verification: str | None = None, **more: Any) -> dict[str, Any]:
    look = {
        "UniqueIdentifier": "i-1",
        "Result": "Failed",
        "DefectsFound": [DEFECT | {"Verification": verification}],
    }
    unit = {
        "UnitIdentifier": "HW-1",
        "UnitPositionNumber": 1,
        "OverallResult": "Failed",
        "Inspections": [look],
    }
    return {"TransactionId": WORK, "InspectionMethod": "AOI", "InspectedUnits": [unit | more]}


def test_a_call_is_no_verdict() -> None:
    (statement,) = told(envelope("TestAndInspection.UnitsInspected", inspection("NotVerifiedYet")))
    data: Any = statement.data
    (call,) = data.calls
    assert (data.method, data.outcome) == ("optical", "failed")
    assert (call.key, call.label, call.place.designator, call.place.termination) == (
        "d-1",
        "BRIDGE",
        "U2",
        "11",
    )
    assert (call.place.x_mm, call.place.y_mm) == (1.5, 2.5)


@pytest.mark.parametrize(
    ("word", "verdict", "outcome"),
    [("DefectConfirmed", "confirmed", "failed"), ("DefectRejected", "false_call", "passed")],
)
def test_verdicts_are_a_review(word: str, verdict: str, outcome: str) -> None:
    mapper = Mapper(config())
    once = mapper.read(envelope("TestAndInspection.UnitsInspected", inspection()), TAKEN, Known())
    assert [statement.data.TYPE for statement in once.statements] == ["inspection.completed"]
    # The same inspection, told again with a verdict: it is not a second inspection.
    again = envelope("TestAndInspection.UnitsInspected", inspection(word), at="2026-03-02T08:18:00Z")
    reading = mapper.read(again, TAKEN, once.learnt or Known())
    assert [statement.data.TYPE for statement in reading.statements] == ["inspection.reviewed"]
    data: Any = reading.statements[0].data
    assert (data.verdicts[0].verdict, data.verdicts[0].key, data.outcome) == (verdict, "d-1", outcome)
    alone = mapper.read(again, TAKEN, Known())
    assert [statement.data.TYPE for statement in alone.statements] == [
        "inspection.completed",
        "inspection.reviewed",
    ]


@pytest.mark.parametrize(
    ("result", "outcome"),
    [("Passed", "passed"), ("Skipped", "skipped"), ("Aborted", "aborted"), ("Error", "unknown"), ("Perfect", "unknown"),
     (None, "unknown")],
)  # fmt: skip
def test_only_passed_is_a_pass(result: str | None, outcome: str) -> None:
    body = {
        "InspectionMethod": "AXI",
        "InspectedUnits": [{"UnitIdentifier": "HW-1", "OverallResult": result}],
    }
    assert first("TestAndInspection.UnitsInspected", body).outcome == outcome


def test_paste_is_a_block_also_where_its_type_is_not_stated() -> None:
    pads = [
        {
            "CRDs": f"R{place}.1",
            "Vol": 0.00002 * place,
            "Z": 0.1,
            "X": 0.5,
            "Result": "Passed" if place < 3 else "Failed",
        }
        for place in range(1, 4)
    ]
    look = {"Result": "Failed", "Measurements": pads}
    body = {"InspectionMethod": "SPI", "InspectedUnits": [
        {"UnitIdentifier": "HW-1", "OverallResult": "Failed", "Inspections": [look]}]}  # fmt: skip
    _, paste = told(envelope("TestAndInspection.UnitsInspected", body))
    data: Any = paste.data
    columns = {column.name: column for column in data.columns}
    assert (data.pads, data.out_of_limits) == (3, 1)
    assert unpack_numbers(columns["volume"]).tolist() == pytest.approx([0.00002, 0.00004, 0.00006])
    assert columns["volume"].unit == "mL"  # IPC-2591 gives volumes in millilitres
    assert unpack_texts(columns["designator"]) == ["R1", "R2", "R3"]


def test_limits_in_another_unit_are_not_compared_with_the_value() -> None:
    """As in the published example of UnitsTested: 28300 Ohm, expected 28.2 kOhm, limits without a unit."""
    value = {"Value": 28300.0, "ValueUnits": "Ohm", "ExpectedValue": 28.2, "ExpectedValueUnits": "kOhm",
             "MinimumAcceptableValue": 28.0, "MaximumAcceptableValue": 28.4}  # fmt: skip
    test = {
        "TestName": "R21",
        "Result": "Passed",
        "Measurements": [{"MeasurementName": "R21", "MeasuredValue": value}],
    }
    body = {
        "TestMethod": "ICT",
        "TestedUnits": [{"UnitIdentifier": "HW-1", "OverallResult": "Passed", "Tests": [test]}],
    }
    data = first("TestAndInspection.UnitsTested", body)
    (step,) = data.steps
    assert (step.value, step.unit, step.nominal, step.lower, step.upper) == (28300.0, "Ohm", None, None, None)
    assert "limit_unit_differs" in data.origin.flags


def test_what_was_not_mounted_is_not_told_as_mounted() -> None:
    body = {"TransactionId": WORK, "InstalledMaterials": [{
        "UnitIdentifier": "HW-1", "QuantityInstalled": 2,
        "Material": {"UniqueIdentifier": "REEL-1", "InternalPartNumber": "P-1", "BatchId": "L-1"},
        "CarrierLocation": {"LocationName": "12", "CarrierInformation": {"UniqueIdentifier": "F-1", "LaneNumber": 2}},
        "InstalledComponents": [{"ReferenceDesignator": "R1"}, {"ReferenceDesignator": "R2"}],
        "NonInstalledComponents": [{"ReferenceDesignator": "R3", "RejectionReason": "ErrorAfterPickUp"}]}]}  # fmt: skip
    data = first("Assembly.MaterialsInstalled", body)
    assert [place.designator for place in data.places] == ["R1", "R2"]
    assert [place.designator for place in data.not_installed] == ["R3"]
    assert (data.material.id, data.material.lots, data.feeding.slot, data.feeding.subslot, data.feeding.feeder) == (
        "REEL-1", ("L-1",), "12", "2", "F-1",
    )  # fmt: skip


# -- who is refused, and what of it is told ---------------------------------------------------------------


def test_a_machine_nobody_named_is_rejected_or_left_aside() -> None:
    stranger = envelope("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, Source="Somebody.Else.1")
    (statement,) = told(stranger)
    data: Any = statement.data
    assert (data.TYPE, data.code, data.place) == ("source.rejected", "unknown_handle", "Source")
    assert told(stranger, other_handles="ignore") == ()
    nobody = envelope("UnitsArrived", {"PrimaryIdentifier": "HW-1"}, Source=None)
    assert told(nobody, other_handles="ignore")[0].data.TYPE == "source.rejected"


def test_an_unknown_message_and_a_wrong_field_are_rejected_with_their_bytes() -> None:
    for message, code, place in (
        (envelope("CFX.Production.WorkDreamt", {}), "unknown_kind", "MessageName"),
        (
            envelope("UnitsArrived", {"Units": [{"PositionNumber": "first"}]}),
            "field",
            "Units[0].PositionNumber",
        ),
    ):
        (statement,) = told(message)
        data: Any = statement.data
        assert (data.TYPE, data.code, data.place, data.station) == ("source.rejected", code, place, "spi-1")
        assert data.origin.raw.archived is not None


def test_a_body_without_type_and_in_other_spelling_says_the_same() -> None:
    plain = {"primaryidentifier": "HW-1", "LANE": "1", "$type": "CFX.Production.UnitsArrived, CFX"}
    data = first("UnitsArrived", plain)
    assert names(data.boards[0]) == [("label", "HW-1")]
    assert data.lane == 1


def test_every_message_of_any_shape_gives_statements_of_ours() -> None:
    """Bodies of the wrong shape for every message: told, kept or rejected, never an exception."""
    from broker_bridge.adapters.cfx.mapping.table import STATING

    mapper = Mapper(config())
    shapes: list[dict[str, Any]] = [
        {}, {"Units": []}, {"Units": [None]}, {"Units": "x"}, {"TransactionID": 7}, {"TransactionId": "x"}, {"Lane": {}},
        {"Result": []}, {"Stage": "x"}, {"Fault": []}, {"NewState": []}, {"Materials": [{"MaterialData": {"MSDLevel": 99}}]},
        {"Readings": [{"Value": {}}]}, {"MagazineData": {"MagazineId": "M", "HermesUnits": [{"FlippedBoard": "x"}]}},
        {"InspectedUnits": [{"Inspections": [{"Measurements": [{"Vol": "x"}]}]}]}, {"CommonProcessData": {"A": [1, [2]]}},
    ]  # fmt: skip
    for name in STATING:
        for shape in shapes:
            (message,) = read(said(name, shape))
            assert isinstance(message, Envelope)
            assert mapper.read(message, TAKEN, Known()).statements, (name, shape)

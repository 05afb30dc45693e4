"""One pass of a board told by board transfer, by CFX and by a log: one visit, three witnesses, one inspection."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

import orjson
import pytest
from told import Told, board, history_of
from transfer_plant import machine, supervisor

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.cfx.mapping import Known
from broker_bridge.adapters.cfx.mapping import Mapper as CfxMapper
from broker_bridge.adapters.cfx.protocol.envelope import Envelope, read
from broker_bridge.adapters.transfer.mapping import Mapper as TransferMapper
from broker_bridge.adapters.transfer.protocol import read_message
from broker_bridge.config import CfxAdapter
from broker_bridge.events.fact import Fact
from broker_bridge.trace.mentions import Node

GUID = "5f0c7c1e-91aa-4f0e-8b51-7a2f5f4a1c10"
WORK = "2c24590d-39c5-4039-96a5-91900cecedfa"
STATION = "place-1"


def transferred(kind: str, clock: str) -> tuple[Statement, ...]:
    """What the transfer protocol says; it knows the transfer id only."""
    lane = "UpstreamLaneId" if kind == "BoardArrived" else "DownstreamLaneId"
    raw = (
        f'<Hermes Timestamp="2026-03-02T{clock}.000"><{kind} MachineId="PLACER-1" {lane}="1" BoardTransfer="1"'
        f' BoardId="{GUID}" BoardIdCreatedBy="PRINTER-1" FailedBoard="1" FlippedBoard="1"/></Hermes>'
    ).encode()
    config = supervisor(machine(STATION), zone="UTC")
    taken = datetime.fromisoformat(f"2026-03-02T{clock}+00:00")
    return TransferMapper(config, config.machines[0]).statements(read_message(raw), taken)


class Cfx:
    """A machine at the same station, with its transactions."""

    def __init__(self) -> None:
        config = CfxAdapter.model_validate(
            {
                "kind": "cfx", "name": "cfx", "area": "smt", "line": "line-1", "listen": {}, "labels": "board",
                "machines": [{"handle": "HarbourWorks.Placer.1", "station": STATION}],
            }
        )  # fmt: skip
        self._mapper = CfxMapper(config)
        self._known = Known()

    def says(self, name: str, clock: str, body: dict[str, Any]) -> tuple[Statement, ...]:
        raw = {
            "MessageName": f"CFX.Production.{name}", "Source": "HarbourWorks.Placer.1",
            "TimeStamp": f"2026-03-02T{clock}Z", "MessageBody": body,
        }  # fmt: skip
        (message,) = read(json.dumps(raw).encode())
        assert isinstance(message, Envelope)
        reading = self._mapper.read(message, datetime(2026, 3, 2, 12, tzinfo=UTC), self._known)
        if reading.transaction is not None:
            self._known = reading.learnt or self._known
        return reading.statements


def facts(told: Told, source: str, generation: str, statements: Iterable[Statement]) -> None:
    """Statements as facts of a source, as the edge numbers them."""
    for ordinal, statement in enumerate(statements):
        number = len(told.facts) + 1
        told.facts.append(
            Fact(
                number, number, f"/harbour/smt/line-1/{source}", generation, 0, ordinal, 1, statement.data.TYPE,
                statement.time.isoformat().replace("+00:00", "Z"),
                orjson.loads(statement.data.model_dump_json(exclude_none=True)),
            )
        )  # fmt: skip


@pytest.fixture
def told() -> Told:
    told = Told()
    facts(told, "transfer", "t-1", transferred("BoardArrived", "10:00:00"))
    cfx = Cfx()
    both = {"PrimaryIdentifier": "HW-0001", "HermesIdentifier": GUID.upper(), "UnitCount": 1, "Units": []}
    facts(told, "cfx", "m-1", cfx.says("UnitsArrived", "10:00:01", both | {"Lane": 1}))
    facts(
        told,
        "cfx",
        "m-2",
        cfx.says("WorkStarted", "10:00:02", both | {"TransactionID": WORK, "RecipeName": "HW-A"}),
    )
    inspected = {
        "TransactionId": WORK, "InspectionMethod": "AOI", "RecipeName": "HW-A",
        "InspectedUnits": [{
            "UnitIdentifier": None, "UnitPositionNumber": None, "OverallResult": "Failed",
            "Inspections": [{
                "InspectionStartTime": "2026-03-02T10:00:02Z", "InspectionEndTime": "2026-03-02T10:00:10Z",
                "Result": "Failed", "DefectsFound": [{
                    "DefectCode": "bridge", "ComponentOfInterest": {"ReferenceDesignator": "R21"}}],
            }],
        }],
    }  # fmt: skip
    facts(told, "cfx", "m-3", cfx.says("TestAndInspection.UnitsInspected", "10:00:11", inspected))
    told.inspects(
        STATION, "10:00:02", "10:00:10", board("HW-0001"), outcome="failed", source="log", program={"name": "HW-A"},
        calls=[{"place": {"designator": "R21"}, "label": "bridge"}],
    )  # fmt: skip
    facts(
        told,
        "cfx",
        "m-4",
        cfx.says("WorkCompleted", "10:00:12", {"TransactionID": WORK, "Result": "Completed"}),
    )
    facts(told, "cfx", "m-5", cfx.says("UnitsDeparted", "10:00:14", both | {"Lane": 1}))
    facts(told, "transfer", "t-2", transferred("BoardDeparted", "10:00:15"))
    return told


def test_one_visit_with_three_witnesses(told: Told) -> None:
    found = history_of(told.facts, Node("board", "HW-0001"))
    (visit,) = found.route
    assert visit.station == STATION
    assert visit.certainty == "observed"
    assert {evidence.source.rpartition("/")[2] for evidence in visit.evidence} == {"transfer", "cfx", "log"}
    assert visit.program is not None
    assert visit.program.name == "HW-A"
    assert (visit.arrived_certainty, visit.departed_certainty) == ("observed", "observed")


def test_one_inspection_and_one_call_of_it(told: Told) -> None:
    found = history_of(told.facts, Node("board", "HW-0001"))
    (inspection,) = found.inspections
    assert inspection.outcome == "failed"
    assert {evidence.source.rpartition("/")[2] for evidence in inspection.evidence} == {"cfx", "log"}
    (call,) = inspection.calls  # nobody has judged it, so it is no defect yet
    assert {evidence.source.rpartition("/")[2] for evidence in call.evidence} == {"cfx", "log"}
    assert len(found.undecided) == 1


def test_the_transfer_id_finds_the_same_board(told: Told) -> None:
    found = history_of(told.facts, Node("transfer", GUID))
    assert ("board", "HW-0001") in {(name.kind, name.value) for name in found.identity.identifiers}
    assert len(found.route) == 1

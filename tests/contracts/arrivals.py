"""Events for tests of store and recorder, made by the schema itself."""

from datetime import UTC, datetime, timedelta

from broker_bridge.events.base import Board, Data, Identifier, Origin
from broker_bridge.events.board import BoardArrived
from broker_bridge.events.envelope import padded
from broker_bridge.events.source import SourceGap
from broker_bridge.events.union import EVENT_TYPES, dump_event, schema_uri
from broker_bridge.store.base import Arrival

SOURCE = "/harbour/smt/line-1/spi"
EPOCH = 1_790_000_000_000
START = datetime(2026, 11, 2, 6, 0, tzinfo=UTC)


def arrival(
    sequence: int,
    *,
    source: str = SOURCE,
    epoch: int = EPOCH,
    generation: str = "gen",
    position: int | None = None,
    ordinal: int = 0,
    revision: int = 1,
    data: Data | None = None,
    board: str = "HW-0001",
    time: datetime = START,
    recorded: datetime = START,
) -> Arrival:
    """One event; by default a board that arrived, its position in the file following its number."""
    said = data or board_arrived(board)
    event = EVENT_TYPES[said.TYPE](
        id=f"{generation}.{sequence * 100 if position is None else position}.{ordinal}.{revision}",
        source=source,
        type=said.TYPE,
        subject=board,
        time=time,
        dataschema=schema_uri(said.TYPE),
        recordedtime=recorded,
        sequence=padded(sequence),
        epoch=padded(epoch),
        data=said,
    )
    return Arrival(event, dump_event(event))


def board_arrived(board: str = "HW-0001", station: str = "printer-1") -> BoardArrived:
    """A board that came into a station."""
    return BoardArrived(
        how="transferred",
        station=station,
        equipment="SN-77",
        lane=1,
        boards=(Board(unit="board", identifiers=(Identifier(kind="board", value=board, how="read"),)),),
        origin=Origin(
            adapter="spi",
            time_text="2026-11-02 06:00:00",
            time_means="end",
            zone="UTC",
            zone_basis="configured",
        ),
    )


def gap(of_epoch: int, first: int, last: int | None) -> SourceGap:
    """A gap that closes a range of an epoch; without `last` the rest of it."""
    return SourceGap(
        cause="range_not_held", of_epoch=of_epoch, first=first, last=last, origin=Origin(adapter="spi")
    )


def run_of(first: int, last: int, **more: object) -> list[Arrival]:
    """The events numbered `first` to `last`, a second apart."""
    return [
        arrival(number, board=f"HW-{number:04}", time=START + timedelta(seconds=number), **more)  # type: ignore[arg-type]
        for number in range(first, last + 1)
    ]

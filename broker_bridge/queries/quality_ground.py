"""Reads everything that the question where defects came to be stands on."""

from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Progress, read_columns
from broker_bridge.queries.columns_oven import read_oven
from broker_bridge.queries.columns_paste import read_paste
from broker_bridge.queries.columns_placements import read_placements
from broker_bridge.queries.parts import read_parts
from broker_bridge.queries.quality_looks import defects
from broker_bridge.queries.quality_occurrence import Ground
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf


def read_ground(
    record: Record, as_of: AsOf, choice: Choice, progress: Progress = lambda done, of: None
) -> Ground:
    """Of the whole record, as what came before is told by other stations, at other times; ovens of the affected boards only."""
    columns = read_columns(record, as_of, progress)
    affected = {defect.board for defect in defects(columns, columns.chosen(choice))}
    return Ground(
        columns,
        read_parts(record, as_of),
        read_paste(record, as_of, Choice(any_purpose=True), ("volume",), progress),
        read_placements(record, columns.boards, as_of, progress),
        read_oven(record, columns.boards, affected, as_of, progress),
    )

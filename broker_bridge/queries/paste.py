"""Paste values pad by pad, on demand: they are read from the record only when somebody asks for them."""

import math
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from broker_bridge.errors import RecordDamaged, WireError
from broker_bridge.queries.record import Record
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.history import History
from broker_bridge.trace.inspections import Inspection


class PasteValues(NamedTuple):
    """The paste of one inspection, as columns of equal length: one entry a pad."""

    inspection: Inspection
    block: str
    """SHA-256 of the packed columns, proven when they were read."""
    units: Mapping[str, str]
    """Units of the columns that have one."""
    columns: Mapping[str, list[float | None] | list[str | None]]
    """None: not measured."""
    evidence: Evidence


def paste(record: Record, history: History) -> Iterator[PasteValues]:
    """The paste values of a history's inspections, in its order.

    Raises RecordDamaged when a block is not what its event says it is: nothing of it may be used.
    """
    for inspection in history.inspections:
        for measured in inspection.paste:
            # Every witness of a block holds the same bytes: their hash is what makes them one.
            yield _values(record, inspection, measured.block, measured.evidence[0])


def _values(record: Record, inspection: Inspection, block: str, evidence: Evidence) -> PasteValues:
    from broker_bridge.events.columns import block_hash, unpack_numbers, unpack_texts
    from broker_bridge.events.reading import Column

    (fact,) = record.reader.facts([record.reader.number_of(evidence.source, evidence.id)])
    packed = [Column.model_validate(column) for column in fact.data["columns"]]
    units = {column.name: column.unit for column in packed if column.unit}
    columns: dict[str, list[float | None] | list[str | None]] = {}
    try:
        if block_hash(packed) != block:
            raise WireError("their hash is another one")
        for column in packed:
            if column.encoding == "text":
                columns[column.name] = unpack_texts(column)
            else:
                values = unpack_numbers(column).tolist()
                columns[column.name] = [None if math.isnan(value) else value for value in values]
        uneven = {name: len(values) for name, values in columns.items() if len(values) != fact.data["pads"]}
        if uneven:
            raise WireError(f"{fact.data['pads']} pads are stated, columns hold {uneven}")
    except WireError as error:
        raise RecordDamaged(f"paste values of event {evidence.id} of {evidence.source}: {error}") from error
    return PasteValues(inspection, block, units, columns, evidence)

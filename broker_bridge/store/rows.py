"""Rows of the record as the seam's plain values; shared by writer and reader, so it needs no models."""

import json
from collections.abc import Sequence
from typing import Any, Final

from broker_bridge.store.base import Progress, Refusal, RefusedRow
from broker_bridge.store.packing import unpack

REFUSALS: Final = (
    "SELECT number, topic, code, reason, source, epoch, sequence, commit_no, first_seen, last_seen, times,"
    " resolved, encoding, body FROM refusals"
)

PROGRESS: Final = (
    "SELECT e.number, s.name, epoch, contiguous, above, last, closed FROM epochs AS e"
    " JOIN sources AS s ON s.number = e.source"
)


def progress_of(columns: Sequence[Any]) -> Progress:
    """From the columns of PROGRESS behind the number."""
    source, epoch, contiguous, above, last, closed = columns
    ranges = tuple((first, upto) for first, upto in json.loads(above))
    return Progress(source, epoch, contiguous, ranges, last, bool(closed))


def refused_row(row: Sequence[Any]) -> RefusedRow:
    """From the columns of REFUSALS."""
    (
        number,
        topic,
        code,
        reason,
        source,
        epoch,
        sequence,
        commit,
        first,
        last,
        times,
        resolved,
        encoding,
        body,
    ) = row
    refusal = Refusal(topic, code, reason, unpack(encoding, body), source, epoch, sequence)
    return RefusedRow(number, refusal, commit, first, last, times, resolved)

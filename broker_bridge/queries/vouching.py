"""What may be said to a machine about what a barcode names, from the record as it is now."""

from typing import Final

from broker_bridge.queries.boards import board
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import History
from broker_bridge.trace.statements import instant
from broker_bridge.trace.vouching import Vouched, together, vouch

_BOARDS: Final = 16
"""Boards of a panel that are looked at: a machine waits for the answer."""


def vouched(record: Record, identifier: str) -> Vouched:
    """What may be said. Raises what `boards.board` does: NotFound, Ambiguous, UsageError."""
    whole = board(record, identifier)
    behind = record.note
    newest = record.reader.head().commit
    if behind is None and newest != whole.as_of.commit:
        behind = f"the record has gone on to commit {newest} meanwhile"
    told = _one(record, whole, behind)
    members = whole.identity.boards
    if not members:
        return told
    if len(members) > _BOARDS:
        return together(
            told, [told._replace(word="unknown", reasons=(f"more than {_BOARDS} boards are in it",))]
        )
    parts = []
    for member in members:
        if member.value is not None:
            part = board(record, member.value, kind=member.kind)
        elif member.position is not None:
            part = board(record, identifier, position=member.position)
        else:
            parts.append(told._replace(word="unknown", reasons=("one of its boards is not told apart",)))
            continue
        parts.append(_one(record, part, behind))
    return together(told, parts)


def _one(record: Record, history: History, behind: str | None) -> Vouched:
    return vouch(history, declared=_declared(record, history), behind=behind)


def _declared(record: Record, history: History) -> bool:
    """Whether every line it was on had a declared process then."""
    first = history.completeness.first_seen
    if first is None:
        return False
    lines = {source.source.rpartition("/")[0] for source in history.completeness.sources}
    stated = {
        f"/{fact.source.split('/')[1]}/{fact.data['line']}"
        for fact in record.reader.typed(("line.declared",), 0, history.as_of.number, 1000)
        if instant(fact.data["valid_from"]) <= first
    }
    return bool(lines) and all(f"/{line.split('/')[1]}/{line.rpartition('/')[2]}" in stated for line in lines)

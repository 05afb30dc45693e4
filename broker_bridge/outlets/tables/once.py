"""All tables of a record, once, into an empty folder."""

from collections.abc import Callable, Collection
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.events.fact import Fact
from broker_bridge.outlets.leaving import Choice, Marked
from broker_bridge.outlets.tables.writer import Writer
from broker_bridge.queries.record import Record

_STEP: Final = 20_000


class Written(NamedTuple):
    """What was written."""

    commit: int
    """The record was as of this commit."""
    events: int
    withheld: int
    """Events that the choice does not let out."""


def export(
    record: Record,
    folder: Path,
    choice: Choice,
    *,
    tables: Collection[str],
    csv: bool,
    progress: Callable[[int, int], None],
) -> Written:
    """Write them; `progress` is told events done and all. Raises UsageError without pyarrow, OutletUnavailable."""
    as_of = record.as_of()
    marked = _marked(record, as_of.number)
    writer = Writer(folder, tables=tables, csv=csv, may_tell=lambda part: choice.may_tell(part, marked))
    number = events = withheld = 0
    while number < as_of.number:
        facts = [fact for fact in record.reader.after(number, _STEP) if fact.number <= as_of.number]
        leaving: list[Fact] = []
        for fact in facts:
            if choice.withheld(fact, marked) is None:
                data = choice.cut(fact.data)
                leaving.append(fact if data is fact.data else fact._replace(data=data))
        writer.take(record, leaving, number + 1)
        events += len(leaving)
        withheld += len(facts) - len(leaving)
        number = facts[-1].number
        progress(number, as_of.number)
    writer.derive(record)
    return Written(as_of.commit, events, withheld)


def _marked(record: Record, upto: int) -> Marked:
    """Which parts are marked, and where any is, which boards are of them."""
    marked = Marked()
    after = 0
    while found := record.reader.typed(("line.part_declared",), after, upto, _STEP):
        marked.declare(found)
        after = found[-1].number
    after = 0
    while marked.any and (found := record.reader.after(after, _STEP)):
        marked.learn(found)
        after = found[-1].number
    return marked

"""The balance of a work order, every board judged by its own history."""

from datetime import timedelta

from broker_bridge.errors import NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.projector.derived import Derived
from broker_bridge.queries.many import Progress, all_facts, boards, facts_of, named
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settled
from broker_bridge.trace.balance import Balance, Course, balance, course, member
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.statements import instant
from broker_bridge.trace.whereabouts import IDLE


def balance_of(
    record: Record,
    order: str,
    *,
    end: str | None = None,
    idle: timedelta = IDLE,
    at: int | None = None,
    progress: Progress | None = None,
) -> Balance:
    """The balance as of a commit (the newest by default); "now" is the time of the newest event.

    `end` is the station after which a board is finished, for plants that declare no process. Raises NotFound when no
    event names the order.
    """
    as_of = record.as_of(at)
    courses = _courses(record, order, as_of, progress)
    assigned = [
        fact
        for fact in facts_of(record, ("work.order_assigned",), as_of)
        if order in (fact.data.get("order"), fact.data.get("parent"))
    ]
    own = [fact for fact in assigned if fact.data.get("order") == order]
    span = record.reader.span(as_of.number)
    if span is None or not (courses or own or _named(record, order, as_of)):
        raise NotFound(f"work order {order!r} is not in record {as_of.record} as of commit {as_of.commit}")
    now = instant(span[1])
    quantities = [fact.data["quantity"] for fact in own if fact.data.get("quantity")]
    related = [
        other
        for fact in assigned
        for other in (fact.data.get("order"), fact.data.get("parent"))
        if other is not None and other != order
    ]
    members = [one for each in courses if (one := member(each, order, end, now, idle)) is not None]
    return balance(order, members, as_of, quantities[-1] if quantities else None, related)


def _courses(record: Record, order: str, as_of: AsOf, progress: Progress | None) -> list[Course]:
    """The newest from what is derived; of an older commit from the histories of all boards of the order."""
    if as_of.commit == record.as_of().commit and settled(record, progress):
        derived = Derived(record.index.path)
        try:
            return derived.made_under(order)
        finally:
            derived.close()
    return [
        course(history) for history in boards(record, named(_named(record, order, as_of)), as_of, progress)
    ]


def _named(record: Record, order: str, as_of: AsOf) -> list[Fact]:
    return [fact for fact in all_facts(record, as_of) if fact.data.get("order") == order]

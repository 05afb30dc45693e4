"""The balance of a work order, every board judged by its own history."""

from datetime import timedelta

from broker_bridge.errors import NotFound
from broker_bridge.queries.many import all_facts, boards, named
from broker_bridge.queries.record import Record
from broker_bridge.trace.balance import IDLE, Balance, balance, member
from broker_bridge.trace.statements import instant


def balance_of(
    record: Record, order: str, *, end: str | None = None, idle: timedelta = IDLE, at: int | None = None
) -> Balance:
    """The balance as of a commit (the newest by default); "now" is the time of the newest event.

    `end` is the station after which a board is finished, for plants that declare no process. Raises NotFound when no
    event names the order.
    """
    as_of = record.as_of(at)
    found = [
        fact
        for fact in all_facts(record, as_of)
        if order in (fact.data.get("order"), fact.data.get("parent"))
    ]
    own = [fact for fact in found if fact.data.get("order") == order]
    span = record.reader.span(as_of.number)
    if not own or span is None:
        raise NotFound(f"work order {order!r} is not in record {as_of.record} as of commit {as_of.commit}")
    now = instant(span[1])
    assigned = [fact for fact in found if fact.type == "work.order_assigned"]
    quantities = [
        fact.data["quantity"]
        for fact in assigned
        if fact.data.get("order") == order and fact.data.get("quantity")
    ]
    related = [
        other
        for fact in assigned
        for other in (fact.data.get("order"), fact.data.get("parent"))
        if other is not None and other != order
    ]
    members = [
        one
        for history in boards(record, named(own), as_of)
        if (one := member(history, order, end, now, idle)) is not None
    ]
    return balance(order, members, as_of, quantities[-1] if quantities else None, related)

"""A work order's boards: started = finished + scrapped + in process + not accounted for, each a list.

The order belongs to the board, not to what a line runs at the moment. Positions that are crossed out or missing were
never boards; reference boards and the like are told apart.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.portrait import Key
from broker_bridge.trace.value import Value
from broker_bridge.trace.whereabouts import IDLE, Whereabouts, standing, whereabouts


class Member(Value):
    """One board of the order."""

    board: Key
    unit: str
    """panel where its boards are not known one by one: it counts as one."""
    since: datetime
    """First named under this order."""
    state: str
    """finished, scrapped, in_process, not_accounted_for; not counted: skipped, other_order, not_product"""
    station: str | None
    """Where it was seen last."""
    seen: datetime | None
    note: str | None


class Under(Value):
    """A work order a board was made under, and since when it is named under it."""

    order: str
    since: datetime


class Course(Value):
    """What the balance of any of its orders needs of a board."""

    board: Key
    unit: str
    purpose: str | None
    skipped: str | None
    """Why the position never was a board."""
    orders: tuple[Under, ...]
    where: Whereabouts
    why: str | None
    """Why it was dispositioned as it was last."""


class Balance(Value):
    """The balance of one order."""

    sentence: str
    order: str
    ordered: int | None
    """Quantity of the order, where stated."""
    started: tuple[Member, ...]
    finished: tuple[Member, ...]
    scrapped: tuple[Member, ...]
    in_process: tuple[Member, ...]
    not_accounted_for: tuple[Member, ...]
    skipped: tuple[Member, ...]
    """Positions that are crossed out or missing: never boards."""
    not_product: tuple[Member, ...]
    """Reference boards, dummies and the like."""
    other_order: tuple[Member, ...]
    """Began under this order and belong to another one now."""
    related: tuple[str, ...]
    """Orders it was split from, merged into or reworked by, as stated."""
    as_of: AsOf
    caution: str


_COUNTED: Final = ("finished", "scrapped", "in_process", "not_accounted_for")
_CAUTION: Final = (
    "A balance that agrees is no proof that every board is good; finished says only that it left the process."
)


def course(history: History) -> Course:
    """What the balance needs of a history."""
    who = history.identity
    never = who.states and all(state.state in ("skipped", "missing") for state in who.states)
    disposed = [one for one in history.decisions if one.type == "board.dispositioned"]
    return Course(
        board=who.key,
        unit=who.unit,
        purpose=who.purpose,
        skipped=f"{who.states[-1].state}, says {who.states[-1].station or 'a source'}" if never else None,
        orders=tuple(Under(one.order, one.since) for one in who.work_orders),
        where=whereabouts(history),
        why=disposed[-1].why if disposed else None,
    )


def member(one: Course, order: str, end: str | None, now: datetime, idle: timedelta = IDLE) -> Member | None:
    """A board's place in the balance as of `now`; None where it was never made under the order.

    `end` is the station after which a board is finished; without it that is the end of the declared process.
    """
    since = next((under.since for under in one.orders if under.order == order), None)
    if since is None:
        return None
    state, note = _state(one, order, end, now, idle)
    return Member(
        board=one.board,
        unit=one.unit,
        since=since,
        state=state,
        station=one.where.station,
        seen=one.where.seen,
        note=note,
    )


def balance(
    order: str,
    members: Iterable[Member],
    as_of: AsOf,
    ordered: int | None = None,
    related: Sequence[str] = (),
) -> Balance:
    """The lists, each in order of the board's name."""
    found = sorted(members, key=lambda one: (one.board.value, one.board.position or 0))

    def of(*states: str) -> tuple[Member, ...]:
        return tuple(one for one in found if one.state in states)

    lists = {state: of(state) for state in _COUNTED}
    started = of(*_COUNTED)
    terms = " + ".join(f"{len(lists[state])} {state.replace('_', ' ')}" for state in _COUNTED)
    sentence = f"Order {order}: {len(started)} started = {terms}."
    if ordered is not None and ordered > len(started):
        sentence += f" {ordered} were ordered: {ordered - len(started)} have not begun, or were never seen."
    if ordered is not None and ordered < len(started):
        sentence += f" {ordered} were ordered: {len(started) - ordered} more were started."
    return Balance(
        sentence, order, ordered, started, lists["finished"], lists["scrapped"], lists["in_process"],
        lists["not_accounted_for"], of("skipped"), of("not_product"), of("other_order"), tuple(sorted(set(related))),
        as_of, _CAUTION,
    )  # fmt: skip


def _state(
    one: Course, order: str, end: str | None, now: datetime, idle: timedelta
) -> tuple[str, str | None]:
    if one.purpose not in (None, "production"):
        return "not_product", one.purpose
    if one.skipped is not None:
        return "skipped", one.skipped
    newest = one.orders[-1]
    if newest.order != order:
        return "other_order", f"under {newest.order} since {newest.since:%Y-%m-%d %H:%M}"
    where = one.where
    if where.state == "scrapped":
        return "scrapped", one.why
    if where.state in ("shipped", "returned"):
        return "finished", where.state
    state = standing("in_process" if end is not None else where.state, where.there, where.seen, now, idle)
    note = "on hold" if where.held else f"{where.again}, and seen again" if where.again else None
    if end is not None and where.station == end and not where.there:
        return "finished", note or f"left {end}"
    if state == "left_line":
        return "finished", note or f"left the {where.end}"
    if where.seen is None:
        return state, "never seen at a station"
    if where.by_hand:
        return state, "taken out by hand"
    if state == "not_accounted_for":
        note = note or f"nothing is known of it since it left {where.station or 'a station'}"
    return state, note

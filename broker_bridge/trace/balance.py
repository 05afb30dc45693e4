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

IDLE: Final = timedelta(hours=24)
"""A board that nothing was said of for so long, and that is at no station, is not accounted for; common practice, no
source."""


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


class Left(Value):
    """Where and when a board was seen last."""

    station: str | None
    arrived: datetime
    departed: datetime | None
    by_hand: bool


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
    scrapped: bool
    why: str | None
    """Why it was scrapped."""
    shipped: bool
    held: bool
    last: Left | None
    ended: datetime | None
    """When it left the last station of its declared process."""
    end: str | None


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
    last = history.route[-1] if history.route else None
    end = history.ends[-1] if history.ends else None
    return Course(
        board=who.key,
        unit=who.unit,
        purpose=who.purpose,
        skipped=f"{who.states[-1].state}, says {who.states[-1].station or 'a source'}" if never else None,
        orders=tuple(Under(one.order, one.since) for one in who.work_orders),
        scrapped=bool(disposed) and disposed[-1].what == "scrap",
        why=disposed[-1].why if disposed else None,
        shipped=any(one.type == "board.shipped" for one in history.decisions),
        held=bool(history.held),
        last=Left(last.station, last.arrived, last.departed, last.left == "removed") if last else None,
        ended=end.time if end else None,
        end=end.what if end else None,
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
        station=one.last.station if one.last else None,
        seen=(one.last.departed or one.last.arrived) if one.last else None,
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
    if one.scrapped:
        return "scrapped", one.why
    if one.shipped:
        return "finished", "shipped"
    held = "on hold" if one.held else None
    last = one.last
    if last is None:
        return "not_accounted_for", "never seen at a station"
    if end is not None:
        if last.station == end and last.departed is not None:
            return "finished", held or f"left {end}"
    elif one.ended is not None and one.ended >= last.arrived:
        return "finished", held or f"left the {one.end}"
    if last.departed is None:
        return "in_process", held
    if last.by_hand:
        return ("in_process" if now - last.departed <= idle else "not_accounted_for"), "taken out by hand"
    if now - last.departed <= idle:
        return "in_process", held
    return "not_accounted_for", held or f"nothing is known of it since it left {last.station or 'a station'}"

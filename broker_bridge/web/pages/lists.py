"""Pages of many boards: defects, a work order's balance, what was said of a magazine."""

from datetime import datetime
from functools import partial
from typing import Annotated, Final, NamedTuple

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from broker_bridge.queries.balance import balance_of
from broker_bridge.queries.defects import defects
from broker_bridge.queries.known import Handling, handlings
from broker_bridge.queries.record import Record
from broker_bridge.trace.balance import Balance, Member
from broker_bridge.trace.listing import Listing, Row, Wanted
from broker_bridge.trace.mentions import Slot
from broker_bridge.trace.portrait import Key
from broker_bridge.web.api.lists import Choice
from broker_bridge.web.jobs import Told, Working
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.forms import filled
from broker_bridge.web.pages.frame import PATIENCE_S, served, working
from broker_bridge.web.site import Here, Reader, Reading

router = APIRouter()

SHOWN: Final = 300
"""Rows that a page shows of each list; the data has all."""
LISTS: Final = ("not_accounted_for", "in_process", "scrapped", "finished")
"""The started ones are these together."""
_APART: Final = ("skipped", "not_product", "other_order")
"""Told apart: never counted."""
CHOICES: Final = (
    ("open", "open or not judged"), ("escaped", "passed before"), ("left_with_open", "left with it"),
    ("any_purpose", "also of boards that are no product"),
)  # fmt: skip

Text = Annotated[str, Query(max_length=512)]


class MemberRow(NamedTuple):
    """A board of an order."""

    name: str
    address: str
    since: datetime
    station: str | None
    seen: datetime | None
    note: str | None


class MemberList(NamedTuple):
    """Boards of an order in one state."""

    key: str
    title: str
    total: int
    rows: tuple[MemberRow, ...]
    more: int


class DefectRow(NamedTuple):
    """A defect."""

    name: str
    address: str
    place: str
    state: str
    row: Row


class SaidRow(NamedTuple):
    """What was said of a magazine once."""

    name: str
    address: str
    time: str
    what: str
    slot: str | None
    station: str | None


@router.get("/order")
def order(
    request: Request, site: Here, record: Reading, user: Reader, asked: Annotated[str, Query(alias="id", max_length=512)] = "",
    end: Text = "",
) -> Response:  # fmt: skip
    """A work order's balance, or the question."""
    asked, end = asked.strip(), end.strip()
    if not asked:
        return served(request, "order.html", found=None, asked="", end=end)
    question = partial(_balanced, asked, end or None)
    found = site.jobs.ask(("order", asked, end, record.as_of()), question, PATIENCE_S)
    if isinstance(found, Working):
        return working(request, found)
    return served(
        request, "order.html", found=found, asked=asked, end=end, lists=members(found),
        panels=sum(one.unit == "panel" for one in found.started),
        data=addresses.to("/api/v1/balance", order=asked, end=end),
    )  # fmt: skip


@router.get("/magazine")
def magazine(
    request: Request, record: Reading, user: Reader, asked: Annotated[str, Query(alias="id", min_length=1, max_length=512)]
) -> Response:  # fmt: skip
    """What was said of a magazine, the newest first."""
    found = handlings(record, asked)[::-1]
    named = len({one.board for one in found if one.board is not None})
    rows = [_said(one) for one in found[:SHOWN]]
    return served(
        request, "magazine.html", magazine=asked, named=named, rows=rows, more=max(0, len(found) - SHOWN),
        as_of=record.as_of(),
    )  # fmt: skip


@router.get("/defects")
def called(request: Request, site: Here, record: Reading, user: Reader) -> Response:
    """Defects and unjudged calls of many boards, the newest first."""
    choice = filled(Choice, request.query_params.items())
    wanted = choice.wanted()
    found = site.jobs.ask(("defects", wanted, record.as_of()), partial(_called, wanted), PATIENCE_S)
    if isinstance(found, Working):
        return working(request, found)
    rows = [_defect(row) for row in found.rows[: -SHOWN - 1 : -1]]
    said = choice.model_dump(mode="json", exclude_defaults=True)
    return served(
        request, "defects.html", found=found, rows=rows, more=max(0, len(found.rows) - SHOWN), asked=choice.model_dump(),
        since=_typed(wanted.since), until=_typed(wanted.until), choices=CHOICES, data=addresses.to("/api/v1/defects", **said),
    )  # fmt: skip


def _typed(time: datetime | None) -> str:
    """As a field for times holds it."""
    return "" if time is None else time.replace(tzinfo=None, microsecond=0).isoformat()


def _judged(told: Told, done: int, there: int) -> None:
    told(done / max(1, there), f"judging boards: {done:,} of {there:,}")


def _balanced(order: str, end: str | None, record: Record, told: Told) -> Balance:
    return balance_of(record, order, end=end, progress=partial(_judged, told))


def _called(wanted: Wanted, record: Record, told: Told) -> Listing:
    return defects(record, wanted, progress=partial(_judged, told))


def members(found: Balance) -> list[MemberList]:
    """The lists of a balance that hold a board, those that need a hand first."""
    lists = [
        (name, [one for one in getattr(found, name)])
        for name in (*LISTS, *(name for name in _APART if hasattr(found, name)))
    ]
    return [
        MemberList(
            name, name.replace("_", " ").capitalize(), len(listed), tuple(_member(one) for one in listed[:SHOWN]),
            max(0, len(listed) - SHOWN),
        )
        for name, listed in lists if listed
    ]  # fmt: skip


def _member(one: Member) -> MemberRow:
    return MemberRow(_name(one.board), _address(one.board), one.since, one.station, one.seen, one.note)


def _defect(row: Row) -> DefectRow:
    parts = (row.designator, row.termination, row.pad and f"pad {row.pad}", row.side)
    return DefectRow(
        _name(row.board), _address(row.board), " ".join(part for part in parts if part), row.state.replace("_", " "), row
    )  # fmt: skip


def _said(one: Handling) -> SaidRow:
    name, address = "", ""
    if isinstance(one.board, Slot):
        name = f"{one.board.panel.value} #{one.board.position}"
        address = addresses.board(one.board.panel.value, one.board.panel.kind, one.board.position)
    elif one.board is not None:
        name, address = one.board.value, addresses.board(one.board.value, one.board.kind)
    elif one.what in ("put in", "taken out", "contents"):
        name = "not read"
    return SaidRow(name, address, one.time, one.what, one.slot, one.station)


def _name(key: Key) -> str:
    return f"{key.value} #{key.position}" if key.position else key.value


def _address(key: Key) -> str:
    return addresses.board(key.value, key.kind, key.position)

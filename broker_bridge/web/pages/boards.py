"""Scan, and a board's page."""

import re
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from broker_bridge.errors import Ambiguous, NotFound, UsageError
from broker_bridge.queries.acting import reason
from broker_bridge.queries.asserting import Claim, state
from broker_bridge.queries.boards import board
from broker_bridge.queries.evidence import why
from broker_bridge.queries.family import with_family
from broker_bridge.queries.known import Alike, alike, is_magazine, is_order, used_kinds
from broker_bridge.queries.placement import placement
from broker_bridge.queries.record import Record
from broker_bridge.store.instants import text
from broker_bridge.trace.history import History
from broker_bridge.trace.mentions import Node
from broker_bridge.web.api.acts import PATIENCE_S, settings_of
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.board_view import Link, board_view
from broker_bridge.web.pages.frame import page, served
from broker_bridge.web.pages.seen_view import Seen, seen_last
from broker_bridge.web.pages.sign import Acting, Form, field
from broker_bridge.web.pages.station_view import PageClock
from broker_bridge.web.pages.why_view import why_view
from broker_bridge.web.site import Here, Reader, Reading

router = APIRouter()

_SIMILAR: Final = 12
_KINDS: Final = {"container": "reel"}
"""As the page of lots calls them."""
_STATED: Final = {"note": "A note", "held": "A hold"}
_LONGEST: Final = 512
_PLACE: Final = re.compile(r"(.+) #([1-9][0-9]{0,3})\Z")

Identifier = Annotated[str, Query(alias="id", min_length=1, max_length=_LONGEST)]
Kind = Annotated[str | None, Query(max_length=64)]
Position = Annotated[int | None, Query(ge=1, le=9999)]
At = Annotated[int | None, Query(ge=0, lt=2**63)]


async def _seen(site: Here) -> list[Seen]:
    return seen_last((await site.stations.glance(PageClock)).view)


@router.get("/")
def scan(
    request: Request, record: Reading, user: Reader, seen: Annotated[list[Seen], Depends(_seen)]
) -> Response:
    """One field that has the focus."""
    as_of = record.held()
    ends = record.reader.facts([1, as_of.number]) if as_of.number else []
    note = record.making or record.note
    return served(request, "scan.html", as_of=as_of, ends=[fact.time for fact in ends], note=note, seen=seen)


@router.get("/scan")
def scanned(
    request: Request, record: Reading, user: Reader,
    identifier: Annotated[str, Query(alias="id", max_length=_LONGEST)] = "",
) -> Response:  # fmt: skip
    """Where a scanned text leads: a board's page, a lot's, a work order's, a magazine's, a choice, or what is known that is
    like it. Another spelling is offered, never taken."""
    identifier = identifier.strip()
    if not identifier:
        return RedirectResponse("/", 303)
    try:
        found = _meant(record, identifier)
    except Ambiguous as error:
        choices = [
            Link(f"{kind} {value}" + (f", position {position}" if position else ""),
                 addresses.board(value, kind, position))
            for kind, value, position in error.candidates
        ]  # fmt: skip
        return served(request, "choose.html", identifier=identifier, choices=choices)
    except (NotFound, UsageError) as error:
        ways = _ways(record, identifier)
        if len(ways) == 1:
            return RedirectResponse(ways[0].address, 303)
        if ways:
            return served(request, "choose.html", identifier=identifier, choices=ways)
        otherwise = [_way(one) for one in alike(record, identifier, _SIMILAR)]
        similar = [
            Link(f"{node.kind} {node.value}", addresses.board(node.value, node.kind))
            for node in (() if otherwise else _similar(record, identifier))
        ]
        told = page(
            request,
            "unknown.html",
            identifier=identifier,
            why=str(error),
            otherwise=otherwise,
            similar=similar,
            as_of=record.as_of(),
        )
        return HTMLResponse(told, 404)
    key = found.identity.key
    kind = None if key.kind == "board" else key.kind
    return RedirectResponse(addresses.board(key.value, kind, key.position), 303)


@router.get("/board")
def shown(
    request: Request, record: Reading, user: Reader, identifier: Identifier, kind: Kind = None,
    position: Position = None, at: Annotated[str | None, Query(max_length=20)] = None,
    moment: Annotated[str | None, Query(alias="time", max_length=40)] = None,
) -> Response:  # fmt: skip
    """Its history. `at`: a commit; `time`: a moment, UTC unless it states an offset."""
    commit = _commit(record, at, moment)
    found = _history(record, identifier, kind, position, commit)
    number = found.as_of.commit
    commits = record.reader.commits(number - 1, 1)
    committed = text(commits[0].at) if commits and commits[0].number == number else None
    orders = list(dict.fromkeys(one.order for one in found.identity.work_orders))
    view = board_view(found, placement(record, found), newest=record.as_of().commit, committed=committed)
    return served(request, "board.html", view=view, orders=orders)


@router.get("/board/why")
def evidence(
    request: Request, record: Reading, user: Reader, identifier: Identifier,
    statement: Annotated[str, Query(pattern=r"^[A-Z][0-9]{1,6}$")],
    kind: Kind = None, position: Position = None, at: At = None, part: bool = False,
) -> Response:  # fmt: skip
    """What a statement stands on; `part`: without the frame, for a page that shows it in place."""
    found = _history(record, identifier, kind, position, at)
    view = why_view(why(record, found, statement))
    back = addresses.board(identifier, kind, position, at) + f"#{statement}"
    return served(
        request, "why_part.html" if part else "why.html", view=view, back=back, identifier=identifier
    )


@router.post("/board/state")
def stated(request: Request, site: Here, record: Reading, user: Acting, sent: Form) -> Response:
    """A note or a hold, as a statement of who is signed in."""
    claim, value, kind = field(sent, "claim"), field(sent, "id"), field(sent, "kind")
    if claim not in _STATED:
        raise UsageError(f"{claim!r} is nothing that is stated here: note or held")
    why = reason(field(sent, "why", 2000))
    hold = field(sent, "hold") if claim == "held" else ""
    said = Claim(claim, (f"{kind or 'board'}={value}",), user.name, why, hold=hold or None)
    told = state(record, settings_of(site), said, None, PATIENCE_S)
    shown = page(
        request, "stated.html", stated=told, claim=_STATED[claim], held=claim == "held", identifier=value,
        back=addresses.board(value, kind or None),
    )  # fmt: skip
    return HTMLResponse(shown, 201)


def _ways(record: Record, text: str) -> list[Link]:
    """Where a name leads that is no board's."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return []
    found = [Link(f"{text}: where it was used", addresses.lot(text=text))] if used_kinds(record, text) else []
    if is_order(record, text):
        found.append(Link(f"{text}: boards of the work order", addresses.order(text)))
    if is_magazine(record, text):
        found.append(Link(f"{text}: what lay in the magazine", addresses.magazine(text)))
    return found


def _way(one: Alike) -> Link:
    address = {
        "identifier": addresses.board(one.value, one.kind),
        "order": addresses.order(one.value),
        "magazine": addresses.magazine(one.value),
        "used": addresses.lot(text=one.value),
    }
    return Link(f"{_KINDS.get(one.kind, one.kind)} {one.value}", address[one.what])


def _meant(record: Record, text: str) -> History:
    """The board of a text; `PANEL #3` also means the board at that position, as lists call it."""
    try:
        return board(record, text)
    except NotFound:
        place = _PLACE.match(text)
        if place is None:
            raise
        return board(record, place[1], position=int(place[2]))


def _history(
    record: Record, identifier: str, kind: str | None, position: int | None, at: int | None
) -> History:
    return with_family(record, board(record, identifier, kind=kind, position=position, at=at))


def _commit(record: Record, at: str | None, moment: str | None) -> int | None:
    """The commit that is asked for. Raises UsageError."""
    if at:
        if not (at.isascii() and at.isdigit()):
            raise UsageError(f"commit {at!r} is none: it is a number")
        return int(at)
    if not moment:
        return None
    try:
        instant = datetime.fromisoformat(moment)
    except ValueError:
        raise UsageError(f"time {moment!r} is none: write it as 2026-03-02T14:30") from None
    instant = instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant
    microseconds = int(instant.timestamp() * 1_000_000)
    return min(record.reader.commit_at(microseconds), record.as_of().commit)


def _similar(record: Record, identifier: str) -> list[Node]:
    """Identifiers that begin like it, as far as any does."""
    upto = record.as_of().number
    try:
        identifier.encode()
    except UnicodeEncodeError:
        return []
    for length in range(len(identifier), max(0, len(identifier) - 8), -1):
        found = record.index.beginning(identifier[:length], upto, _SIMILAR)
        if found:
            return found
    return []

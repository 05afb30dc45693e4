"""How it stands: the record, the stations, the sources, the service itself."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from broker_bridge.web.answers import answer
from broker_bridge.web.api.shapes import AS_OF, EXAMPLES, formed
from broker_bridge.web.api.shapes import listed as list_of
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Here, Reader, Reading
from broker_bridge.web.sources import sources

router = APIRouter(tags=["state"])
health = APIRouter(tags=["state"])
"""Asked without a token."""


@router.get(
    "/record", summary="The record", response_model=None,
    responses=formed({
        "type": "object", "required": ["name", "incarnation", "commit", "events", "answers_as_of"],
        "properties": {"name": {"type": "string"}} | {
            name: {"type": "integer"} for name in ("incarnation", "commit", "events", "answers_as_of")
        },
    }, {"name": "harbour-works", "incarnation": 1, "commit": 412, "events": 90211, "answers_as_of": 412}),
)  # fmt: skip
def record(request: Request, record: Reading, user: Reader) -> Response:
    """Its name, how far it goes, and as of which commit questions are answered."""
    head, as_of = record.reader.head(), record.held()
    span = record.reader.span(as_of.number)
    told: dict[str, Any] = {
        "name": head.name, "incarnation": head.incarnation, "commit": head.commit, "events": head.number,
        "answers_as_of": as_of.commit, "note": record.making or record.note, "first": span[0] if span else None, "last": span[1] if span else None,
    }  # fmt: skip
    return answer(request, {name: value for name, value in told.items() if value is not None})


@router.get(
    "/stations", summary="The stations as they are now", response_model=None,
    responses=formed(list_of(
        "stations", {"type": "object", "required": ["line", "station", "state"]}, number={"type": "integer"},
        alarms={"type": "array"},
    ), EXAMPLES["stations"]),
)  # fmt: skip
async def stations(request: Request, site: Here, user: Reader) -> Response:
    """Each station's state in words, since when, why it waits where that is known, what is in it, its gaps, by the newest
    events of the record."""
    seen = await site.stations.glance()
    view = seen.view
    rows = [
        {
            "line": line, "station": row.station.name, "state": row.state, "why": row.why or None,
            "since": row.station.said.since if row.station.said else None, "heard": row.station.heard,
            "here": [board._asdict() for board in row.station.here], "gaps": [gap._asdict() for gap in row.station.gaps],
        }
        for line, listed in view.lines
        for row in listed
    ]  # fmt: skip
    told = {"number": seen.mark.number, "trouble": site.stations.trouble or None, "stations": rows,
            "alarms": [alarm._asdict() for alarm in view.alarms]}  # fmt: skip
    return answer(request, told)


@router.get(
    "/sources", summary="The sources and how complete each is", response_model=None,
    responses=formed(list_of(
        "sources", {"type": "object", "required": ["source", "missing"],
                    "properties": {"source": {"type": "string"}, "missing": {"type": "integer", "minimum": 0}}},
        as_of=AS_OF,
    ), EXAMPLES["sources"]),
)  # fmt: skip
def listed(request: Request, site: Here, record: Reading, user: Reader) -> Response:
    """For each source its newest event, what is missing of its numbers, and what it says of itself."""
    return answer(
        request,
        {
            "as_of": record.as_of(),
            "sources": [
                one._asdict() for one in sources(record, site.stations.heard(), site.stations.clock().now)
            ],
        },
    )


def _so(name: str) -> dict[int | str, dict[str, Any]]:
    return formed({"type": "object", "required": [name], "properties": {name: {"const": True}}}, {name: True})


@health.get("/health/live", summary="Does the service answer?", response_model=None, responses=_so("alive"))
async def alive(request: Request) -> Response:
    """Yes, when this comes. Needs no token."""
    return answer(request, {"alive": True})


@health.get("/health/ready", summary="Can it answer questions?", response_model=None, responses=_so("ready"))
async def ready(request: Request, site: Here) -> Response:
    """503 while the record cannot be read. Needs no token."""
    if site.stations.trouble:
        raise Problem(503, "the record cannot be read", headers={"Retry-After": "5"})
    return answer(request, {"ready": True})

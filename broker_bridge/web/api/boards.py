"""Boards: what one is known by, its history, what a statement of it stands on, its relatives."""

from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from broker_bridge.queries.boards import board
from broker_bridge.queries.evidence import why
from broker_bridge.queries.family import with_family
from broker_bridge.queries.vouching import vouched
from broker_bridge.web.answers import answer
from broker_bridge.web.api.shapes import AS_OF, EXAMPLE_AS_OF, formed, listed, shaped
from broker_bridge.web.site import Reader, Reading

router = APIRouter(tags=["boards"])

Identifier = Annotated[
    str,
    Query(
        alias="id",
        min_length=1,
        max_length=512,
        description="a serial, a panel's label, any identifier",
        examples=["HW-000123"],
    ),
]
Kind = Annotated[
    str | None,
    Query(max_length=64, description="the kind of identifier, where several go by it", examples=["board"]),
]
Position = Annotated[int | None, Query(ge=1, le=9999, description="the board at this position of the panel")]
At = Annotated[int | None, Query(ge=0, lt=2**63, description="as it was known at this commit")]


@router.get("/board", summary="A board's history", response_model=None, responses=shaped("history"))
def history(
    request: Request,
    record: Reading,
    user: Reader,
    identifier: Identifier,
    kind: Kind = None,
    position: Position = None,
    at: At = None,
) -> Response:
    """Identity, route, gaps, materials, inspections, defects, tests, rework, each with certainty and evidence
    (schemas/history.json). 409 tells the candidates where the identifier names several things."""
    found = board(record, identifier, kind=kind, position=position, at=at)
    return answer(request, with_family(record, found))


@router.get(
    "/board/why",
    summary="What a statement of a history stands on",
    response_model=None,
    responses=shaped("why"),
)
def evidence(
    request: Request, record: Reading, user: Reader, identifier: Identifier,
    statement: Annotated[str, Query(pattern=r"^[A-Z][A-Za-z0-9.]{0,15}$", description="its reference: V3 the third visit, D1 the first defect", examples=["V3"])],
    kind: Kind = None, position: Position = None, at: At = None,
) -> Response:  # fmt: skip
    """The events behind it as they were recorded, and the reasoning (schemas/why.json)."""
    return answer(
        request, why(record, board(record, identifier, kind=kind, position=position, at=at), statement)
    )


@router.get(
    "/board/word",
    summary="What may be said to a machine about a board",
    response_model=None,
    responses=shaped("word"),
)
def word(request: Request, record: Reading, user: Reader, identifier: Identifier) -> Response:
    """good, failed or unknown, with the reasons why it is no better, its work order and part (schemas/word.json). "good" only
    where everything is observed, complete and current, with nothing open, held, missing or contradicted; a panel is no
    better than its boards. It releases nothing."""
    return answer(request, vouched(record, identifier))


_IDENTIFIER: Final = {
    "type": "object", "required": ["kind", "value"], "properties": {"kind": {"type": "string"}, "value": {"type": "string"}},
}  # fmt: skip


@router.get(
    "/identifiers", summary="Identifiers that begin with a text", response_model=None,
    responses=formed(
        listed("identifiers", _IDENTIFIER, as_of=AS_OF),
        {"as_of": EXAMPLE_AS_OF, "identifiers": [{"kind": "board", "value": "HW-000123"}]},
    ),
)  # fmt: skip
def identifiers(
    request: Request, record: Reading, user: Reader,
    begin: Annotated[str, Query(min_length=1, max_length=512, examples=["HW-0001"])],
    limit: Annotated[int, Query(ge=1, le=1000)] = 50, at: At = None,
) -> Response:  # fmt: skip
    """In alphabetical order, each with its kind."""
    as_of = record.as_of(at)
    found = record.index.beginning(begin, as_of.number, limit)
    told: list[dict[str, Any]] = [{"kind": node.kind, "value": node.value} for node in found]
    return answer(request, {"as_of": as_of, "identifiers": told})

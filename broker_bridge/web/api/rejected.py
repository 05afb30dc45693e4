"""Records that could not be used, with their raw bytes."""

import base64
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from broker_bridge.queries.quarantine import Kept, kept, one
from broker_bridge.web.answers import answer, tagged
from broker_bridge.web.api.shapes import AS_OF, EXAMPLES, formed
from broker_bridge.web.api.shapes import listed as list_of
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Reader, Reading

router = APIRouter(prefix="/quarantine", tags=["quarantine"])

Key = Annotated[str, Path(pattern=r"^[rp][0-9]{1,18}$", examples=["r17"])]


_KEPT: Final = {
    "type": "object", "required": ["key", "source", "reason"],
    "properties": {"key": {"type": "string"}, "source": {"type": "string"}, "reason": {"type": "string"}},
}  # fmt: skip


@router.get(
    "", summary="What is in quarantine", response_model=None,
    responses=formed(
        list_of("kept", _KEPT, as_of=AS_OF, more={"type": "boolean"}), EXAMPLES["quarantine"]
    ),
)  # fmt: skip
def listed(
    request: Request, record: Reading, user: Reader,
    mended: Annotated[bool, Query(description="also what became events later")] = False,
    source: Annotated[str | None, Query(max_length=512)] = None,
    limit: Annotated[int, Query(ge=1, le=10_000)] = 1000,
) -> Response:  # fmt: skip
    """In order of the record; `more` says that the list goes on."""
    found: list[Kept] = []
    for item in kept(record, mended=mended):
        if source in (None, item.source):
            if len(found) == limit:
                return answer(
                    request, {"as_of": record.as_of(), "kept": [_told(i) for i in found], "more": True}
                )
            found.append(item)
    return answer(request, {"as_of": record.as_of(), "kept": [_told(item) for item in found], "more": False})


@router.get(
    "/{key}", summary="One of them", response_model=None, responses=formed(_KEPT, EXAMPLES["rejected"])
)
def shown(request: Request, record: Reading, user: Reader, key: Key) -> Response:
    """With its raw bytes as base64, where the record holds them."""
    item = one(record, key)
    raw = None if item.raw is None else base64.b64encode(item.raw).decode()
    return answer(request, _told(item) | ({} if raw is None else {"raw": raw}))


_BYTES: Final[dict[int | str, dict[str, Any]]] = {
    200: {"description": "as the machine wrote them", "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}
}  # fmt: skip


@router.get(
    "/{key}/raw", summary="Its raw bytes", response_model=None, response_class=Response, responses=_BYTES
)
def raw(request: Request, record: Reading, user: Reader, key: Key) -> Response:
    """As a download: what a machine wrote is never shown as a page."""
    item = one(record, key)
    if item.raw is None:
        raise Problem(
            404,
            f"the raw bytes of {key} are not in the record but in the edge's archive, file {item.archived}",
        )
    headers = {"content-disposition": f'attachment; filename="{key}.bin"'}
    return tagged(request, item.raw, "application/octet-stream", headers=headers)


def _told(item: Kept) -> dict[str, Any]:
    return {name: value for name, value in item._asdict().items() if name != "raw" and value is not None}

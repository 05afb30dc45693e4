"""What a named user does: state something about boards, have rejected records read again. Every act needs a reason, and
what is stated is an event of the record."""

from typing import Annotated, Literal

from fastapi import APIRouter, Request
from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field
from starlette.responses import Response

from broker_bridge.config import Settings
from broker_bridge.errors import UsageError
from broker_bridge.queries.acting import edge_needed, pseudonym, reason
from broker_bridge.queries.asserting import Claim, state
from broker_bridge.queries.retrying import of_keys, of_source, retry
from broker_bridge.web.access import User
from broker_bridge.web.answers import answer
from broker_bridge.web.api.shapes import EXAMPLES, formed, listed
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Here, Operator, Reading, Site

router = APIRouter(tags=["acts"])

PATIENCE_S = 10.0

Word = Annotated[str, Field(min_length=1, max_length=512)]


def _worded(text: str) -> str:
    try:
        return reason(text)
    except UsageError as error:
        raise ValueError(str(error)) from None


Reason = Annotated[
    str,
    Field(min_length=1, max_length=2000, description="in words; kept for good with a pseudonym of the user"),
    AfterValidator(_worded),
]
"""Why something is done."""

Said = Literal[
    "same",
    "not-same",
    "part-of",
    "not-part-of",
    "visited",
    "not-visited",
    "note",
    "held",
    "released",
    "outcome",
    "revoked",
]


class Statement(BaseModel):
    """What is stated about boards. `revoke` with claim `revoked`."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [{"claim": "note", "boards": ["HW-000123"], "why": "scratched at the edge"}]
        },
    )

    claim: Said
    boards: Annotated[list[Word], Field(min_length=1, max_length=100)]
    why: Reason
    of: Word | None = None
    position: Annotated[int | None, Field(ge=1, le=9999)] = None
    station: Word | None = None
    happened: AwareDatetime | None = None
    hold: Word | None = None
    corrects: Word | None = None
    outcome: Word | None = None
    revoke: Word | None = None
    evidence: Annotated[list[Word], Field(max_length=100)] = []
    adapter: Word | None = None


class Retry(BaseModel):
    """Which rejected records are read again: keys of the quarantine, or everything of a source."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"keys": ["r17"], "why": "the mapping knows the result MAYBE now"}]},
    )

    keys: Annotated[list[Annotated[str, Field(pattern=r"^[rp][0-9]{1,18}$")]], Field(max_length=1000)] = []
    source: Word | None = None
    why: Reason


@router.post(
    "/statements", status_code=201, summary="State something about boards", response_model=None,
    responses=formed({"type": "object", "required": ["source", "id", "receipted", "who", "data"]}, EXAMPLES["stated"], status=201),
)  # fmt: skip
def stated(request: Request, site: Here, record: Reading, user: Operator, what: Statement) -> Response:
    """Taken into the outbox of this machine's edge under a pseudonym of the user, numbered, sent and receipted like any
    event. It beats nothing silently: what machines said stays. A release stated here does not take the place of the
    plant's procedure."""
    claim = Claim(
        what.claim, tuple(what.boards), user.name, what.why, what.of, what.position, what.station,
        what.happened.isoformat() if what.happened else None, what.hold, what.corrects, what.outcome, what.revoke,
        tuple(what.evidence),
    )  # fmt: skip
    found = state(record, settings_of(site), claim, what.adapter, PATIENCE_S)
    return answer(request, found, status=201)


@router.post(
    "/quarantine/retry", summary="Read rejected records again", response_model=None,
    responses=formed(listed("answers", {"type": "object", "required": ["source", "asked", "outcome"]}), EXAMPLES["retried"]),
)  # fmt: skip
def again(request: Request, site: Here, record: Reading, user: Operator, what: Retry) -> Response:
    """With the mapping as it is now, by the edge of this machine. Who asked, as a pseudonym, and why is kept with the request.
    `outcome` is null where the edge has not answered within ten seconds: it does when it comes by."""
    settings = settings_of(site)
    if what.keys and what.source is not None:
        raise UsageError("keys, or all of a source: not both at once")
    wanted = of_keys(record, what.keys) if what.keys else of_source(what.source)
    edge_needed(settings)
    answers = retry(settings, wanted, PATIENCE_S, who=user.name, why=what.why)
    return answer(request, {"answers": [one._asdict() for one in answers]})


def kept_as(site: Site, user: User) -> str:
    """The user as acts name him: a pseudonym; without a configuration, so without the key, the name of his token, which is
    none of a person."""
    return user.name if site.settings is None else pseudonym(site.settings, user.name)


def settings_of(site: Site) -> Settings:
    """The plant's configuration. Raises Problem where there is none."""
    if site.settings is None:
        raise Problem(
            409,
            "this service was started on a record alone: acts need the plant's configuration and its edge",
        )
    return site.settings

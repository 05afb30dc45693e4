"""Recalls: the boards on which something was used, and answers that were frozen."""

from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.responses import Response

from broker_bridge.queries.frozen import compared, freeze, frozen, names, proven
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.recall import Asked
from broker_bridge.web.answers import answer, tagged
from broker_bridge.web.api.acts import Reason, kept_as
from broker_bridge.web.api.shapes import EXAMPLES, formed, shaped
from broker_bridge.web.api.shapes import listed as list_of
from broker_bridge.web.site import Here, Operator, Reader, Reading
from broker_bridge.words.recall import HEADS, rows
from broker_bridge.words.table import csv_table

router = APIRouter(tags=["recall"])

Text = Annotated[str | None, Field(min_length=1, max_length=512)]


class Question(BaseModel):
    """One thing that was used: exactly one of the fields but `part`, `program_revision`, `since` and `until`."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"lot": "R-10K-L001"}]})

    text: Text = None
    lot: Text = None
    reel: Text = None
    tool: Text = None
    program: Text = None
    program_revision: Text = None
    equipment: Text = None
    station: Text = None
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None
    part: Text = None
    exceeded_life: bool = False

    def asked(self) -> Asked:
        """As the query takes it."""
        return Asked(
            text=self.text, lot=self.lot, container=self.reel, tool=self.tool, program=self.program,
            program_revision=self.program_revision, equipment=self.equipment, station=self.station, from_=_utc(self.since),
            to=_utc(self.until), part=self.part, exceeded=self.exceeded_life,
        )  # fmt: skip


class Freeze(BaseModel):
    """An answer to be kept."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "name": "recall-2026-11",
                    "question": {"lot": "R-10K-L001"},
                    "why": "complaint 17: cracked resistors",
                }
            ]
        },
    )

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$", examples=["recall-2026-11"])]
    question: Question
    why: Reason


_TABLE: Final[dict[int | str, dict[str, Any]]] = {
    200: {"description": "RFC 4180", "content": {"text/csv": {"schema": {"type": "string"}}}}
}

Asking = Annotated[Question, Query()]


def _utc(time: datetime | None) -> datetime | None:
    from datetime import UTC

    return None if time is None else time.astimezone(UTC)


@router.get(
    "/where-used",
    summary="The boards on which something was used",
    response_model=None,
    responses=shaped("where-used"),
)
def used(request: Request, record: Reading, user: Reader, question: Asking) -> Response:
    """Exact and possible members with the reason of each, where each is now, what would shrink the list, and whether it is
    bounded (schemas/where-used.json). A list that is not bounded may miss boards, and says why."""
    return answer(request, where_used(record, question.asked()))


@router.get(
    "/where-used.csv",
    summary="The same as a table",
    responses=_TABLE,
    response_model=None,
    response_class=Response,
)
def used_csv(request: Request, record: Reading, user: Reader, question: Asking) -> Response:
    """Every use of every member, safe against formulas of spreadsheets."""
    found = where_used(record, question.asked())
    headers = {"content-disposition": 'attachment; filename="where-used.csv"'}
    return tagged(request, csv_table(HEADS, rows(found)).encode(), "text/csv; charset=utf-8", headers=headers)


@router.get(
    "/frozen", summary="The names of frozen answers", response_model=None,
    responses=formed(list_of("frozen", {"type": "string"}), {"frozen": ["recall-2026-11"]}),
)  # fmt: skip
def listed(request: Request, site: Here, user: Reader) -> Response:
    """In alphabetical order."""
    return answer(request, {"frozen": names(site.records.url)})


@router.get(
    "/frozen/{name}", summary="A frozen answer, and what is different today", response_model=None,
    responses=formed({"type": "object", "required": ["frozen", "proven", "today"]}, EXAMPLES["frozen"]),
)  # fmt: skip
def kept(request: Request, site: Here, record: Reading, user: Reader, name: str) -> Response:
    """The answer as it was frozen, whether the record still holds the events it stands on, and today's difference."""
    document = frozen(site.records.url, name)
    asked = Asked(**{_field(key): _value(key, value) for key, value in document["answer"]["asked"].items()})
    today = where_used(record, asked)
    told: dict[str, Any] = {
        "frozen": document, "proven": proven(site.records.url, document), "today": compared(document, today)._asdict(),
    }  # fmt: skip
    return answer(request, told)


@router.post(
    "/frozen", status_code=201, summary="Freeze an answer as of now", response_model=None,
    responses=formed({"type": "object", "required": ["name", "answer", "by", "why"]}, EXAMPLES["froze"], status=201),
)  # fmt: skip
def keep(request: Request, site: Here, record: Reading, user: Operator, what: Freeze) -> Response:
    """Kept beside the record under a name with the reason and a pseudonym of the user, never written over: 409 where the
    name is taken. Needs the role operate."""
    found = where_used(record, what.question.asked())
    who = kept_as(site, user)
    freeze(site.records.url, what.name, found, who=who, why=what.why)
    told = {"name": what.name, "answer": found, "by": who, "why": what.why}
    return answer(request, told, status=201)


def _field(name: str) -> str:
    return "from_" if name == "from" else name


def _value(name: str, value: Any) -> Any:
    return datetime.fromisoformat(value) if name in ("from", "to") else value


__all__ = ["Freeze", "Question", "router"]

"""What every question about many boards can be narrowed to, and how texts of a form become a question."""

import re
from abc import abstractmethod
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Progress
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer

_OPTION: Final = re.compile(r"(?<!\S)--(?=[a-z])")

Name = Annotated[str | None, Field(min_length=1, max_length=512)]
Stage = Literal["reviewed", "inspected", "reworked"]


class Question(BaseModel):
    """Conditions that all have to hold; absent ones do not."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    line: Name = None
    station: Name = None
    equipment: Name = None
    part: Name = None
    program: Name = None
    side: Literal["top", "bottom"] | None = None
    order: Name = None
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None
    shift: Annotated[str | None, Field(pattern=r"^[0-2][0-9]:[0-5][0-9]-[0-2][0-9]:[0-5][0-9]$")] = None
    any_purpose: bool = False
    level: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    at: Annotated[int | None, Field(ge=0, lt=2**63, description="as it was known at this commit")] = None

    def choice(self) -> Choice:
        """As the queries take it. Raises UsageError."""
        return Choice(
            line=self.line, station=self.station, equipment=self.equipment, part=self.part, program=self.program,
            side=self.side, order=self.order, since=self.since, until=self.until, shift=_shift(self.shift),
            any_purpose=self.any_purpose,
        )  # fmt: skip

    def answer(self, record: Record, progress: Progress = lambda done, of: None) -> Answer:
        """The answer. Raises UsageError for what makes no sense, NotFound for what is not in the record."""
        try:
            return self._answer(record, progress)
        except UsageError as error:
            # What is an option in a terminal is a parameter here.
            raise UsageError(_OPTION.sub("", str(error))) from None

    @abstractmethod
    def _answer(self, record: Record, progress: Progress) -> Answer: ...


class Boards(Question):
    """Of boards as inspections, tests and the like saw them."""

    program_revision: Name = None
    method: Name = None
    designator: Name = None
    position: Annotated[int | None, Field(ge=1, le=9999)] = None

    def choice(self) -> Choice:
        """As the queries take it. Raises UsageError."""
        return super().choice()._replace(
            program_revision=self.program_revision, method=self.method, designator=self.designator, position=self.position,
        )  # fmt: skip


Asked = TypeVar("Asked", bound=Question)


def asked(kind: type[Asked], said: Mapping[str, str]) -> Asked:
    """The question that texts of a form make; days may stand for times. Raises UsageError."""
    texts: dict[str, Any] = dict(said)
    for name in ("since", "until"):
        if name in texts:
            texts[name] = _moment(name, texts[name], end=name == "until")
    try:
        return kind.model_validate(texts)
    except ValidationError as error:
        told = (
            f"{'.'.join(map(str, one['loc']))} = {one['input']!r}: {one['msg']}" for one in error.errors()
        )
        raise UsageError("; ".join(told)) from None


def _moment(name: str, text: str, *, end: bool) -> datetime:
    try:
        if len(text) == 10:
            day = datetime.combine(date.fromisoformat(text), time.min, UTC)
            return day + timedelta(days=1) - timedelta(microseconds=1) if end else day
        instant = datetime.fromisoformat(text)
    except (ValueError, OverflowError):
        raise UsageError(
            f"{name} = {text!r} is no time: write it as 2026-03-02 or 2026-03-02T14:30, UTC"
        ) from None
    return instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant


def _shift(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    try:
        start, end = (time.fromisoformat(part) for part in text.split("-"))
    except ValueError:
        raise UsageError(f"shift {text}: expected 06:00-14:00") from None
    if start == end:
        raise UsageError(f"shift {text}: begins when it ends")
    return start.hour * 60 + start.minute, end.hour * 60 + end.minute

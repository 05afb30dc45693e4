"""What of a record a page of quality or flow asks for: fields of its form, and the choice they make."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from fastapi import Request

from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice

FIELDS: Final = (
    ("line", "Line"), ("station", "Station"), ("part", "Part"), ("program", "Program"), ("side", "Side"), ("order", "Work order"),
    ("designator", "Designator"), ("since", "From, UTC"), ("until", "Until, UTC"),
)  # fmt: skip
_LONGEST: Final = 512


def told(request: Request, *names: str) -> dict[str, str]:
    """What the address says under these names and those of the choice. Raises UsageError for what is too long."""
    found: dict[str, str] = {}
    for name in (*names, *(field for field, _ in FIELDS)):
        text = request.query_params.get(name, "").strip()
        if len(text) > _LONGEST:
            raise UsageError(f"{name} is longer than {_LONGEST} characters")
        if text:
            found[name] = text
    return found


def choice(said: dict[str, str]) -> Choice:
    """The choice. Raises UsageError."""
    return Choice(
        line=said.get("line"), station=said.get("station"), part=said.get("part"), program=said.get("program"),
        side=said.get("side"), order=said.get("order"), designator=said.get("designator"),
        since=_moment("from", said.get("since")), until=_moment("until", said.get("until"), end=True),
    )  # fmt: skip


def number(said: dict[str, str], name: str) -> float | None:
    """A number of the form. Raises UsageError."""
    if name not in said:
        return None
    try:
        return float(said[name])
    except ValueError:
        raise UsageError(f"{name} = {said[name]!r} is no number") from None


def _moment(name: str, text: str | None, *, end: bool = False) -> datetime | None:
    if text is None:
        return None
    try:
        if len(text) == 10:
            day = datetime.combine(date.fromisoformat(text), time.min, UTC)
            return day + timedelta(days=1) - timedelta(microseconds=1) if end else day
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{name} = {text!r} is no time: write it as 2026-03-02 or 2026-03-02T14:30, UTC"
        ) from None
    return instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant

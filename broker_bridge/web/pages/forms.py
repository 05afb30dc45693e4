"""What a form sends, as the question it is: empty fields are left out, times without a zone are UTC."""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from broker_bridge.errors import UsageError

Asked = TypeVar("Asked", bound=BaseModel)
_TIMES: Final = ("since", "until")


def filled(model: type[Asked], sent: Iterable[tuple[str, Any]]) -> Asked:
    """The question that names and values are. Raises UsageError."""
    said = {name: value for name, value in sent if value and str(value).strip()}
    for name in _TIMES:
        if name in said:
            said[name] = moment(name, str(said[name]))
    try:
        return model.model_validate(said)
    except ValidationError as error:
        wrong = error.errors()[0]
        raise UsageError(f"{'.'.join(map(str, wrong['loc']))}: {wrong['msg']}") from None


def moment(name: str, text: str) -> datetime:
    """A time. Raises UsageError."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{name} = {text!r} is no time: write it as 2026-03-02T14:30, UTC") from None
    return instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant

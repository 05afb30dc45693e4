"""A person's request to an assertion: pure.

The request carries the data of a `board.asserted` event as JSON, a key that makes the request one and the same however
often it is asked, and when it was asked.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

from pydantic import ValidationError

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.errors import MappingError
from broker_bridge.events.board import BoardAsserted
from broker_bridge.events.ids import GENERATION_PATTERN
from broker_bridge.events.union import explain

ACTION: Final = "assert"
KEY_PATTERN: Final = GENERATION_PATTERN


def taking(arguments: Mapping[str, str], adapter: str) -> Taking:
    """The raw record of a request. Raises MappingError for what is no assertion."""
    try:
        key, text, asked = arguments["key"], arguments["data"], datetime.fromisoformat(arguments["asked"])
    except (KeyError, ValueError) as error:
        raise MappingError(f"a request to assert lacks or garbles {error}", "arguments") from None
    try:
        said = BoardAsserted.model_validate_json(text, strict=True)
    except ValidationError as error:
        raise MappingError(explain(error), "data") from None
    origin = said.origin.model_copy(update={"adapter": adapter, "events": 1})
    data = said.model_copy(update={"origin": origin})
    statement = Statement(data, asked.astimezone(UTC), _subject(data))
    return Taking(key, 0, 1, (statement,), rawname="broker-bridge assert")


def _subject(data: BoardAsserted) -> str | None:
    for board in data.boards:
        for identifier in board.identifiers:
            return identifier.value
        if board.panel is not None:
            return board.panel.value
    return None

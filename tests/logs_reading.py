"""Mapping files in a few lines, and what they make of a few bytes."""

import asyncio
import contextlib
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs import Reading, read_bytes
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.events.source import SourceRejected

MODIFIED = datetime(2026, 3, 2, 8, tzinfo=UTC)

ROWS = """
name = "rows"
revision = 1
zone = "Europe/Berlin"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
decimal = ","

[[reader.records]]
kind = "row"
columns = [COLUMNS]

[fields.row]
FIELDS

[[event]]
type = "inspection.completed"
each = "row"
time = "$time"

[event.data]
method = "optical"
outcome = "$outcome"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]
EXTRA
"""

BASE_FIELDS = """
time = { column = "Time", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end" }
code = "Code"
outcome = { column = "Result", table = "outcomes" }
"""

OUTCOMES = """
[tables.outcomes]
values = { OK = "passed", NG = "failed" }
otherwise = "reject"
"""


def rows(*, columns: str = "", fields: str = "", extra: str = "", more: str = OUTCOMES) -> str:
    """A mapping of rows with Time, Code, Result and what is added."""
    stated = '"Time", "Code", "Result"' + (f", {columns}" if columns else "")
    text = ROWS.replace("COLUMNS", stated).replace("FIELDS", BASE_FIELDS + fields).replace("EXTRA", extra)
    return text + more


def mapping(text: str) -> Compiled:
    return compile_mapping(text, "test.toml")


def reading(text: str | Compiled, data: bytes | str, name: str = "file.csv", **stated: Any) -> Reading:
    compiled = mapping(text) if isinstance(text, str) else text
    content = data.encode() if isinstance(data, str) else data
    return read_bytes(compiled, content, name, **({"adapter": "test", "modified": MODIFIED} | stated))


def takings(text: str | Compiled, data: bytes | str, name: str = "file.csv", **stated: Any) -> list[Taking]:
    return list(reading(text, data, name, **stated))


def statements(
    text: str | Compiled, data: bytes | str, name: str = "file.csv", **stated: Any
) -> list[Statement]:
    return [statement for taking in takings(text, data, name, **stated) for statement in taking.statements]


def only(text: str | Compiled, data: bytes | str, name: str = "file.csv", **stated: Any) -> Any:
    """The data of the only event."""
    (statement,) = statements(text, data, name, **stated)
    return statement.data


def rejected(text: str | Compiled, data: bytes | str, name: str = "file.csv") -> SourceRejected:
    """The only event, which is a rejection."""
    data_ = only(text, data, name)
    assert isinstance(data_, SourceRejected), data_
    return data_


async def until(condition: Callable[[], object], task: "asyncio.Task[None]", seconds: float = 20.0) -> None:
    """Wait until the condition holds. Fails with the task's error, or when the time is over."""
    deadline = time.monotonic() + seconds
    while not condition():
        if task.done():
            task.result()
        assert time.monotonic() < deadline, "waited in vain"
        await asyncio.sleep(0.004)


async def ended(task: "asyncio.Task[None]") -> None:
    """Cancel a task and wait for its end; raises what it died of."""
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task

"""A small plant in one process, on a real broker: drop folder, edge, recorder, record."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from broker_bridge.bootstrap import run_roles
from broker_bridge.config import Settings, load
from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.store.sqlite_reader import SqliteReader

HEADER = "Board;Program;Start;Result"

MAPPING = """\
name = "a plain inspection"
revision = {revision}
zone = "UTC"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [{{ kind = "board", header = true, columns = [{columns}] }}]

[fields.board]
serial = "Board"
program = "Program"
start = {{ column = "Start", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "start" }}
result = {{ column = "{result}", table = "result" }}

[tables.result]
values = {{ {values} }}
otherwise = "reject"

[[event]]
type = "inspection.completed"
each = "board"
time = ["$board.start"]

[event.data]
boards = [{{ unit = "board", identifiers = [{{ kind = "board", value = "$board.serial", how = "read" }}] }}]
method = "optical"
outcome = "$board.result"
program = {{ name = "$board.program" }}
"""


def mapping_text(
    revision: int = 1,
    columns: str = '"Board", "Program", "Start", "Result"',
    result: str = "Result",
    values: str = 'OK = "passed", NG = "failed"',
) -> str:
    """The mapping of the plain inspection, with what a test wants to change."""
    return MAPPING.format(revision=revision, columns=columns, result=result, values=values)


def rows(first: int, count: int, result: str = "OK") -> bytes:
    """A result file with this many boards."""
    lines = [
        f"HW-{first + n:06d};P1;2026-03-02 06:{n // 60 % 60:02d}:{n % 60:02d};{result}" for n in range(count)
    ]
    return ("\n".join([HEADER, *lines]) + "\n").encode()


class Chain:
    """The folder of a plant and what is asked of it."""

    def __init__(self, folder: Path, broker: str = "port = 0", edge: str = "") -> None:
        self.folder = folder
        self.drop = folder / "drop"
        self.drop.mkdir(parents=True, exist_ok=True)
        self.mapping = folder / "plain.toml"
        if not self.mapping.exists():
            self.mapping.write_text(mapping_text(), encoding="utf-8")
        self.config = folder / "plant.toml"
        self.config.write_text(
            f"""\
data = "data"
[plant]
site = "harbour-works"
[broker]
{broker}
[edge]
{edge}
[[adapters]]
kind = "files"
name = "aoi-files"
area = "smt"
line = "line-1"
station = "aoi-1"
folder = "drop"
mapping = "plain.toml"
poll_s = 0.05
""",
            encoding="utf-8",
        )

    @property
    def settings(self) -> Settings:
        """The configuration as it is now."""
        return load(self.config)

    @property
    def record(self) -> Path:
        """The record's file."""
        return self.folder / "data" / "record.db"

    def put(self, name: str, content: bytes) -> None:
        """Drop a file as machines should: under another name, then renamed."""
        partial = self.folder / f"partial-{name}"
        partial.write_bytes(content)
        partial.rename(self.drop / name)

    def events(self) -> list[dict[str, Any]]:
        """All events of the record, as received."""
        try:
            reader = SqliteReader(self.record)
        except NotFound:
            return []
        try:
            return [json.loads(reader.body(fact.number)) for fact in reader.after(0, 1_000_000)]
        finally:
            reader.close()

    def count(self) -> int:
        """Events in the record."""
        with suppress(NotFound, StoreUnavailable):
            reader = SqliteReader(self.record)
            try:
                return reader.head().number
            finally:
                reader.close()
        return 0

    def of(self, type_name: str) -> list[dict[str, Any]]:
        """The events of one type."""
        return [event for event in self.events() if event["type"] == type_name]

    @asynccontextmanager
    async def running(self, *roles: str) -> AsyncIterator[asyncio.Task[None]]:
        """These roles, all by default, until the block ends."""
        task = asyncio.create_task(
            run_roles(self.settings, roles or ("broker", "recorder", "edge"), lambda _: None)
        )
        try:
            yield task
        finally:
            task.cancel()
            await asyncio.wait({task})
            if not task.cancelled() and (error := task.exception()) is not None:
                raise error

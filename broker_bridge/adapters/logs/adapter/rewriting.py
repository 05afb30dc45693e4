"""The watch over documents that are rewritten in place: the drop folder's watch, but a changed file gives only what changed.

rows/<generation>/<chunk>    what is remembered of the rows; chunks are joined when the document is through
versions/<generation>        hashes of contents that were read: a copy of an earlier one changes nothing
document/<generation>        the content that was read last, for reading it again
"""

import asyncio
import hashlib
from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Final

import orjson

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter import requests
from broker_bridge.adapters.logs.adapter.folder import Found
from broker_bridge.adapters.logs.adapter.intake import CHUNK, Step, extends
from broker_bridge.adapters.logs.adapter.ledger import (
    FileState,
    Seen,
    dump_file,
    dump_seen,
    load_file,
    seen_key,
)
from broker_bridge.adapters.logs.adapter.reading import Reading, read_bytes
from broker_bridge.adapters.logs.adapter.rows import Changes, Row, Table, dump_rows, load_rows
from broker_bridge.adapters.logs.adapter.watch import Watch

ROWS: Final = "rows/"
VERSIONS: Final = "versions/"
DOCUMENTS: Final = "document/"

_VERSIONS: Final = 500
"""Earlier contents whose hashes are kept."""

_BOTTOM: Final = "00000000"


class Rewriting(Watch):
    """Looks at the folder of one source whose documents are rewritten."""

    async def answer_requests(self) -> None:
        """Read the last content of documents again where people ask for it."""
        revision = self._mapping.revision

        async def find(generation: str | None) -> Mapping[str, FileState]:
            kept = await self._writer.states(DOCUMENTS + (generation or ""))
            return {key.removeprefix(DOCUMENTS): load_file(value) for key, value in kept.items()}

        async def again(stale: Mapping[str, FileState]) -> str:
            read = rejected = missing = 0
            for generation, state in stale.items():
                content = await self._writer.archived(state.digest)
                if content is None:
                    missing += 1
                    continue
                config = self._config
                reading = await asyncio.to_thread(
                    read_bytes, self._mapping, content, state.name, adapter=config.name,
                    modified=state.modified_time, station=config.station, equipment=config.equipment,
                    lane=config.lane,
                )  # fmt: skip
                await self._give(reading, generation, {})
                read += 1
                rejected += reading.counters.get("rejected", 0)
            await self._batch.flush()
            return requests.told(revision, read, rejected, 0, missing)

        await requests.answer_requests(
            self._writer, revision, find, lambda state: state.revision < revision, again
        )

    async def _take_in(self, found: Found, reading: Reading) -> None:
        generation = _generation(reading, self._mapping.uses_of_file)
        seen = Seen(found.signature, reading.generation)
        state: dict[str, bytes | None] = {seen_key(found.name): dump_seen(seen)}
        key = VERSIONS + generation
        value = self._batch.pending.get(key) or await self._writer.state(key)
        versions: list[str] = orjson.loads(value) if value is not None else []
        version = f"{reading.digest[:32]} {self._mapping.revision}"
        if version in versions:
            newest = versions[-1] == version
            self._writer.count(duplicate_files=1)
            # A document that says again what it said before last is no copy: it was changed back.
            if newest or not await self._is_the_living_one(generation, reading):
                await self._keep(Step([], state))
                self._done(found, seen)
                return
            versions.remove(version)
        state[key] = orjson.dumps([*versions, version][-_VERSIONS:])
        await self._writer.archive(reading.content)
        for companion in reading.companions:
            await self._writer.archive(companion.content)
        await self._give(reading, generation, state)
        self._writer.count(files_read=1, rejected=reading.counters.get("rejected", 0))
        self._done(found, seen)

    async def _is_the_living_one(self, generation: str, reading: Reading) -> bool:
        """Whether this is the file under whose name the rows were read last."""
        key = DOCUMENTS + generation
        value = self._batch.pending.get(key) or await self._writer.state(key)
        return value is not None and load_file(value).name == reading.name

    async def _give(self, reading: Reading, generation: str, state: Mapping[str, bytes | None]) -> None:
        await self._batch.flush()
        prefix = f"{ROWS}{generation}/"
        chunks = await self._writer.states(prefix)
        table: Table = load_rows(chunks.values())
        config = self._config
        changes = Changes(reading, generation, table, config.key, self._mapping.revision)
        retracts = config.vanished == "retract" and reading.complete
        key = DOCUMENTS + generation
        value = self._batch.pending.get(key) or await self._writer.state(key)
        before = load_file(value) if value is not None else None
        goes_on = before is not None and before.name == reading.name and extends(reading.content, before)

        def given() -> Iterator[tuple[Taking, int, Row]]:
            yield from changes
            if retracts or goes_on:
                yield from changes.gone(config.name, only_loose=not retracts)

        news, number, count = given(), 1 + max((_number(key) for key in chunks), default=0), 0
        while True:
            part = await asyncio.to_thread(lambda: list(islice(news, CHUNK)))
            rows = {position: row for _, position, row in part}
            table.update(rows)
            count += len(part)
            if len(part) < CHUNK:
                break
            takings = [taking for taking, *_ in part]
            await self._keep(Step(takings, {f"{prefix}{number:08d}": dump_rows(rows)}))
            number += 1
        last: dict[str, bytes | None] = {f"{prefix}{n:08d}": None for n in range(1, number)}
        last[prefix + _BOTTOM] = dump_rows(table)
        document = FileState(
            self._mapping.revision, count, True, reading.digest, reading.name, reading.modified.isoformat(),
            size=len(reading.content),
        )  # fmt: skip
        last[DOCUMENTS + generation] = dump_file(document)
        await self._keep(Step([taking for taking, *_ in part], {**last, **state}))
        self._writer.count(
            changed_rows=count,
            repeated_keys=changes.repeated,
            keyless_records=changes.keyless,
            exhausted_rows=changes.exhausted,
        )


def _number(key: str) -> int:
    return int(key.rsplit("/", 1)[1])


def _generation(reading: Reading, uses: frozenset[str]) -> str:
    """The generation of a document's rows: of what they take from its name, not of its content."""
    told = [f"{key}={value}" for key, value in sorted(reading.told(uses).items())]
    return hashlib.sha256("\x00".join(["rewritten", *told]).encode()).hexdigest()[:32]

"""The adapter of kind `files`: a folder, its mapping, its way of picking up, and people's requests, until cancelled."""

import asyncio
from pathlib import Path
from typing import Protocol

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.logs.adapter.batch import Sleep
from broker_bridge.adapters.logs.adapter.follow import Follow
from broker_bridge.adapters.logs.adapter.growing import refuse_unfit
from broker_bridge.adapters.logs.adapter.ledger import (
    MAPPINGS,
    MappingState,
    dump_mapping,
    load_mapping_state,
)
from broker_bridge.adapters.logs.adapter.reading import load_mapping
from broker_bridge.adapters.logs.adapter.rewriting import Rewriting
from broker_bridge.adapters.logs.adapter.watch import Watch
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.config import FilesAdapter
from broker_bridge.errors import ConfigError, SourceUnavailable, StoreUnavailable


class Pickup(Protocol):
    """One way of reading a folder."""

    async def cycle(self) -> float:
        """One look; returns the seconds to wait before the next. Raises SourceUnavailable and StoreUnavailable."""
        ...

    async def answer_requests(self) -> None:
        """Do what unanswered requests ask for, and answer them."""
        ...


class FolderAdapter:
    """A source of kind `files`. Making one raises ConfigError when its mapping cannot be used."""

    def __init__(self, config: FilesAdapter, *, sleep: Sleep = asyncio.sleep) -> None:
        self._config = config
        self._sleep = sleep
        self._mapping = load_mapping(config.mapping)
        if config.pickup != "drop":
            refuse_unfit(self._mapping, config.mapping, config.pickup)

    async def run(self, writer: SourceWriter) -> None:
        """Read the folder for ever. Raises ConfigError when a changed mapping kept its revision."""
        watch: Pickup | None = None
        while True:
            pause = self._config.poll_s
            try:
                if watch is None:
                    watch = await self._begin(writer)
                await watch.answer_requests()
                pause = await watch.cycle()
            except SourceUnavailable as error:
                writer.report("away", str(error))
            except StoreUnavailable as error:
                writer.report("waiting", str(error))
            # Even a pause of nothing lets other sources of this process work.
            await self._sleep(pause)

    async def _begin(self, writer: SourceWriter) -> Pickup:
        await check_revision(self._mapping, writer, self._config.mapping)
        if self._config.pickup == "growing":
            return Follow(self._config, self._mapping, writer, self._sleep)
        if self._config.pickup == "rewritten":
            return Rewriting(self._config, self._mapping, writer, sleep=self._sleep)
        uses = {load_mapping_state(value).uses for value in (await writer.states(MAPPINGS)).values()}
        return Watch(self._config, self._mapping, writer, sorted(uses), self._sleep)


async def check_revision(mapping: Compiled, writer: SourceWriter, path: Path) -> None:
    """Note the mapping's revision. Raises ConfigError when another content had this revision before."""
    key = f"{MAPPINGS}{mapping.revision}"
    known = await writer.state(key)
    if known is None:
        state = MappingState(mapping.hash, tuple(sorted(mapping.uses_of_file)))
        await writer.take([], {key: dump_mapping(state)})
    else:
        refuse_changed(mapping, known, path)


def refuse_changed(mapping: Compiled, known: bytes, path: Path) -> None:
    """Raise ConfigError when the mapping is not the one kept under its revision (the state's value)."""
    if load_mapping_state(known).hash != mapping.hash:
        raise ConfigError(
            f"{path}: revision = {mapping.revision}: the mapping has changed, but its revision has not; raise it"
            f" to {mapping.revision + 1}, so that what it gives can replace what it gave before"
        )

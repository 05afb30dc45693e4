"""`backfill CONFIG --adapter NAME FILE...`: months of old files through the same source, each once."""

import argparse
import asyncio
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from broker_bridge.adapters.logs.adapter.backfill import OldFile, Taken
    from broker_bridge.adapters.logs.mapping.compiled import Compiled
    from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
    from broker_bridge.adapters.logs.preview.backfilled import BackfillSummary
    from broker_bridge.config import FilesAdapter, Settings

EXAMPLE: Final = """\
example: broker-bridge backfill plant.toml --adapter spi-1-files old/2026-02 old/2026-03
         broker-bridge backfill plant.toml --adapter spi-1-files old --dry-run     # writes nothing

A second backfill changes nothing, an interrupted one goes on where it was, and a file that was dropped as well
counts once. Where an edge runs on this outbox, it takes the files in. Old files need the mapping of their days: one
whose [validity] ends gets an adapter of its own name for them.

exit codes: 0 all recorded, 1 rejected records or files that cannot be read, 2 usage, 3 configuration,
            4 the outbox stayed full or the edge silent"""

_MB: Final = 2**20
_CHUNK_FILES: Final = 50
_CHUNK_BYTES: Final = 32 * _MB
_AT_ONCE: Final = 4
"""Requests that wait for the edge at a time."""
_LOOK_S: Final = 0.1
_POLL_S: Final = 0.5


class _Old(NamedTuple):
    """A file that was read."""

    path: Path
    name: str
    modified: str
    content: bytes
    companions: "list[CompanionFile]"


class _CannotKeep(Exception):
    """The outbox takes nothing more now."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("config", type=Path, metavar="CONFIG", help="the plant's configuration file (TOML)")
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE", help="files, or folders of them")
    parser.add_argument("--adapter", required=True, metavar="NAME", help="the adapter whose files they are")
    parser.add_argument("--dry-run", action="store_true", help="write nothing; say what would be done")
    parser.add_argument(
        "--wait",
        type=float,
        metavar="S",
        help="seconds to wait while nothing moves: outbox full, edge silent (default: for ever)",
    )
    parser.add_argument("--json", action="store_true", help="answer as JSON (schemas/backfill.json)")


def run(args: argparse.Namespace) -> int:
    """Take the files in."""
    from broker_bridge.adapters.logs import load_mapping
    from broker_bridge.cli.where import files_adapter
    from broker_bridge.config import load
    from broker_bridge.errors import UsageError

    settings = load(args.config)
    config = files_adapter(settings, args.adapter)
    if config.pickup != "drop":
        raise UsageError(
            f"adapter {config.name} has pickup = {config.pickup!r}: such a log is known by its folder and what went before"
            f" it; put the old ones into {config.folder} and let the edge read them"
        )
    job = _Job(args, settings, config, load_mapping(config.mapping))
    summary = job.summary(asyncio.run(job.run()))
    if args.json:
        print(summary.model_dump_json(indent=1))
    else:
        for line in _words(summary):
            print(line)
    return 1 if summary.rejected or summary.unusable else 0


class _Job:
    """One backfill."""

    def __init__(
        self, args: argparse.Namespace, settings: "Settings", config: "FilesAdapter", mapping: "Compiled"
    ) -> None:
        from broker_bridge.cli.files import Companions, named_files
        from broker_bridge.cli.progress import Bar

        self._args = args
        self._settings = settings
        self._config = config
        self._mapping = mapping
        self._source = settings.source(config)
        self._most = int(config.max_file_mb * _MB)
        self._beside = Companions(mapping, self._most)
        named = list(dict.fromkeys(named_files(args.files, config.pattern)))
        self._files = [path for path, fits in named if fits and not self._beside.is_one(path)]
        self._passed_over = len(named) - len(self._files)
        self._bar = Bar(quiet=args.json)
        self._unusable: dict[Path, str] = {}
        self._through = "none"
        self._done = 0

    async def run(self) -> "Taken":
        """All files; what came of them."""
        from broker_bridge.adapters.logs.adapter.backfill import Taken

        self._check_mapping()
        taken = Taken()
        if self._args.dry_run:
            for old in self._read(self._files):
                taken += self._would(old)
        else:
            left = self._files
            while left:
                more, left = await (self._by_edge(left) if self._edge_runs() else self._alone(left))
                taken += more
        self._bar.clear()
        return taken

    def summary(self, taken: "Taken") -> "BackfillSummary":
        """The answer."""
        from broker_bridge.adapters.logs.preview.backfilled import BackfillSummary, Unusable

        return BackfillSummary(
            adapter=self._config.name,
            source=self._source,
            dry_run=self._args.dry_run,
            files=len(self._files),
            files_new=taken.read,
            files_known=taken.known,
            files_passed_over=self._passed_over,
            unusable=tuple(
                Unusable(file=str(file), reason=reason) for file, reason in self._unusable.items()
            ),
            records_new=taken.records,
            records_known=taken.known_records,
            rejected=taken.rejected,
            events_new=taken.events,
            through=self._through,
        )

    def _edge_runs(self) -> bool:
        from broker_bridge.edge.survey import in_use

        return in_use(self._settings.edge.outbox)

    def _kept(self, prefix: str) -> dict[str, bytes]:
        from broker_bridge.edge.survey import kept
        from broker_bridge.errors import NotFound

        try:
            return kept(self._settings.edge.outbox, self._source, prefix)
        except NotFound:
            return {}

    def _check_mapping(self) -> None:
        from broker_bridge.adapters.logs.adapter.folder_adapter import refuse_changed
        from broker_bridge.adapters.logs.adapter.ledger import MAPPINGS

        key = f"{MAPPINGS}{self._mapping.revision}"
        known = self._kept(key).get(key)
        if known is not None:
            refuse_changed(self._mapping, known, self._config.mapping)

    # -- reading

    def _read(self, paths: Iterable[Path]) -> Iterator[_Old]:
        from broker_bridge.adapters.logs.adapter.content import Unreadable, decompressed
        from broker_bridge.adapters.logs.adapter.folder import Signature
        from broker_bridge.adapters.logs.adapter.reading import shown

        for path in paths:
            self._done += 1
            self._bar.update(self._done / len(self._files), f"{self._done:,} of {len(self._files):,} files")
            try:
                modified = Signature.of(path.stat()).modified
                content = decompressed(path.read_bytes(), self._most)
            except OSError as error:
                self._unusable[path] = error.strerror or str(error)
            except Unreadable as error:
                self._unusable[path] = str(error)
            else:
                yield _Old(path, shown(path.name), modified.isoformat(), content, self._beside.of(path))

    # -- the three ways

    def _would(self, old: _Old) -> "Taken":
        from datetime import datetime

        from broker_bridge.adapters.logs import read_bytes
        from broker_bridge.adapters.logs.adapter.backfill import Taken
        from broker_bridge.adapters.logs.adapter.ledger import FILES, MAPPINGS, load_file, load_mapping_state

        config = self._config
        reading = read_bytes(
            self._mapping, old.content, old.name, adapter=config.name, modified=datetime.fromisoformat(old.modified),
            station=config.station, equipment=config.equipment, lane=config.lane, companions=old.companions,
        )  # fmt: skip
        uses = [self._mapping.uses_of_file] + [
            frozenset(load_mapping_state(value).uses) for value in self._kept(MAPPINGS).values()
        ]
        for used in uses:
            value = self._kept(FILES + reading.generation_under(used)).get(
                FILES + reading.generation_under(used)
            )
            if value is None:
                continue
            state = load_file(value)
            if state.revision > self._mapping.revision or (
                state.revision == self._mapping.revision and state.done
            ):
                return Taken(known=1, known_records=state.taken)
        records = events = 0
        for taking in reading:
            records, events = records + 1, events + len(taking.statements)
        return Taken(1, 0, 0, records, 0, reading.counters.get("rejected", 0), events)

    async def _alone(self, paths: list[Path]) -> "tuple[Taken, list[Path]]":
        """Take in without an edge; what does not fit below the ceiling is left."""
        from datetime import datetime

        from broker_bridge.adapters.logs.adapter.backfill import Backfill, Taken
        from broker_bridge.adapters.logs.adapter.folder_adapter import check_revision
        from broker_bridge.edge.archive import Archive
        from broker_bridge.edge.outbox import Outbox

        edge = self._settings.edge

        async def no_room(seconds: float) -> None:
            raise _CannotKeep

        outbox = await Outbox.open(
            edge.outbox,
            archive=Archive(edge.archive),
            ceiling_bytes=int(edge.ceiling_mb * 1_000_000),
            site=self._settings.plant.site,
        )
        taken, safe = Taken(), 0
        waiting: list[tuple[int, str, Taken]] = []
        began = self._done
        try:
            writer = await outbox.writer(self._source)
            await check_revision(self._mapping, writer, self._config.mapping)
            backfill = Backfill(self._mapping, writer, self._config, no_room)
            try:
                for old in self._read(paths):
                    modified = datetime.fromisoformat(old.modified)
                    told = await backfill.take_in(old.content, old.name, modified, old.companions)
                    waiting.append((self._done - began, *told))
                await backfill.flush()
                safe = len(paths)
            except _CannotKeep:
                why = outbox.condition(self._source)[1]
            for done, generation, told_of_one in waiting:
                if safe < len(paths) and not await backfill.is_safe(generation):
                    break
                taken, safe = taken + told_of_one, max(safe, done)
        finally:
            await outbox.close()
        self._through = "outbox" if taken.read else self._through
        self._done = began + safe
        if safe < len(paths):
            await self._wait_for_edge(why)
        return taken, paths[safe:]

    async def _wait_for_edge(self, why: str) -> None:
        from broker_bridge.errors import StoreUnavailable

        self._bar.clear()
        print(f"waiting: {why}; start the edge: broker-bridge run {self._args.config}", file=sys.stderr)
        end = None if self._args.wait is None else time.monotonic() + self._args.wait
        while not self._edge_runs():
            if end is not None and time.monotonic() > end:
                raise StoreUnavailable(
                    f"{why}; what was taken in is safe. Start the edge, then type the same command again"
                )
            await asyncio.sleep(_POLL_S)

    async def _by_edge(self, paths: list[Path]) -> "tuple[Taken, list[Path]]":
        """Ask the running edge; when it stops, what it has not answered is left."""
        from broker_bridge.adapters.logs.adapter.backfill import ACTION, Taken, arguments, outcome_of
        from broker_bridge.edge import requests
        from broker_bridge.edge.archive import Archive
        from broker_bridge.edge.outbox import now_utc
        from broker_bridge.errors import ConfigError, StoreUnavailable

        edge = self._settings.edge
        archive = Archive(edge.archive)
        taken = Taken()
        open_requests: list[tuple[int, list[Path]]] = []
        began = self._done

        async def settle(most: int) -> bool:
            """Wait until at most so many requests are open; False when the edge has stopped."""
            nonlocal taken
            asked_at = time.monotonic()
            while len(open_requests) > most:
                outcome = requests.outcome(edge.outbox, open_requests[0][0])
                if outcome is not None:
                    told = outcome_of(outcome)
                    if isinstance(told, str):
                        raise ConfigError(f"the edge answered: {told}")
                    taken += told
                    self._through = "edge" if taken.read else self._through
                    open_requests.pop(0)
                    asked_at = time.monotonic()
                elif not self._edge_runs():
                    return False
                elif self._args.wait is not None and time.monotonic() - asked_at > self._args.wait:
                    raise StoreUnavailable(
                        f"the edge has not answered for {self._args.wait:g} s; `broker-bridge check {self._args.config}` tells"
                        " why. What was asked stays asked; typing the same command again changes nothing twice"
                    )
                else:
                    await asyncio.sleep(_LOOK_S)
            return True

        for chunk in self._chunks(paths):
            asked: list[OldFile] = []
            for old in chunk:
                asked.append(await asyncio.to_thread(_archived, archive, old, now_utc()))
            number = await requests.ask(edge.outbox, self._source, ACTION, arguments(asked), now_utc())
            open_requests.append((number, [old.path for old in chunk]))
            if not await settle(_AT_ONCE - 1):
                break
        if not await settle(0):
            # The edge answers what stays open when it runs again, and finds those files known.
            left = [path for _, group in open_requests for path in group]
            rest = paths[self._done - began :]
            self._done -= len(left)
            return taken, left + rest
        return taken, []

    def _chunks(self, paths: list[Path]) -> Iterator[list[_Old]]:
        chunk: list[_Old] = []
        size = 0
        for old in self._read(paths):
            chunk.append(old)
            size += len(old.content)
            if len(chunk) >= _CHUNK_FILES or size >= _CHUNK_BYTES:
                yield chunk
                chunk, size = [], 0
        if chunk:
            yield chunk


def _archived(archive: "object", old: _Old, now: "object") -> "OldFile":
    from datetime import datetime

    from broker_bridge.adapters.logs.adapter.backfill import OldFile
    from broker_bridge.edge.archive import Archive

    assert isinstance(archive, Archive)
    assert isinstance(now, datetime)
    for companion in old.companions:
        archive.put(companion.content, now)
    beside = tuple((one.name, one.digest, one.modified.isoformat()) for one in old.companions)
    return OldFile(archive.put(old.content, now), old.name, old.modified, beside)


def _words(summary: "BackfillSummary") -> Iterator[str]:
    would = "would be " if summary.dry_run else ""
    yield f"{summary.source}"
    yield f"  files    {summary.files_new:>9,} {would}read, {summary.files_known:,} already recorded, {len(summary.unusable):,} cannot be read"
    yield f"  records  {summary.records_new:>9,} new, {summary.records_known:,} already known, {summary.rejected:,} of the new ones rejected"
    yield f"  events   {summary.events_new:>9,} new"
    if summary.files_passed_over:
        yield f"{summary.files_passed_over:,} other files were passed over: their names do not fit the adapter's pattern."
    for one in summary.unusable[:20]:
        yield f"cannot be read: {one.file}: {one.reason}"
    if summary.rejected and not summary.dry_run:
        yield "`broker-bridge quarantine list` shows the rejected records once they are in the record."
    if summary.dry_run:
        yield "Nothing was written."
    elif summary.through == "outbox":
        yield "They are safe in the outbox, and go to the record when the edge runs (`broker-bridge run`)."

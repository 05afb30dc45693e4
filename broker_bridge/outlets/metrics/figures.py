"""Reads what there is to say of the roles of this process, from the same databases that `check` reads."""

import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

from broker_bridge.config import Settings
from broker_bridge.edge.survey import holdings
from broker_bridge.errors import BridgeError, NotFound
from broker_bridge.outlets.lag import Lag, lags
from broker_bridge.outlets.metrics.commits import BOUNDS_S, CommitTimes
from broker_bridge.outlets.metrics.exposition import Family, Sample, counter, gauge, histogram
from broker_bridge.projector.index import Index
from broker_bridge.projector.schema import index_path
from broker_bridge.store.sqlite_reader import SqliteReader
from broker_bridge.store.tallies import Tallies, Tally

_REFUSALS: Final = 1000
"""Payloads refused by the record are counted up to here."""


class Figures:
    """The figures of one process; `read` may take a second the first time, and is called from one thread at a time."""

    def __init__(self, settings: Settings, roles: Sequence[str], times: CommitTimes) -> None:
        self._settings = settings
        self._roles = frozenset(roles)
        self._times = times
        self._tallies: Tallies | None = None
        self._inode = 0

    def read(self) -> list[Family]:
        """Everything, now. What cannot be read is left out, and counted as such."""
        now = time.time()
        families: list[Family] = []
        trouble = 0
        parts = [self._process(), self._disks()]
        if "edge" in self._roles:
            parts.append(self._edge(now))
        if self._roles & {"recorder", "projector", "outlets", "web"}:
            parts.append(self._record(now))
        for part in parts:
            try:
                families += part
            except NotFound:
                continue  # not there yet
            except (BridgeError, OSError):
                trouble += 1
        families.append(
            gauge(
                "broker_bridge_unreadable",
                "Databases that could not be read just now, so that their figures are missing",
                [({}, trouble)],
            )
        )
        return families

    def _process(self) -> Iterator[Family]:
        try:
            known = version("broker-bridge")
        except PackageNotFoundError:
            known = "unknown"
        yield Family(
            "broker_bridge_build",
            "info",
            "Which program this is, and the roles of this process",
            (Sample(1, {"version": known, "roles": ",".join(sorted(self._roles))}, "_info"),),
        )

    def _disks(self) -> Iterator[Family]:
        path = self._settings.data
        while not path.exists():
            path = path.parent
        yield gauge(
            "broker_bridge_disk_free_bytes",
            "Room on the disk of the data folder",
            [({}, shutil.disk_usage(path).free)],
        )

    def _edge(self, now: float) -> Iterator[Family]:
        held = holdings(self._settings.edge.outbox)
        of = [{"source": one.source} for one in held]
        yield counter(
            "broker_bridge_events_taken_in",
            "Events given a number by this outbox",
            zip(of, (one.last for one in held), strict=True),
        )
        yield gauge(
            "broker_bridge_backlog_events",
            "Events that no record has yet",
            zip(of, (one.backlog for one in held), strict=True),
        )
        yield gauge(
            "broker_bridge_backlog_bytes",
            "Their size",
            zip(of, (one.backlog_bytes for one in held), strict=True),
        )
        yield gauge(
            "broker_bridge_backlog_age_seconds",
            "How long the oldest of them has been waiting; 0 where none does",
            zip(
                of,
                (0.0 if h.oldest_ms is None else max(0.0, now - h.oldest_ms / 1000) for h in held),
                strict=True,
            ),
        )
        yield gauge(
            "broker_bridge_outbox_ceiling_bytes",
            "Where files begin to wait and live sources to lose",
            [({}, self._settings.edge.ceiling_mb * 1e6)],
        )

    def _record(self, now: float) -> Iterator[Family]:
        with closing(SqliteReader(self._settings.record.path)) as reader:
            yield from self._stock(reader, now)
            yield from self._index(reader)
            if self._settings.outlets:
                yield from _outlets(list(lags(self._settings, reader, now)))

    def _stock(self, reader: SqliteReader, now: float) -> Iterator[Family]:
        head = reader.head()
        path = self._settings.record.path
        yield gauge("broker_bridge_record_events", "Events in the record", [({}, head.number)])
        yield gauge("broker_bridge_record_commits", "Commits of the record", [({}, head.commit)])
        yield gauge("broker_bridge_record_size_bytes", "Size of its file", [({}, path.stat().st_size)])
        if newest := reader.commits(head.commit - 1, 1):
            yield gauge(
                "broker_bridge_last_commit_age_seconds",
                "Since the newest commit",
                [({}, max(0.0, now - newest[0].at / 1e6))],
            )
        if "recorder" in self._roles:
            yield histogram(
                "broker_bridge_commit_duration_seconds",
                "How long commits took, flush to disk included, since this process started",
                BOUNDS_S,
                self._times.counts,
                self._times.total_s,
            )
        tallies = sorted(self._counts().items())
        yield counter(
            "broker_bridge_recorded_events",
            "Events in the record by source and type",
            (
                ({"source": s, "type": kind}, n)
                for s, tally in tallies
                for kind, n in sorted(tally.events.items())
            ),
        )
        for name, kind, help_ in (
            ("gaps", "source.gap", "Statements of a source that something is missing"),
            ("rejected", "source.rejected", "Raw records that could not become events"),
        ):
            yield counter(
                f"broker_bridge_{name}",
                help_,
                (({"source": source}, tally.events.get(kind, 0)) for source, tally in tallies),
            )
        yield gauge(
            "broker_bridge_last_event_age_seconds",
            "Since the newest event of a source was committed",
            (({"source": source}, max(0.0, now - tally.last_us / 1e6)) for source, tally in tallies),
        )
        missing: dict[str, int] = {}
        for progress in reader.progress():
            lacking = 0 if progress.closed else sum(last - first + 1 for first, last in progress.missing())
            missing[progress.source] = missing.get(progress.source, 0) + lacking
        yield gauge(
            "broker_bridge_missing_events",
            "Numbers a source has given of which the record has no event",
            (({"source": source}, count) for source, count in sorted(missing.items())),
        )
        yield gauge(
            "broker_bridge_refused_payloads",
            f"Payloads on the bus that were no events, counted up to {_REFUSALS}",
            [({}, len(reader.refusals(limit=_REFUSALS)))],
        )

    def _counts(self) -> dict[str, Tally]:
        path: Path = self._settings.record.path
        inode = path.stat().st_ino
        if self._tallies is None or inode != self._inode:
            if self._tallies is not None:
                self._tallies.close()
            self._tallies, self._inode = Tallies(path), inode
        return self._tallies.update()

    def _index(self, reader: SqliteReader) -> Iterator[Family]:
        try:
            index = Index(index_path(self._settings.record.path))
        except BridgeError:
            return  # there is none, or it is being made anew
        with closing(index):
            behind = reader.head().number - index.cursor().number
        yield gauge(
            "broker_bridge_index_lag_events", "Events the index is behind the record", [({}, max(0, behind))]
        )

    def close(self) -> None:
        """Let go of what is open."""
        if self._tallies is not None:
            self._tallies.close()


def _outlets(found: Sequence[Lag]) -> Iterator[Family]:
    of = [{"outlet": lag.config.name, "kind": lag.config.kind} for lag in found]
    for name, help_, values in (
        ("lag_events", "Events an outlet has still to come to", [lag.behind for lag in found]),
        (
            "lag_seconds",
            "How long the oldest of them has been in the record",
            [lag.oldest_s for lag in found],
        ),
        ("dead_letters", "Events its receiver refused", [lag.letters for lag in found]),
        (
            "withheld_events",
            "Events it may not let out",
            [lag.standing.withheld if lag.standing else 0 for lag in found],
        ),
        (
            "up",
            "1: it delivers; 0: it waits, is stopped or was never started",
            [int(lag.standing is not None and lag.standing.condition == "running") for lag in found],
        ),
    ):
        yield gauge(f"broker_bridge_outlet_{name}", help_, zip(of, values, strict=True))

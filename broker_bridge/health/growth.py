"""How fast record, outbox and raw archive have grown, and when there will be no more room."""

import math
import os
import shutil
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.config import Settings
from broker_bridge.edge.survey import intake, oldest
from broker_bridge.errors import BridgeError
from broker_bridge.health.finding import Finding
from broker_bridge.health.forecast import BINS, Outlook, edges, outlook
from broker_bridge.store.sqlite_reader import SqliteReader

_SOON_S: Final = 7 * 86_400
"""Full sooner than this at the mean rate is a problem; if only the busiest day lasted, a notice."""
_OUTAGE_S: Final = 24 * 3600
"""An outbox should hold a day without broker or recorder."""
_FILES: Final = 50_000


class _Grown(NamedTuple):
    """Bytes in each bin, oldest first, and when the first of all came, in seconds; infinity: nothing came."""

    sizes: list[float]
    since: float

    def plus(self, other: "_Grown") -> "_Grown":
        """Both together."""
        sizes = [a + b for a, b in zip(self.sizes, other.sizes, strict=True)]
        return _Grown(sizes, min(self.since, other.since))


def growth(settings: Settings, now: datetime | None = None) -> Iterator[Finding]:
    """Forecasts for the outbox's ceiling and for the disks."""
    at = edges((now or datetime.now(UTC)).timestamp())
    nothing = _Grown([0.0] * BINS, math.inf)
    record = _record(settings.record.path, at) if "recorder" in settings.roles else nothing
    outbox = _outbox(settings.edge.outbox, at) if "edge" in settings.roles else nothing
    archive = _archive(settings.edge.archive, at[-1]) if "edge" in settings.roles else nothing
    ceiling = settings.edge.ceiling_mb * 1_000_000
    if (found := outlook(outbox.sizes, ceiling, at[-1] - outbox.since)) is not None:
        short = found.within(_OUTAGE_S)
        yield Finding(
            "forecast: outbox",
            "notice" if short else "fine",
            f"without a recorder, up to its {settings.edge.ceiling_mb:,.0f} MB: {found.text}",
            "raise edge.ceiling_mb, so that a weekend without broker or recorder fits" if short else "",
        )
    disks: dict[int, tuple[list[str], _Grown, Path]] = {}
    # Receipted events leave the outbox after keep_days: a full outbox takes the place it has.
    for name, path, grown in (
        ("record", settings.record.path.parent, record),
        ("outbox", settings.edge.outbox.parent, outbox if settings.edge.keep_days > 7 else nothing),
        ("archive", settings.edge.archive, archive),
    ):
        if any(grown.sizes) and path.exists():
            names, total, _ = disks.setdefault(path.stat().st_dev, ([], nothing, path))
            names.append(name)
            disks[path.stat().st_dev] = names, total.plus(grown), path
    for names, total, path in disks.values():
        if (found := outlook(total.sizes, shutil.disk_usage(path).free, at[-1] - total.since)) is not None:
            yield _disk(" and ".join(names), found)


def _disk(name: str, found: Outlook) -> Finding:
    level = (
        "problem"
        if found.within(_SOON_S)
        else "notice"
        if found.told and found.soonest_s < _SOON_S
        else "fine"
    )
    return Finding(
        f"forecast: disk of {name}",
        level,  # type: ignore[arg-type]  # one of the three
        found.text,
        "" if level == "fine" else "make room, or shorten edge.archive_days and edge.keep_days",
    )


def _record(path: Path, at: Sequence[float]) -> _Grown:
    """Events committed in each bin, by what an event takes on the disk on average."""
    try:
        reader = SqliteReader(path)
    except BridgeError:
        return _Grown([0.0] * BINS, math.inf)
    try:
        head = reader.head()
        if not head.number:
            return _Grown([0.0] * BINS, math.inf)
        each = path.stat().st_size / head.number
        numbers = [reader.last_number(reader.commit_at(int(instant * 1e6))) for instant in at]
        return _Grown(
            [each * (later - earlier) for earlier, later in pairwise(numbers)],
            reader.commits(0, 1)[0].at / 1e6,
        )
    finally:
        reader.close()


def _outbox(path: Path, at: Sequence[float]) -> _Grown:
    try:
        sizes, since_ms = intake(path, [int(instant * 1000) for instant in at]), oldest(path)
    except BridgeError:
        return _Grown([0.0] * BINS, math.inf)
    return _Grown(sizes, math.inf if since_ms is None else since_ms / 1000)


def _archive(folder: Path, now_s: float) -> _Grown:
    """Bytes of the files of the last months by when they were written; looks at a bounded number of files."""
    grown, since = [0.0] * BINS, math.inf
    first = edges(now_s)[0]
    seen = 0
    for month in sorted(folder.glob("[0-9][0-9][0-9][0-9]-[0-9][0-9]"))[-2:]:
        with os.scandir(month) as entries:
            for entry in entries:
                seen += 1
                if seen > _FILES:
                    # Too many to look at: the disk's own finding tells what is left.
                    return _Grown([0.0] * BINS, math.inf)
                status = entry.stat(follow_symlinks=False)
                since = min(since, status.st_mtime)
                place = int((status.st_mtime - first) / (now_s - first) * BINS)
                if 0 <= place < BINS:
                    grown[place] += status.st_size
    return _Grown(grown, since)

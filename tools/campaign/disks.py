"""Disks that are full, read-only, or fail once: the n-th write, sync or rename, until a life without a hit."""

import errno
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import ClassVar

from brokers import until
from disk import Mounted
from kind import Kind
from plant import Plant, Way
from roles import Habits


class _OnDisk(Kind):
    each = 4

    @contextmanager
    def ready(self) -> Iterator[Way]:
        """Record, outbox and archive on the disk; the broker's store elsewhere, so that ours is what is struck."""
        with Mounted(self.folder / "disk", self.folder / "disk.log", self.seed) as self.disk:
            self.arm()
            yield Way(
                habits=Habits(any_disk=True, hurried=self.short),
                data=self.folder / "disk" / "data",
                after="delete",
                may_end=True,
            )

    def arm(self) -> None:
        """What is told to the disk before anything starts."""


class Full(_OnDisk):
    """disk full for a while, at any fill, while machines go on"""

    def strike(self, plant: Plant) -> None:
        """Fill, work on, look at what is said, make room."""
        plant.work(self.chance.randint(5, 30))
        time.sleep(self.chance.uniform(0.0, 0.5))
        self.disk.order("fill", room=self.chance.choice((0, 5_000, 60_000)))
        plant.struck("full")
        plant.work(self.chance.randint(40, 120))
        time.sleep(self.chance.uniform(0.5, 1.5) if self.short else self.chance.uniform(2.0, 8.0))
        told = [f"{finding.text}: {finding.advice}" for finding in plant.troubles(offline=True)]
        plant.expect("disk full", any("make room" in text for text in told), f"check says {told}")
        plant.revive()
        self.disk.order("heal")


class ReadOnly(_OnDisk):
    """disk read-only for a while"""

    def strike(self, plant: Plant) -> None:
        """As a kernel does it that finds an error in its file system, and as a person mends it."""
        plant.work(self.chance.randint(5, 30))
        time.sleep(self.chance.uniform(0.0, 0.5))
        self.disk.order("read_only")
        plant.struck("read-only")
        plant.work(self.chance.randint(5, 60))
        time.sleep(self.chance.uniform(0.5, 1.5) if self.short else self.chance.uniform(2.0, 8.0))
        told = [finding.text for finding in plant.troubles(offline=True)]
        plant.expect("read-only", any("Read-only" in text for text in told), f"check says {told}")
        plant.revive()
        self.disk.order("heal")


class _Nth(_OnDisk):
    sweep = True
    op: ClassVar[str]
    code: ClassVar[int] = errno.EIO

    def arm(self) -> None:
        """The seed is the number of the operation, counted from the plant's birth."""
        self.disk.fail(self.op, self.seed, times=1, code=self.code)

    def strike(self, plant: Plant) -> None:
        """A small life: first start, some records, a restart of the edge, some more."""
        plant.work(12)
        until(lambda: plant.count() >= 6 or plant.revive(), 60, "something recorded")
        plant.victim("edge").kill()
        plant.work(8)
        plant.start("edge")

    def ended(self, plant: Plant) -> None:
        """Recovered; was anything hit?"""
        plant.finish(online=False)
        looked = self.disk.order("look")
        plant.strikes[f"{self.op} done"] = looked["done"].get(self.op, 0)
        if looked["hit"]:
            plant.struck("hit")


class NthWrite(_Nth):
    """the n-th write fails (EIO), from the plant's birth on"""

    op = "write"


class NthFsync(_Nth):
    """the n-th sync fails (EIO), what it was to sync never reaches the disk"""

    op = "fsync"


class NthRename(_Nth):
    """the n-th rename fails (EIO)"""

    op = "rename"

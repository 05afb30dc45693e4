"""A file system of our own, in memory, that forgets on command what was not synced, and fails when told.

Why a file system and not fakes: the roles, SQLite and the broker's own program then run as they are, and every byte
they write, whoever writes it, passes here. mfusepy is the binding; the kernel's FUSE does the rest.

What is written stands in memory twice: as everybody sees it, and as it would be found after a power cut. A sync moves
one to the other. Two kinds of disk: `journal`, where any sync makes all earlier names durable too (ext4, XFS), and
`strict`, where a name is durable when its folder was synced and not before (all that POSIX promises). After a cut each
write that was not synced, torn at 512 bytes, may be there or not, and of the names a beginning of what was done.
"""

import errno
import itertools
import json
import os
import random
import shutil
import socket
import stat
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Any, Final

from brokers import until
from mfusepy import FUSE, FuseOSError, Operations
from roles import forked

SECTOR: Final = 512
BLOCK: Final = 4096
LARGE: Final = 2**33


class Node:
    """A file or folder."""

    numbers = itertools.count(2)

    def __init__(self, mode: int) -> None:
        self.mode = mode
        self.number = next(self.numbers)
        """The inode's: SQLite compares it to notice a database that was moved away."""
        self.data = bytearray()
        self.synced = bytearray()
        self.pending: list[tuple[int, bytes | None]] = []
        """Since the last sync, in order: place and bytes written, or size and None for a cut."""
        self.changed = time.time_ns()

    def write(self, at: int, piece: bytes) -> None:
        """Write as seen by everybody."""
        _put(self.data, at, piece)
        self.pending.append((at, piece))
        self.changed = time.time_ns()

    def cut(self, size: int) -> None:
        """Truncate or extend as seen by everybody."""
        _cut(self.data, size)
        self.pending.append((size, None))
        self.changed = time.time_ns()

    def sync(self) -> None:
        """What everybody sees is what a power cut leaves."""
        for at, piece in self.pending:
            _cut(self.synced, at) if piece is None else _put(self.synced, at, piece)
        self.pending.clear()

    def lose_power(self, chance: random.Random | None) -> None:
        """Back to what was synced; with `chance`, some of the rest got to the disk as well, in any order, torn."""
        share = 0.0 if chance is None else chance.choice((0.0, 0.5, 0.9))
        for at, piece in self.pending:
            if piece is None:
                if chance is not None and chance.random() < share:
                    _cut(self.synced, at)
                continue
            for start in range(0, len(piece), SECTOR):
                if chance is not None and chance.random() < share:
                    _put(self.synced, at + start, piece[start : start + SECTOR])
        self.pending.clear()
        self.data = bytearray(self.synced)


class Disk(Operations):  # type: ignore[misc]
    """The file system."""

    use_ns = True

    def __init__(self, seed: int, *, strict: bool) -> None:
        self.strict = strict
        self.names: dict[str, Node] = {"/": Node(stat.S_IFDIR | 0o755)}
        self.durable: dict[str, Node] = dict(self.names)
        self.deeds: list[tuple[str, str, Node]] = []
        """Changes of names since they were durable: old path, new path, node; "" for no path."""
        self.done: Counter[str] = Counter()
        self.failing: dict[str, Any] = {}
        self.hit = 0
        self.room = LARGE
        self.read_only = False
        self.stall_s = 0.0
        self._chance = random.Random(seed)

    # -- commands -----------------------------------------------------------------------------------------

    def obey(self, order: dict[str, Any]) -> dict[str, Any]:
        """Carry out what the campaign says; answers with counts."""
        match order["do"]:
            case "fail":
                # The n-th of these operations from now on, `times` in a row, on paths that contain `on`.
                self.failing = {**order, "left": order["nth"]}
                self.hit = 0
            case "heal":
                self.failing, self.room, self.read_only, self.stall_s = {}, LARGE, False, 0.0
            case "fill":
                self.room = self.used() + int(order["room"])
            case "read_only":
                self.read_only = True
            case "stall":
                self.stall_s = float(order["seconds"])
        return {"done": dict(self.done), "hit": self.hit, "used": self.used()}

    def used(self) -> int:
        """Bytes in files."""
        return sum(len(node.data) for node in list(self.names.values()))

    def lose_power(self, gently: bool) -> None:
        """Forget what was not synced. `gently`: all of it; else some of it, as it comes."""
        chance = None if gently else self._chance
        kept = 0 if chance is None or self.strict else chance.randint(0, len(self.deeds))
        for deed in self.deeds[:kept]:
            _rename(self.durable, *deed)
        self.deeds.clear()
        for node in set(self.durable.values()):
            node.lose_power(chance)
        # A name whose folder is not there cannot be reached.
        self.durable = {path: node for path, node in self.durable.items() if self._reached(path)}
        self.names = dict(self.durable)

    def _reached(self, path: str) -> bool:
        return all(str(parent) in self.durable for parent in PurePosixPath(path).parents)

    # -- what every change goes through ---------------------------------------------------------------------

    def _about_to(self, what: str, path: str, growth: int = 0) -> None:
        if path.endswith("-shm"):
            # Mapped memory: on a local disk it lives in the page cache, which goes on working whatever the disk does.
            return
        self.done[what] += 1
        failing = self.failing
        if failing and failing["op"] == what and failing["on"] in path:
            failing["left"] -= 1
            if -failing["times"] < failing["left"] <= 0:
                self.hit += 1
                raise FuseOSError(failing["errno"])
        if self.read_only and what != "fsync":
            raise FuseOSError(errno.EROFS)
        if growth > 0 and self.used() + growth > self.room:
            raise FuseOSError(errno.ENOSPC)

    def _node(self, path: str) -> Node:
        node = self.names.get(path)
        if node is None:
            raise FuseOSError(errno.ENOENT)
        return node

    def _deed(self, old: str, new: str, node: Node) -> None:
        _rename(self.names, old, new, node)
        self.deeds.append((old, new, node))

    # -- the operations -------------------------------------------------------------------------------------

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        node = self._node(path)
        size = len(node.data)
        return {
            "st_ino": node.number, "st_mode": node.mode, "st_nlink": 2 if stat.S_ISDIR(node.mode) else 1, "st_size": size,
            "st_blocks": -(-size // SECTOR), "st_mtime": node.changed, "st_ctime": node.changed,
            "st_atime": node.changed, "st_uid": os.getuid(), "st_gid": os.getgid(),
        }  # fmt: skip

    def readdir(self, path: str, fh: int) -> list[tuple[str, dict[str, Any], int]]:
        inside = path.rstrip("/") + "/"
        names = [name for name in self.names if name != "/" and name.startswith(inside)]
        # With its number: the system passes over names that have none.
        here = [
            (name[len(inside) :], self.getattr(name), 0) for name in names if "/" not in name[len(inside) :]
        ]
        return [(".", self.getattr(path), 0), ("..", self.getattr(path), 0), *here]  # fmt: skip

    def statfs(self, path: str) -> dict[str, int]:
        free = max(0, self.room - self.used()) // BLOCK
        return {"f_bsize": BLOCK, "f_frsize": BLOCK, "f_blocks": LARGE // BLOCK, "f_bfree": free, "f_bavail": free,
                "f_files": 10**6, "f_ffree": 10**6, "f_namemax": 255}  # fmt: skip

    def create(self, path: str, mode: int, fi: Any = None) -> int:
        self._about_to("create", path)
        self._deed("", path, Node(stat.S_IFREG | stat.S_IMODE(mode)))
        return 0

    def mkdir(self, path: str, mode: int) -> int:
        self._about_to("mkdir", path)
        self._deed("", path, Node(stat.S_IFDIR | stat.S_IMODE(mode)))
        return 0

    def open(self, path: str, flags: int) -> int:
        if self.read_only and flags & (os.O_WRONLY | os.O_RDWR) and not path.endswith("-shm"):
            raise FuseOSError(errno.EROFS)
        self._node(path)
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        return bytes(self._node(path).data[offset : offset + size])

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        node = self._node(path)
        self._about_to("write", path, offset + len(data) - len(node.data))
        node.write(offset, bytes(data))
        return len(data)

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        node = self._node(path)
        self._about_to("truncate", path, length - len(node.data))
        node.cut(length)
        return 0

    def rename(self, old: str, new: str) -> int:
        self._about_to("rename", new)
        self._deed(old, new, self._node(old))
        return 0

    def unlink(self, path: str) -> int:
        self._about_to("unlink", path)
        self._deed(path, "", self._node(path))
        return 0

    rmdir = unlink

    def chmod(self, path: str, mode: int) -> int:
        node = self._node(path)
        node.mode = stat.S_IFMT(node.mode) | stat.S_IMODE(mode)
        return 0

    def chown(self, path: str, uid: int, gid: int) -> int:
        return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        self._node(path).changed = time.time_ns() if times is None else times[1]
        return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        if self.stall_s:
            time.sleep(self.stall_s)
        node = self._node(path)
        try:
            self._about_to("fsync", path)
        except FuseOSError:
            # As Linux does it: the error is told once, and the pages count as clean although the disk lacks them.
            node.pending.clear()
            raise
        node.sync()
        if not self.strict:
            self._settle_names(None)
        return 0

    def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
        self._about_to("fsync", path)
        self._settle_names(path if self.strict else None)
        return 0

    def _settle_names(self, folder: str | None) -> None:
        left = []
        for old, new, node in self.deeds:
            if folder is None or folder in (str(PurePosixPath(path).parent) for path in (old, new) if path):
                _rename(self.durable, old, new, node)
            else:
                left.append((old, new, node))
        self.deeds = left


class Mounted:
    """The disk in a process of its own, mounted on `folder`. Use as `with Mounted(...) as disk`."""

    def __init__(self, folder: Path, log: Path, seed: int, *, strict: bool = False) -> None:
        self.folder = folder
        self._log = log
        self._disk = Disk(seed, strict=strict)
        self._near, self._far = socket.socketpair()
        self._pid = 0

    def __enter__(self) -> "Mounted":
        if not Path("/dev/fuse").exists():
            raise RuntimeError("/dev/fuse is not on this machine: the kernel's FUSE and libfuse2 are needed")
        self.folder.mkdir(parents=True)
        self._pid = forked(self._serve, self._log)
        self._wait_mounted()
        return self

    def __exit__(self, *_: object) -> None:
        os.kill(self._pid, 9)
        os.waitpid(self._pid, 0)
        _unmount(self.folder, lazy=True)

    def order(self, do: str, **more: Any) -> dict[str, Any]:
        """Tell the disk what to do; what it counts."""
        self._near.sendall(json.dumps({"do": do, **more}).encode() + b"\n")
        return dict(json.loads(self._near.recv(65536)))

    def fail(self, op: str, nth: int, *, times: int = 1, on: str = "", code: int = errno.EIO) -> None:
        """Let the n-th of these operations from now on fail, and those after it, `times` in all."""
        self.order("fail", op=op, nth=nth, times=times, on=on, errno=code)

    def lose_power(self, *, gently: bool = False) -> None:
        """Everything that was not synced is gone. Nobody may have the disk open."""
        self.order("gently" if gently else "roughly")
        _unmount(self.folder)
        self._wait_mounted()

    def _wait_mounted(self) -> None:
        until(lambda: os.path.ismount(self.folder) and self._answers(), 20, f"{self.folder} is mounted")

    def _answers(self) -> bool:
        try:
            os.statvfs(self.folder)
        except OSError:
            return False
        return True

    def _serve(self) -> None:
        threading.Thread(target=self._listen, daemon=True).start()
        while True:
            self._gently: bool | None = None
            FUSE(
                self._disk,
                str(self.folder),
                foreground=True,
                nothreads=True,
                fsname="campaign",
                default_permissions=True,
                use_ino=True,
            )
            if self._gently is not None:
                self._disk.lose_power(self._gently)

    def _listen(self) -> None:
        for line in self._far.makefile("rb"):
            order = json.loads(line)
            if order["do"] in ("gently", "roughly"):
                self._gently = order["do"] == "gently"
            self._far.sendall(json.dumps(self._disk.obey(order)).encode())


@contextmanager
def mounted(folder: Path, log: Path, seed: int, *, strict: bool = False) -> Iterator[Mounted]:
    """The disk, mounted for the block."""
    with Mounted(folder, log, seed, strict=strict) as disk:
        yield disk


def _unmount(folder: Path, *, lazy: bool = False) -> None:
    program = "umount" if os.getuid() == 0 else shutil.which("fusermount") or "fusermount3"
    words = [*([] if os.getuid() == 0 else ["-u"]), *([("-l" if os.getuid() == 0 else "-z")] if lazy else [])]
    deadline = time.monotonic() + 20
    while True:
        done = subprocess.run([program, *words, str(folder)], capture_output=True, text=True, check=False)
        if done.returncode == 0 or lazy:
            return
        if time.monotonic() > deadline:
            raise RuntimeError(f"{folder} stays mounted: {done.stderr.strip()}")
        time.sleep(0.05)


def _put(data: bytearray, at: int, piece: bytes) -> None:
    if at > len(data):
        data.extend(bytes(at - len(data)))
    data[at : at + len(piece)] = piece


def _cut(data: bytearray, size: int) -> None:
    if size < len(data):
        del data[size:]
    else:
        data.extend(bytes(size - len(data)))


def _rename(names: dict[str, Node], old: str, new: str, node: Node) -> None:
    """Move a name, and all below it; old "" makes one, new "" takes one away."""
    if old:
        moved = {path: there for path, there in names.items() if path.startswith(old + "/")}
        for path in (old, *moved):
            names.pop(path, None)
        if new:
            names.update({new + path[len(old):]: there for path, there in moved.items()})  # fmt: skip
    if new:
        names[new] = node

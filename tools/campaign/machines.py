"""The machines of a campaign: what they write, and their own list of it.

One drops result files, whole or in two pieces that are cut in the middle of a line, and packed bombs; one appends to a log in pieces that end anywhere, and renames and packs
it now and then. The truth id of a raw record stands in its program column; its board is drawn at random, so that no
rule leads from one to the other.
"""

import functools
import gzip
import hashlib
import os
import random
import time
from pathlib import Path
from typing import Final

from checker import Written

MAPPING: Final = """\
name = "a plain inspection of the invented plant Harbour Works"
revision = 1
zone = "UTC"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [{ kind = "board", header = true, columns = ["Truth", "Board", "Start", "Result"] }]

[fields.board]
truth = "Truth"
serial = "Board"
start = { column = "Start", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "start" }
result = { column = "Result", table = "result" }

[tables.result]
values = { OK = "passed", NG = "failed" }
otherwise = "reject"

[[event]]
type = "inspection.completed"
each = "board"
time = ["$board.start"]

[event.data]
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$board.serial", how = "read" }] }]
method = "optical"
outcome = "$board.result"
program = { name = "$board.truth" }
"""
HEADER: Final = b"Truth;Board;Start;Result\n"
ROTATED_AFTER: Final = 120
"""Records after which the growing log is renamed and begun anew."""


class _Machine:
    def __init__(self, source: str, letter: str, chance: random.Random) -> None:
        self.source = source
        self.written: dict[str, Written] = {}
        """Truth id to what belongs to it, for all that was written so far."""
        self._letter = letter
        self._chance = chance
        self._order = 0

    def _record(self, file: int) -> bytes:
        self._order += 1
        truth = f"{self._letter}-{self._order:06d}"
        board = f"HW-{self._chance.randrange(10**9):09d}"
        ok = self._chance.random() < 0.9
        second = self._order
        start = f"2026-03-{2 + second // 86_400:02d} {second // 3600 % 24:02d}:{second // 60 % 60:02d}:{second % 60:02d}"
        line = f"{truth};{board};{start};{'OK' if ok else 'NG'}\n".encode()
        self.written[truth] = Written(
            self.source,
            file,
            self._order,
            board,
            "passed" if ok else "failed",
            hashlib.sha256(line).hexdigest(),
        )
        return line


FLUSHED_FOR_S: Final = 0.3
"""Seconds for which a file ends in the middle of a line: some polls of the edge, less than it waits for the rest."""
BOMB_MB: Final = 70
"""What a bomb unpacks to: more than the edge may read of a file."""


class Dropper(_Machine):
    """Writes a result file for a few boards at a time.

    Some files are written in place by a buffer that is flushed in mid-line; now and then a bomb is dropped, which
    says nothing, must cost no memory that stays, and is taken away at the end.
    """

    def __init__(self, folder: Path, source: str, chance: random.Random) -> None:
        super().__init__(source, "D", chance)
        self._folder = folder
        self._files = 0
        folder.mkdir(parents=True, exist_ok=True)

    def work(self, records: int) -> None:
        """Write about so many raw records, in files of one to ten."""
        while records > 0:
            size = min(records, self._chance.randint(1, 10))
            self._files += 1
            content = HEADER + b"".join(self._record(self._files) for _ in range(size))
            path = self._folder / f"{self._files:06d}.csv"
            if self._chance.random() < 0.1:
                self._flush_in_mid_line(path, content)
            else:
                _put(path, content)
            records -= size
        if self._chance.random() < 0.02:
            _put(self._folder / f"bomb-{self._files:06d}.csv.gz", _bomb())

    def finish(self) -> None:
        """Take away what cannot be read."""
        for bomb in self._folder.glob("bomb-*"):
            bomb.unlink()

    def _flush_in_mid_line(self, path: Path, content: bytes) -> None:
        cut = len(content) - self._chance.randint(1, 30)
        with path.open("wb", buffering=0) as file:
            file.write(content[:cut])
            time.sleep(FLUSHED_FOR_S)
            file.write(content[cut:])


@functools.cache
def _bomb() -> bytes:
    return gzip.compress(bytes(BOMB_MB * 2**20), 1)


def _put(path: Path, content: bytes) -> None:
    partial = path.with_name("." + path.name)
    partial.write_bytes(content)
    os.rename(partial, path)


class Logger(_Machine):
    """Appends to a log that grows and is rotated."""

    def __init__(self, folder: Path, source: str, chance: random.Random) -> None:
        super().__init__(source, "L", chance)
        self._folder = folder
        self._left = b""
        self._in_log = 0
        self._logs = 0
        folder.mkdir(parents=True, exist_ok=True)

    def work(self, records: int) -> None:
        """Go on by about so many raw records; the last piece may end in the middle of one."""
        for _ in range(records):
            self._append(self._left + self._next())
            if self._in_log >= ROTATED_AFTER:
                self._rotate()
        whole = self._left + self._next()
        cut = self._chance.randint(0, len(whole) - 1)
        self._append(whole[:cut])
        self._left = whole[cut:]

    def finish(self) -> None:
        """End the line that was begun."""
        self._append(self._left)

    def _next(self) -> bytes:
        self._in_log += 1
        line = self._record(self._logs)
        return line if self._in_log > 1 else HEADER + line

    def _append(self, piece: bytes) -> None:
        self._left = b""
        with (self._folder / "station.log").open("ab") as log:
            log.write(piece)

    def _rotate(self) -> None:
        self._logs += 1
        self._in_log = 0
        current = self._folder / "station.log"
        old = self._folder / f"station.log.{self._logs}"
        current.rename(old)
        if self._chance.random() < 0.5:
            packed = old.with_name(old.name + ".gz")
            partial = old.with_name("." + packed.name)
            partial.write_bytes(gzip.compress(old.read_bytes()))
            partial.rename(packed)
            old.unlink()

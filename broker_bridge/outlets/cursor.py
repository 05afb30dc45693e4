"""How far an outlet has got, on disk; and what its receiver refused.

A position is a number of the record. It outlives a restored record: a trail of commits that were passed tells up to
where the restored one is the same, and from there on everything is sent again.
"""

import contextlib
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from broker_bridge.db import Held, Kind, lock, open_reader, open_writer, transaction
from broker_bridge.errors import ConfigError, NotFound
from broker_bridge.outlets.base import Refused
from broker_bridge.store.base import StoreReader

if TYPE_CHECKING:
    import aiosqlite

KIND: Final = Kind(
    name="outlet's position",
    application_id=0x4242_4F4C,  # "BBOL"
    migrations=(
        """
        CREATE TABLE position (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            record TEXT NOT NULL,
            incarnation INTEGER NOT NULL,
            number INTEGER NOT NULL,
            withheld INTEGER NOT NULL,
            why_withheld TEXT,
            condition TEXT NOT NULL,
            detail TEXT NOT NULL,
            told_us INTEGER NOT NULL,
            replay INTEGER
        ) STRICT;
        -- Commits that were passed as a whole: number, last event, time.
        CREATE TABLE trail (
            commit_no INTEGER PRIMARY KEY,
            last INTEGER NOT NULL,
            at INTEGER NOT NULL
        ) STRICT;
        CREATE TABLE letters (
            letter INTEGER PRIMARY KEY,
            number INTEGER NOT NULL,
            source TEXT NOT NULL,
            event TEXT NOT NULL,
            code TEXT NOT NULL,
            reason TEXT NOT NULL,
            first_us INTEGER NOT NULL,
            last_us INTEGER NOT NULL,
            times INTEGER NOT NULL,
            wanted INTEGER NOT NULL,
            UNIQUE (source, event)
        ) STRICT;
        """,
    ),
)

_TRAIL: Final = 256
"""Commits remembered. The older half is thinned when there are more, so that the trail reaches back far, coarsely."""


class Letter(NamedTuple):
    """A dead letter: an event that the receiver refused for good."""

    letter: int
    """Its number among the outlet's dead letters."""
    number: int
    """Its number in the record when it was refused last."""
    source: str
    event: str
    """Its id, which holds also where a restored record numbers it anew."""
    code: str
    reason: str
    first_us: int
    """When it was first refused, microseconds since 1970."""
    last_us: int
    times: int
    wanted: bool
    """A person asked to send it again."""


class Standing(NamedTuple):
    """Where an outlet stands."""

    record: str
    incarnation: int
    number: int
    """Every event up to here was delivered, refused, withheld or not asked for."""
    withheld: int
    """Events that the configuration does not let out."""
    why_withheld: str | None
    """The reason of the last of them."""
    condition: str
    """One word: new, running, waiting, stopped, failed."""
    detail: str
    told_us: int
    """When the condition was told, microseconds since 1970."""
    replay: int | None
    """The number from behind which a person asked to send everything again."""


class Cursor:
    """The position of one outlet, held by the one process that moves it."""

    def __init__(self, path: Path, held: Held, connection: "aiosqlite.Connection") -> None:
        self.path = path
        self._held = held
        self._connection = connection
        self.standing = Standing("", 0, 0, 0, None, "new", "", 0, None)
        self.letters = 0
        """How many dead letters there are."""

    @classmethod
    async def open(cls, path: Path) -> "Cursor":
        """Raises ConfigError when another process moves it, StoreUnavailable as `open_writer`."""
        held = lock(path, KIND)
        try:
            # A lost position is a repetition, never a loss: a flush for every step is not worth its time.
            connection = await open_writer(path, KIND, synchronous="NORMAL")
        except BaseException:
            held.close()
            raise
        cursor = cls(path, held, connection)
        await cursor.refresh()
        return cursor

    async def meet(self, reader: StoreReader, *, at_end: bool) -> None:
        """Bring the position in line with the record as it is. Call when a record was opened, and when it changed.

        A new outlet begins at the record's beginning, or with `at_end` behind its newest event. Raises ConfigError
        when the position is one of another record.
        """
        head = reader.head()
        standing = self.standing
        if not standing.record:
            await self._place(head.name, head.incarnation, head.number if at_end else 0, forget=True)
        elif standing.record != head.name:
            raise ConfigError(
                f"{self.path}: is a position in record {standing.record!r}, not in {head.name!r}: give this outlet"
                " another name, or move the file aside to begin anew"
            )
        elif standing.incarnation != head.incarnation or standing.number > head.number:
            same = await self._common(reader)
            await self._place(head.name, head.incarnation, min(same, standing.number), forget=False)

    async def _common(self, reader: StoreReader) -> int:
        rows = await self._all("SELECT commit_no, last, at FROM trail ORDER BY commit_no DESC")
        for commit, last, at in rows:
            there = reader.commits(commit - 1, 1)
            if there and (there[0].number, there[0].last, there[0].at) == (commit, last, at):
                async with transaction(self._connection):
                    await self._connection.execute("DELETE FROM trail WHERE commit_no > ?", (commit,))
                return int(last)
        async with transaction(self._connection):
            await self._connection.execute("DELETE FROM trail")
        return 0

    async def _place(self, record: str, incarnation: int, number: int, *, forget: bool) -> None:
        async with transaction(self._connection):
            if forget:
                await self._connection.execute(
                    "INSERT OR REPLACE INTO position VALUES (1, ?, ?, ?, 0, NULL, 'new', '', ?, NULL)",
                    (record, incarnation, number, _now_us()),
                )
            else:
                await self._connection.execute(
                    "UPDATE position SET record = ?, incarnation = ?, number = ?",
                    (record, incarnation, number),
                )
        await self.refresh()

    async def advance(
        self,
        number: int,
        *,
        passed: tuple[int, int, int] | None = None,
        refused: Sequence[tuple[Refused, str, str]] = (),
        withheld: int = 0,
        why_withheld: str | None = None,
    ) -> None:
        """Move on to a number, and keep what was refused (with its source and id), in one transaction.

        `passed`: number, last event and time of a commit that is now passed as a whole. Raises StoreUnavailable.
        """
        now = _now_us()
        async with transaction(self._connection):
            await self._connection.execute(
                "UPDATE position SET number = max(number, ?), withheld = withheld + ?,"
                " why_withheld = coalesce(?, why_withheld)",
                (number, withheld, why_withheld),
            )
            for (event_number, code, reason), source, event in refused:
                await self._connection.execute(
                    "INSERT INTO letters VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, 1, 0) ON CONFLICT (source, event) DO UPDATE"
                    " SET number = excluded.number, code = excluded.code, reason = excluded.reason, last_us = excluded.last_us, times = times + 1,"
                    " wanted = 0",
                    (event_number, source, event, code, reason[:2000], now, now),
                )
            if passed is not None:
                await self._connection.execute("INSERT OR REPLACE INTO trail VALUES (?, ?, ?)", passed)
                await self._thin()
        await self.refresh()

    async def _thin(self) -> None:
        ((count,),) = await self._all("SELECT count(*) FROM trail")
        if count > _TRAIL:
            await self._connection.execute(
                "DELETE FROM trail WHERE commit_no IN (SELECT commit_no FROM (SELECT commit_no, row_number() OVER"
                " (ORDER BY commit_no) AS place FROM trail) WHERE place < ? AND place % 2 = 0)",
                (_TRAIL // 2,),
            )

    async def told(self, condition: str, detail: str = "") -> None:
        """Keep in one word how the outlet is, and why."""
        async with transaction(self._connection):
            await self._connection.execute(
                "UPDATE position SET condition = ?, detail = ?, told_us = ?",
                (condition, detail[:2000], _now_us()),
            )
        await self.refresh()

    async def wanted(self, limit: int) -> list[Letter]:
        """The dead letters that a person wants to be sent again, in order."""
        return [
            _letter(row)
            for row in await self._all(f"{_LETTERS} WHERE wanted = 1 ORDER BY letter LIMIT ?", (limit,))
        ]

    async def delivered(self, letter: int) -> None:
        """A dead letter was taken after all."""
        async with transaction(self._connection):
            await self._connection.execute("DELETE FROM letters WHERE letter = ?", (letter,))
        await self.refresh()

    async def replay(self) -> bool:
        """Go back to where a person asked to send everything again from; whether somebody did."""
        async with transaction(self._connection):
            rows = await self._all("SELECT replay FROM position WHERE replay IS NOT NULL")
            if rows:
                await self._connection.execute(
                    "UPDATE position SET number = min(number, replay), replay = NULL"
                )
                await self._connection.execute("DELETE FROM trail WHERE last > ?", rows[0])
        await self.refresh()
        return bool(rows)

    async def refresh(self) -> None:
        """Read the standing anew."""
        rows = await self._all(_STANDING)
        if rows:
            self.standing = Standing(*rows[0])
        ((self.letters,),) = await self._all("SELECT count(*) FROM letters")

    async def close(self) -> None:
        """Let go."""
        await self._connection.close()
        self._held.close()

    async def _all(self, sql: str, parameters: Sequence[Any] = ()) -> list[Any]:
        return list(await self._connection.execute_fetchall(sql, parameters))


_STANDING: Final = "SELECT record, incarnation, number, withheld, why_withheld, condition, detail, told_us, replay FROM position"
_LETTERS: Final = (
    "SELECT letter, number, source, event, code, reason, first_us, last_us, times, wanted FROM letters"
)


def standing(path: Path) -> Standing:
    """Where an outlet stands, read from outside. Raises NotFound before its first start, StoreError as `open_reader`."""
    connection = open_reader(path, KIND)
    with contextlib.closing(connection):
        row = connection.execute(_STANDING).fetchone()
    if row is None:
        raise NotFound(f"the outlet of {path} has never met a record")
    return Standing(*row)


def letters(path: Path, after: int = 0, limit: int = 100) -> list[Letter]:
    """The dead letters with letter numbers above `after`, in order. Raises as `standing`."""
    connection = open_reader(path, KIND)
    with contextlib.closing(connection):
        rows = connection.execute(
            f"{_LETTERS} WHERE letter > ? ORDER BY letter LIMIT ?", (after, limit)
        ).fetchall()
    return [_letter(row) for row in rows]


def count_letters(path: Path) -> int:
    """How many dead letters there are. Raises as `standing`."""
    connection = open_reader(path, KIND)
    with contextlib.closing(connection):
        return int(connection.execute("SELECT count(*) FROM letters").fetchone()[0])


async def ask_again(path: Path, numbers: Sequence[int] | None) -> int:
    """Ask the outlet to send dead letters again (all with None); it does when it runs. Returns how many.

    Raises NotFound when there is no such outlet, or no such letter.
    """
    standing(path)
    connection = await open_writer(path, KIND, synchronous="NORMAL")
    try:
        async with transaction(connection):
            if numbers is None:
                done = await connection.execute("UPDATE letters SET wanted = 1")
                return done.rowcount
            for number in numbers:
                done = await connection.execute("UPDATE letters SET wanted = 1 WHERE letter = ?", (number,))
                if not done.rowcount:
                    raise NotFound(f"{path.stem} has no dead letter {number}")
            return len(numbers)
    finally:
        await connection.close()


async def ask_replay(path: Path, behind: int) -> None:
    """Ask the outlet to send everything behind a number again; it does when it runs. Raises NotFound."""
    there = standing(path)
    if behind > there.number:
        raise NotFound(f"{path.stem} stands at event {there.number}; it has not come to {behind} yet")
    connection = await open_writer(path, KIND, synchronous="NORMAL")
    try:
        async with transaction(connection):
            await connection.execute("UPDATE position SET replay = ?", (behind,))
    finally:
        await connection.close()


def _letter(row: Sequence[Any]) -> Letter:
    return Letter._make([*row[:9], bool(row[9])])


def _now_us() -> int:
    return time.time_ns() // 1000

"""The roles of a plant as processes that can be ill-treated.

They are forked from the campaign, so that a strike hits a role at work and not an interpreter that still imports; the
campaign itself therefore has no threads. A forked role ends with the campaign.
"""

import asyncio
import contextlib
import ctypes
import functools
import logging
import mmap
import os
import re
import signal
import struct
import sys
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn

import broker_bridge.adapters.logs.adapter
import broker_bridge.queries.settling  # noqa: F401  (both are loaded before the fork)
from broker_bridge import bootstrap, db
from broker_bridge.bus.mqtt import Client
from broker_bridge.config import load
from broker_bridge.edge import plan
from broker_bridge.edge.outbox import now_utc
from broker_bridge.errors import BridgeError

_PR_SET_PDEATHSIG: Final = 1
READY_S: Final = 60.0
STOP_S: Final = 30.0


class RoleEnded(RuntimeError):
    """A role ended by itself."""


class Habits(NamedTuple):
    """What a campaign changes in a role, besides striking it."""

    keepalive_s: int | None = None
    """In place of the client's own 30 s, so that half-open connections are found sooner."""
    any_disk: bool = False
    """Work on the campaign's own file system, which is one that a database refuses otherwise."""
    hurried: bool = False
    """Missing receipts are missed after 2 s, a locked database after 1 s: for the test suite."""
    before: Callable[[], None] | None = None
    """Called in the role's process before it starts."""


class WallClock:
    """A role's wall clock, stepped from outside: shared memory holds its offset from the machine's."""

    def __init__(self) -> None:
        self._cell = mmap.mmap(-1, 8)

    def step(self, seconds: float) -> None:
        """Set it to so many seconds from the machine's clock."""
        self._cell[:8] = struct.pack("d", seconds)

    def now(self) -> Any:
        """What the role takes for now, UTC."""
        return now_utc() + timedelta(seconds=struct.unpack("d", self._cell[:8])[0])


class Role:
    """One role: start, kill, freeze, stop."""

    def __init__(self, name: str, config: Path, log: Path, habits: Habits) -> None:
        self.name = name
        self.clock = WallClock()
        self.habits = habits
        self.peak_kb = 0
        """The most memory its processes ever had (VmHWM)."""
        self.pid: int | None = None
        self._config = config
        self._log = log
        self._ready = -1

    def start(self) -> None:
        """Start it. It does not run yet when this returns: see `wait_ready`."""
        read, write = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(read)
            _be(self._config, self._log, self.name, self.habits, self.clock, write)
        os.close(write)
        if self._ready >= 0:
            os.close(self._ready)
        os.set_blocking(read, False)
        self.pid, self._ready = pid, read

    def wait_ready(self) -> None:
        """Wait until it says that it works. Raises RoleEnded when it ends instead."""
        deadline = time.monotonic() + READY_S
        while self._ready >= 0:
            with contextlib.suppress(BlockingIOError):
                said = os.read(self._ready, 1)
                os.close(self._ready)
                self._ready = -1
                if said:
                    return
                self._measure()
                os.waitpid(self.pid or 0, 0)
                self.pid = None
                raise RoleEnded(f"{self.name} ended by itself; see {self._log}")
            if time.monotonic() > deadline:
                raise RuntimeError(f"{self.name} does not start; see {self._log}")
            time.sleep(0.005)

    def kill(self) -> None:
        """kill -9; nothing when it does not run."""
        self._measure()
        pid, self.pid = self.pid, None
        if pid is not None:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)

    def freeze(self) -> None:
        """Stop its clockwork in mid-stride."""
        if self.pid is not None:
            os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on as if nothing had been."""
        if self.pid is not None:
            os.kill(self.pid, signal.SIGCONT)

    def ended(self) -> bool:
        """Whether it ended by itself."""
        if self.pid is None:
            return False
        self._measure()
        if os.waitpid(self.pid, os.WNOHANG)[0] == 0:
            return False
        self.pid = None
        return True

    def stop(self) -> None:
        """Ask it to end; kill it when it does not."""
        if self.pid is None or self.ended():
            return
        self.thaw()
        os.kill(self.pid, signal.SIGTERM)
        deadline = time.monotonic() + STOP_S
        while not self.ended():
            if time.monotonic() > deadline:
                self.kill()
                raise RuntimeError(f"{self.name} does not stop within {STOP_S:.0f} s; see {self._log}")
            time.sleep(0.01)

    def _measure(self) -> None:
        with contextlib.suppress(OSError):
            found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{self.pid}/status").read_text(encoding="ascii"))
            self.peak_kb = max(self.peak_kb, int(found[1]) if found else 0)


def forked(work: Callable[[], None], log: Path) -> int:
    """Run this in a process of its own, which ends with ours; its process id."""
    pid = os.fork()
    if pid == 0:
        _detach(log)
        code = 70
        try:
            work()
            code = 0
        except BaseException:
            logging.exception("forked work failed")
        finally:
            os._exit(code)
    return pid


def end_with_parent() -> None:
    """Let the system kill this process when the one that made it ends."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def _detach(log: Path) -> None:
    end_with_parent()
    target = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for stream in (1, 2):
        os.dup2(target, stream)
    logging.basicConfig(
        level=logging.INFO,
        format="%(asctime)s %(process)d %(levelname)s %(message)s",
        stream=sys.stderr,
        force=True,
    )


def _be(config: Path, log: Path, role: str, habits: Habits, clock: WallClock, ready: int) -> NoReturn:
    code = 70
    try:
        _detach(log)
        if habits.keepalive_s is not None:
            bootstrap.Client = functools.partial(Client, keepalive=habits.keepalive_s)  # type: ignore[misc, assignment]
        if habits.any_disk:
            db._NETWORK = ("nfs",)  # type: ignore[assignment]
        if habits.hurried:
            plan.STALL_S = 2.0  # type: ignore[misc]
            db.BUSY_MS = 1000  # type: ignore[misc]
        if habits.before is not None:
            habits.before()
        asyncio.run(_until_told(config, role, clock, lambda _: os.write(ready, b".")))
        code = 0
    except BridgeError as error:
        logging.error("%s: %s", role, error)
        code = 3
    except BaseException:
        logging.exception("%s failed", role)
    finally:
        os._exit(code)


async def _until_told(config: Path, role: str, clock: WallClock, tell: Callable[[str], object]) -> None:
    task = asyncio.current_task()
    assert task is not None
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await bootstrap.run_roles(load(config), [role], lambda name: tell(name) and None, now=clock.now)


@contextlib.contextmanager
def ending(roles: list[Role]) -> Iterator[None]:
    """Whatever happens inside, no role outlives the block."""
    try:
        yield
    finally:
        for role in roles:
            role.thaw()
            role.kill()

"""The integrator's guide, typed: every command on files of the invented plant, with the output the guide shows.

BROKER_BRIDGE_GUIDE=write puts what the commands say now into the guide. What differs from run to run stands in
<angle brackets> there.
"""

import asyncio
import contextlib
import io
import os
import re
import shlex
import subprocess
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from broker_bridge.bootstrap import run_roles
from broker_bridge.cli.main import main
from broker_bridge.config import load
from broker_bridge.edge.survey import in_use
from broker_bridge.errors import BridgeError
from broker_bridge.simulate import Plant, deliveries
from broker_bridge.store.sqlite_reader import SqliteReader

GUIDE = Path(__file__).resolve().parents[2] / "deploy" / "INTEGRATORS_GUIDE.md"
_BLOCK = re.compile(r"^```(console|toml)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_VARIES: tuple[tuple[str, str], ...] = (
    (r"\b[0-9a-f]{64}\b", "<hash>"),
    (r"incarnation \d+", "incarnation <n>"),
    (r"commit \d+", "commit <n>"),
    (r"^compared .*$", "compared <now>"),
    (r"\b[0-9a-f]{32}\b", "<generation>"),
    (r"exit code:? \d", "<exit>"),
)


class Roles:
    """`broker-bridge run plant.toml` in a thread of its own."""

    def __init__(self, config: Path) -> None:
        self._loop = asyncio.new_event_loop()
        self._task: asyncio.Task[None] | None = None
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, args=(config,))
        self._thread.start()

    def _run(self, config: Path) -> None:
        async def life() -> None:
            self._task = asyncio.current_task()  # type: ignore[assignment]
            with contextlib.suppress(asyncio.CancelledError):
                await run_roles(load(config), load(config).roles, lambda role: None)

        try:
            self._loop.run_until_complete(life())
        except BaseException as error:
            self._error = error
        finally:
            self._loop.close()

    def stop(self) -> None:
        if self._task is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(30)
        if self._error is not None:
            raise self._error


def until(condition: Callable[[], bool], what: str) -> None:
    waited = threading.Event()
    for _ in range(400):
        if condition():
            return
        waited.wait(0.05)
    pytest.fail(f"waited in vain until {what}")


def count(folder: Path) -> int:
    with contextlib.suppress(BridgeError):
        reader = SqliteReader(folder / "data" / "record.db")
        try:
            return reader.head().number
        finally:
            reader.close()
    return 0


@pytest.fixture
def plant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The integrator's folder: what the tester wrote today in `new`, what it wrote weeks ago in `old`."""
    for folder, seed, day in (
        ("new", 5, datetime(2026, 3, 2, 6, tzinfo=UTC)),
        ("old", 6, datetime(2026, 2, 2, 6, tzinfo=UTC)),
    ):
        (tmp_path / folder).mkdir()
        for delivery in deliveries(Plant(seed, 12, "clean", day)):
            if delivery.station == "TEST" and delivery.channel == "file":
                path = tmp_path / folder / delivery.name
                path.write_bytes(delivery.data)
                os.utime(path, (delivery.at.timestamp(), delivery.at.timestamp()))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TZ", "UTC")
    return tmp_path


def normal(text: str) -> str:
    for pattern, name in _VARIES:
        text = re.sub(pattern, name, text, flags=re.MULTILINE)
    return "\n".join(line.rstrip() for line in text.strip("\n").split("\n"))


class Shell:
    """Types the lines of a block."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.roles: Roles | None = None

    def block(self, text: str) -> str:
        """The block as it looks when its commands are typed."""
        shown = []
        for line in text.splitlines():
            if line.startswith("$ "):
                shown.append(line)
                said = self._typed(line[2:])
                shown += [normal(said)] if said.strip() else []
        return "\n".join(shown) + "\n"

    def _typed(self, line: str) -> str:
        command, _, comment = line.partition("   # ")
        if command.startswith("broker-bridge run"):
            self.stop()
            self.roles = Roles(self.folder / "plant.toml")
            until(lambda: in_use(self.folder / "data" / "outbox.db"), "the edge runs")
            return ""
        if command == "^C":
            self.stop()
            return ""
        if not command.startswith("broker-bridge "):
            subprocess.run(command, shell=True, check=True, cwd=self.folder, timeout=20)
            return ""
        if wanted := re.search(r"(\d+) events are recorded", comment):
            until(lambda: count(self.folder) >= int(wanted[1]), f"{wanted[1]} events are recorded")
        out, errors = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
            code = main(shlex.split(command)[1:])
        assert code in (0, 1), (line, code, errors.getvalue())
        return out.getvalue() + errors.getvalue()

    def stop(self) -> None:
        if self.roles is not None:
            roles, self.roles = self.roles, None
            roles.stop()


@pytest.fixture
def shell(plant: Path) -> Iterator[Shell]:
    shell = Shell(plant)
    yield shell
    shell.stop()


def test_the_guide_shows_what_its_commands_say(shell: Shell) -> None:
    text = GUIDE.read_text(encoding="utf-8")

    def typed(found: re.Match[str]) -> str:
        kind, block = found[1], found[2]
        if kind == "toml":
            name = re.match(r"# (\S+\.toml)", block)
            assert name, f"a block of TOML begins with the name of its file: {block[:60]!r}"
            path = shell.folder / name[1]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(block, encoding="utf-8")
            return found[0]
        return f"```console\n{shell.block(block)}```"

    now = _BLOCK.sub(typed, text)
    if os.environ.get("BROKER_BRIDGE_GUIDE") == "write":
        GUIDE.write_text(now, encoding="utf-8")
        return
    assert now == text

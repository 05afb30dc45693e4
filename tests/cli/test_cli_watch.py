"""`watch` as a technician calls it: against a real broker and a real record, as lines and in a terminal."""

import asyncio
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from fcntl import ioctl
from pathlib import Path

import pytest
from servers import DEADLINE_S, Embedded, free_port
from told import Told, arrivals, board, record

from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.topics import Topics
from broker_bridge.cli.main import main
from broker_bridge.events.fact import Fact
from broker_bridge.store.sqlite import SqliteStore

TOPICS = Topics("plant")
LEAVE_SCREEN = b"\x1b[?1049l"
SHOW_CURSOR = b"\x1b[?25h"


def configured(folder: Path, port: int) -> Path:
    path = folder / "plant.toml"
    path.write_text(
        '[plant]\nsite = "harbour"\n[broker]\nkind = "external"\n'
        f'host = "127.0.0.1"\nport = {port}\n[record]\npath = "record.db"\n'
        '[[adapters]]\nkind = "transfer"\nname = "transfer"\narea = "smt"\nline = "line-1"\n'
        'machines = [{station = "print", host = "127.0.0.1", port = 50101}, '
        '{station = "spi", host = "127.0.0.1", port = 50102}]\n',
        encoding="utf-8",
    )
    return path


def recent(*names: str, seconds: float = 60.0) -> list[Fact]:
    """Boards that came to the paste inspection lately, one second after another."""
    said = Told()
    start = datetime.now(UTC) - timedelta(seconds=seconds)
    for step, name in enumerate(names):
        said.say(
            "board.arrived", start + timedelta(seconds=step), board(name), station="spi", source="transfer",
            how="transferred", position=int.from_bytes(name.encode()[-3:]),
        )  # fmt: skip
    return said.facts


def recorded(path: Path, facts: Sequence[Fact]) -> None:
    async def write() -> None:
        store = await SqliteStore.open(path, "record")
        try:
            await record(store, facts)
        finally:
            await store.close()

    asyncio.run(write())


def publish(port: int, facts: Sequence[Fact]) -> None:
    async def send() -> None:
        async with Client(host="127.0.0.1", port=port, client_id="plant", clean=True) as client:
            await client.wait_connected()
            for fact, arrival in zip(facts, arrivals(facts), strict=True):
                topic = TOPICS.event(fact.source, fact.data["station"], fact.type)
                await (await client.publish(topic, arrival.body))

    asyncio.run(send())


class Lines:
    """A watch whose lines are read as they come."""

    def __init__(self, *words: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "broker_bridge", "watch", *words],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        self.read = b""

    def until(self, what: str) -> list[str]:
        """All lines so far, once one of them holds this."""
        assert self._process.stdout is not None
        end = time.monotonic() + DEADLINE_S
        while not any(what in line for line in self.lines()):
            assert time.monotonic() < end, f"waited in vain for {what!r}: {self.lines()}"
            assert self._process.poll() is None, self._process.stderr and self._process.stderr.read()
            if select.select([self._process.stdout], [], [], 0.1)[0]:
                self.read += os.read(self._process.stdout.fileno(), 65_536)
        return self.lines()

    def lines(self) -> list[str]:
        return self.read.decode().split("\n")[:-1]

    def end(self) -> int:
        self._process.send_signal(signal.SIGTERM)
        self._process.communicate(timeout=DEADLINE_S)
        return self._process.returncode

    def kill(self) -> None:
        self._process.kill()
        self._process.communicate()


@contextmanager
def watching(*words: str) -> Iterator[Lines]:
    lines = Lines(*words)
    try:
        yield lines
    finally:
        lines.kill()


def test_first_the_record_then_live_each_event_once(embedded: Embedded, tmp_path: Path) -> None:
    config = configured(tmp_path, embedded.port)
    old = recent("HW-001", "HW-002")
    recorded(tmp_path / "record.db", old)
    with watching(str(config), "--since", "10m", "--utc") as watch:
        told = watch.until("HW-002 arrived")
        assert told[0] == "watching harbour: all; times UTC; Ctrl-C ends it"
        publish(embedded.port, [*old, *recent("HW-003", seconds=1)])
        told = watch.until("HW-003 arrived")
        assert [line[9:] for line in told if "arrived" in line] == [
            f"spi          HW-00{number} arrived" for number in (1, 2, 3)
        ]
        assert all(len(line) <= 80 for line in told)
        assert watch.end() == 0


def test_json_lines_and_a_broker_that_goes_and_comes_back(embedded: Embedded, tmp_path: Path) -> None:
    with watching(str(configured(tmp_path, embedded.port)), "--json", "--station", "spi") as watch:
        (notice,) = watch.until("there is no record")
        assert json.loads(notice)["kind"] == "notice"
        publish(embedded.port, recent("HW-001", seconds=1))
        event = json.loads(watch.until("HW-001")[-1])
        assert (event["kind"], event["station"], event["type"]) == ("event", "spi", "board.arrived")
        embedded.kill()
        watch.until("is not reached since")
        embedded.restart()
        watch.until("well again")
        publish(embedded.port, recent("HW-002", seconds=1))
        watch.until("HW-002")
        assert watch.end() == 0


class Screen:
    """A watch in a terminal of 80x24."""

    def __init__(self, *words: str) -> None:
        self.master, self.slave = pty.openpty()
        ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "broker_bridge", "watch", *words],
            stdin=self.slave, stdout=self.slave, stderr=self.slave, env=os.environ | {"TERM": "xterm-256color"},
        )  # fmt: skip
        self.output = b""

    def until(self, shown: str) -> None:
        self.wait(lambda: shown in self.text(), shown)

    def text(self) -> str:
        """What was drawn last, without what steers the terminal."""
        last = self.output.rpartition(b"\x1b[H")[2]
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", last.decode(errors="replace"))

    def press(self, key: str) -> None:
        os.write(self.master, key.encode())

    def wait(self, condition: Callable[[], bool], what: str) -> None:
        end = time.monotonic() + DEADLINE_S
        while not condition():
            assert time.monotonic() < end, f"waited in vain for {what!r} in {self.text()}"
            if select.select([self.master], [], [], 0.1)[0]:
                self.output += os.read(self.master, 65_536)

    def ended(self) -> int:
        self.wait(lambda: self.process.poll() is not None, "its end")
        while select.select([self.master], [], [], 0)[0]:
            self.output += os.read(self.master, 65_536)
        return self.process.returncode


@contextmanager
def terminal(*words: str) -> Iterator[Screen]:
    screen = Screen(*words)
    try:
        yield screen
    finally:
        screen.process.kill()
        screen.process.wait()
        os.close(screen.master)
        os.close(screen.slave)


def test_the_screen_shows_the_line_and_q_gives_the_terminal_back(embedded: Embedded, tmp_path: Path) -> None:
    with terminal(str(configured(tmp_path, embedded.port)), "--utc") as screen:
        screen.until("nothing heard")
        screen.until("live")
        during = termios.tcgetattr(screen.slave)
        assert not during[3] & (termios.ICANON | termios.ECHO)
        publish(embedded.port, recent("HW-000123", seconds=2))
        screen.until("HW-000123 arrived")
        screen.until("has a board")
        screen.press("n")
        screen.press("n")
        screen.until("spi in line-1: has a board since")
        screen.press("p")
        screen.until("PAUSED")
        screen.press("q")
        assert screen.ended() == 0
        assert termios.tcgetattr(screen.slave) == screen.before
        assert LEAVE_SCREEN in screen.output
        assert screen.output.rindex(SHOW_CURSOR) > screen.output.rindex(b"PAUSED")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_gives_the_terminal_back_too(number: signal.Signals, tmp_path: Path) -> None:
    with terminal(str(configured(tmp_path, free_port()))) as screen:
        screen.until("NO BROKER")
        screen.until("is not reached since")
        screen.process.send_signal(number)
        assert screen.ended() == 0
        assert termios.tcgetattr(screen.slave) == screen.before
        assert LEAVE_SCREEN in screen.output


def test_once(embedded: Embedded, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(configured(tmp_path, embedded.port))
    recorded(tmp_path / "record.db", recent("HW-001"))
    assert main(["watch", config, "--once", "--utc"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith("times UTC, now ")
    assert [line.split()[:4] for line in told[2:]] == [
        ["print", "nothing", "heard", "-"],
        ["spi", "has", "a", "board"],
    ]
    assert main(["watch", config, "--once", "--json"]) == 0
    picture = json.loads(capsys.readouterr().out)
    assert [station["here"][0]["label"] for station in picture["stations"] if station["here"]] == ["HW-001"]


def test_once_without_a_broker_shows_the_record_and_says_unreachable(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("broker_bridge.console.report.REACH_S", 0.2)
    monkeypatch.setattr("broker_bridge.console.feed.SUBSCRIBED_S", 0.2)
    recorded(tmp_path / "record.db", recent("HW-001"))
    assert main(["watch", str(configured(tmp_path, free_port())), "--once", "--station", "spi"]) == 4
    told = capsys.readouterr().out
    assert "is not reached since" in told
    assert "HW-001 since" in told


def test_the_last_boards_of_a_station(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(configured(tmp_path, free_port()))
    recorded(tmp_path / "record.db", recent("HW-001", "HW-002", "HW-003"))
    assert main(["watch", config, "--station", "spi", "--last", "2", "--utc"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "spi in line-1, newest first; times UTC"
    assert [line.split()[0] for line in told[2:]] == ["HW-003", "HW-002"]
    assert main(["watch", config, "--station", "spi", "--last", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["board"] == "HW-003"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--last", "3"], 2, "name it with --station"),
        (["--type", "board.arived"], 2, "no type of event is called so"),
        (["--since", "yesterday"], 2, "--since 'yesterday'"),
        (["--record", "elsewhere.db"], 2, "names no record"),
        (["--station", "spi", "--last", "3"], 4, "there is no record"),
    ],
)
def test_what_cannot_be(
    words: list[str], code: int, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["watch", str(configured(tmp_path, free_port())), *words]) == code
    assert told in capsys.readouterr().err


def test_a_wrong_configuration_is_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = configured(tmp_path, 1)
    path.write_text(path.read_text() + "colour = 1\n")
    assert main(["watch", str(path)]) == 3
    assert "colour" in capsys.readouterr().err

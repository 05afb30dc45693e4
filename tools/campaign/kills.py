"""Kill broker, edge and recorder at random moments while files arrive; then count what the record holds.

    .venv/bin/python tools/campaign/kills.py --files 2000 --kills 100 --seed 1
    .venv/bin/python tools/campaign/kills.py --files 500 --logs 2000 --roles edge --kills 50 --seed 1

With --logs so many records are written to a growing log as well, in pieces that end anywhere, while the log is renamed
and packed. The roles run as processes of their own, as a plant would run them. What the record has to hold in the end is
computed beforehand from the same files by the pure reading core, so it is what a run without kills gives.
"""

import argparse
import ctypes
import gzip
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn

import broker_bridge.adapters.logs.adapter
import broker_bridge.bootstrap  # noqa: F401  (loaded before the fork)
from broker_bridge import simulate
from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs import load_mapping, read_bytes
from broker_bridge.adapters.logs.adapter.growing import GrowingLog, Progress, head_of, log_generation
from broker_bridge.adapters.logs.mapping.takings import Place
from broker_bridge.cli.main import main as command_line
from broker_bridge.config import load
from broker_bridge.edge.outbox import now_utc
from broker_bridge.errors import NotFound
from broker_bridge.store.sqlite_reader import SqliteReader

ROLES: Final = ("broker", "recorder", "edge")
LOG_MAPPING: Final = Path(__file__).resolve().parents[2] / "broker_bridge/demo/mappings/print.toml"
ROTATED_AFTER: Final = 150
"""Records after which the growing log is renamed and begun anew."""
_PR_SET_PDEATHSIG: Final = 1


class Outcome(NamedTuple):
    """What a campaign found. All of these but the first four have to be empty."""

    files: int
    kills: Mapping[str, int]
    seconds: float
    expected: int
    lost: Sequence[str]
    unexpected: Sequence[str]
    doubled: Sequence[str]
    altered: Sequence[str]
    holes: Sequence[str]

    @property
    def faultless(self) -> bool:
        """Nothing lost, nothing added, nothing twice, nothing altered, no number missing."""
        return not (self.lost or self.unexpected or self.doubled or self.altered or self.holes)


class Plant:
    """The roles of one configuration as processes, forked from this one so that none has to import anything."""

    def __init__(self, config: Path, logs: Path) -> None:
        self._config = config
        self._logs = logs
        self._starts: Counter[str] = Counter()
        self._running: dict[str, int] = {}

    def start(self, role: str) -> None:
        """Start a role that does not run."""
        self._starts[role] = self._ready_lines(role)
        process = os.fork()
        if process == 0:
            _be_a_role(self._config, self._logs / f"{role}.log", role)
        self._running[role] = process

    def wait_ready(self, role: str, patience_s: float = 30.0) -> None:
        """Wait until a started role says that it works: killing one that does nothing yet proves nothing."""
        deadline = time.monotonic() + patience_s
        while self._ready_lines(role) <= self._starts[role]:
            if time.monotonic() > deadline or role in self.ended():
                raise RuntimeError(f"{role} does not start; see {self._logs / f'{role}.log'}")
            time.sleep(0.01)

    def _ready_lines(self, role: str) -> int:
        try:
            return (self._logs / f"{role}.log").read_text(encoding="utf-8").count(f"{role}: started")
        except FileNotFoundError:
            return 0

    def kill(self, role: str) -> None:
        """kill -9."""
        process = self._running.pop(role)
        os.kill(process, signal.SIGKILL)
        os.waitpid(process, 0)

    def ended(self) -> list[str]:
        """Roles that ended by themselves."""
        return [role for role, process in self._running.items() if os.waitpid(process, os.WNOHANG)[0]]

    def stop(self) -> None:
        """Stop all roles cleanly, the edge first."""
        for role in reversed(ROLES):
            if role in self._running:
                process = self._running.pop(role)
                os.kill(process, signal.SIGTERM)
                deadline = time.monotonic() + 20
                while os.waitpid(process, os.WNOHANG)[0] == 0:
                    if time.monotonic() > deadline:
                        os.kill(process, signal.SIGKILL)
                        os.waitpid(process, 0)
                        break
                    time.sleep(0.02)


def _be_a_role(config: Path, log: Path, role: str) -> NoReturn:
    code = 70
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        target = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        for stream in (1, 2):
            os.dup2(target, stream)
        code = command_line(["run", str(config), "--roles", role])
    finally:
        os._exit(code)


@contextmanager
def running(config: Path, logs: Path) -> Iterator[Plant]:
    """All roles started; all stopped at the end."""
    plant = Plant(config, logs)
    try:
        for role in ROLES:
            plant.start(role)
        yield plant
    finally:
        plant.stop()


def write_plant(folder: Path, mapping: Path) -> Path:
    """A configuration with one drop folder and one of logs that grow."""
    (folder / "drop").mkdir(parents=True, exist_ok=True)
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    config = folder / "plant.toml"
    config.write_text(
        f"""\
data = "data"

[plant]
site = "harbour-works"

[broker]
port = 0

[[adapters]]
kind = "files"
name = "spi-files"
area = "smt"
line = "line-1"
station = "spi-1"
folder = "drop"
mapping = {json.dumps(str(mapping))}
poll_s = 0.05

[[adapters]]
kind = "files"
pickup = "growing"
name = "print-files"
area = "smt"
line = "line-1"
station = "print-1"
folder = "logs"
mapping = {json.dumps(str(LOG_MAPPING))}
poll_s = 0.05
""",
        encoding="utf-8",
    )
    return config


class Log:
    """A machine that writes a growing log: pieces that end anywhere, a new file now and then, old ones packed."""

    def __init__(self, folder: Path, records: int, chance: random.Random) -> None:
        self._folder = folder
        self._chance = chance
        lines = [b"ev=PRINT ms=%d panel=HP%07d prog=HW-1040_A_T n=%d\n" % (1_772_431_200_000 + 1000 * number, number, number)
                 for number in range(records)]  # fmt: skip
        self.contents = [b"".join(lines[at : at + ROTATED_AFTER]) for at in range(0, records, ROTATED_AFTER)]
        """What each log holds in the end, the oldest first."""
        self._left = [bytearray(content) for content in self.contents]
        self._number = 0

    def write(self, size: int) -> None:
        """Go on by so many bytes."""
        while size > 0 and self._number < len(self._left):
            left = self._left[self._number]
            piece = bytes(left[:size])
            with (self._folder / "print.log").open("ab") as log:
                log.write(piece)
            size -= len(piece)
            del left[: len(piece)]
            if not left:
                self._number += 1
                self._rotate()

    def _rotate(self) -> None:
        old = self._folder / f"print.log.{self._number}"
        (self._folder / "print.log").rename(old)
        (self._folder / "print.log").touch()
        if self._chance.random() < 0.5:
            packed = old.with_name(old.name + ".gz")
            packed.write_bytes(gzip.compress(old.read_bytes()))
            old.unlink()


def expected_of_logs(config: Path, contents: Sequence[bytes]) -> dict[str, Any]:
    """Event id -> content, as the pure core reads these logs."""
    adapter = load(config).adapters[1]
    mapping = load_mapping(adapter.mapping)  # type: ignore[union-attr]
    events: dict[str, Any] = {}
    for content in contents:
        head = head_of(mapping, [content])
        assert head is not None
        log = GrowingLog(
            mapping, Place(adapter.name, adapter.station), "print.log",
            generation=log_generation(mapping, head, 1, "print.log"), modified=now_utc(), progress=Progress(),
        )  # fmt: skip
        events |= _events(log.feed(content))
    return events


def _events(takings: Iterable[Taking]) -> dict[str, Any]:
    return {
        f"{taking.generation}.{taking.position}.{ordinal}.{taking.revision}": (
            statement.data.TYPE,
            statement.subject,
            _without_archive(json.loads(statement.data.model_dump_json(exclude_none=True))),
        )
        for taking in takings
        for ordinal, statement in enumerate(taking.statements)
    }


def expected_events(config: Path, files: Sequence[tuple[str, bytes]]) -> dict[str, Any]:
    """Event id -> content, as the pure core reads these files."""
    adapter = load(config).adapters[0]
    mapping = load_mapping(adapter.mapping)  # type: ignore[union-attr]
    events: dict[str, Any] = {}
    for name, content in files:
        reading = read_bytes(
            mapping, content, name, adapter=adapter.name, station=adapter.station, modified=now_utc()
        )
        events |= _events(reading)
    return events


def recorded_events(record: Path) -> tuple[dict[str, Any], list[str]]:
    """Event id -> content in the record, and the ids that stand there twice."""
    reader = SqliteReader(record)
    events: dict[str, Any] = {}
    doubled: list[str] = []
    try:
        number = 0
        while facts := reader.after(number, 1000):
            for fact in facts:
                body = json.loads(reader.body(fact.number))
                if fact.id in events:
                    doubled.append(fact.id)
                events[fact.id] = (body["type"], body.get("subject"), _without_archive(body["data"]))
            number = facts[-1].number
    finally:
        reader.close()
    return events, doubled


def _without_archive(data: dict[str, Any]) -> dict[str, Any]:
    raw = {key: value for key, value in data["origin"].get("raw", {}).items() if key != "archived"}
    return {**data, "origin": {**data["origin"], "raw": raw}}


def record_size(record: Path) -> int:
    """Events in the record; 0 while there is none."""
    try:
        reader = SqliteReader(record)
    except NotFound:
        return 0
    try:
        return reader.head().number
    finally:
        reader.close()


def holes(record: Path) -> list[str]:
    """Sequence numbers which the record knows of and does not have."""
    reader = SqliteReader(record)
    try:
        return [
            f"{progress.source} epoch {progress.epoch}: {first} to {last}"
            for progress in reader.progress()
            for first, last in progress.missing()
        ]
    finally:
        reader.close()


def campaign(
    folder: Path,
    mapping: Path,
    files: Sequence[tuple[str, bytes]],
    *,
    kills: int,
    seed: int,
    records: int = 0,
    roles: Sequence[str] = ROLES,
    patience_s: float = 120.0,
) -> Outcome:
    """Let files and a log of so many records arrive while each role is killed `kills` times, in turn, at random moments.

    Raises TimeoutError when the record is not complete `patience_s` seconds after the last kill.
    """
    begun = time.monotonic()
    chance = random.Random(seed)
    config = write_plant(folder, mapping)
    record = folder / "data" / "record.db"
    log = Log(folder / "logs", records, chance)
    expected = expected_events(config, files) | expected_of_logs(config, log.contents)
    waiting = list(files)
    done: Counter[str] = Counter()
    per_kill = max(1, len(files) // max(1, kills * len(roles)))
    bytes_a_kill = 1 + sum(map(len, log.contents)) // max(1, kills * len(roles))
    with running(config, folder) as plant:
        for number in range(kills * len(roles)):
            log.write(bytes_a_kill)
            for name, content in _take(waiting, per_kill):
                _drop(folder / "drop" / name, content)
            role = roles[number % len(roles)]
            plant.wait_ready(role)
            time.sleep(chance.uniform(0.0, 0.5))
            plant.kill(role)
            done[role] += 1
            plant.start(role)
        for name, content in _take(waiting, len(waiting)):
            _drop(folder / "drop" / name, content)
        log.write(2**40)
        deadline = time.monotonic() + patience_s
        while record_size(record) < len(expected) or holes(record):
            if time.monotonic() > deadline:
                raise TimeoutError(
                    f"the record holds {record_size(record)} of {len(expected)} events {patience_s:.0f} s after the"
                    f" last kill; missing {holes(record) if record_size(record) else ''}; see the logs in {folder}"
                )
            if ended := plant.ended():
                raise RuntimeError(f"{ended} ended by itself; see the logs in {folder}")
            time.sleep(0.2)
        time.sleep(1.0)
    found, doubled = recorded_events(record)
    return Outcome(
        files=len(files),
        kills=dict(done),
        seconds=time.monotonic() - begun,
        expected=len(expected),
        lost=sorted(expected.keys() - found.keys()),
        unexpected=sorted(found.keys() - expected.keys()),
        doubled=doubled,
        altered=[key for key in expected if key in found and found[key] != expected[key]],
        holes=holes(record),
    )


def _take(waiting: list[tuple[str, bytes]], count: int) -> list[tuple[str, bytes]]:
    taken, waiting[:] = waiting[:count], waiting[count:]
    return taken


def _drop(path: Path, content: bytes) -> None:
    partial = path.with_name("." + path.name)
    partial.write_bytes(content)
    os.rename(partial, path)


def paste_files(count: int, seed: int) -> list[tuple[str, bytes]]:
    """Result files of the invented line's paste inspection."""
    line = simulate.Plant(
        seed, count * 8, simulate.load_profile("clean"), datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    )
    files: list[tuple[str, bytes]] = []
    for item in line:
        if isinstance(item, simulate.FileStep) and item.station == "SPI" and item.operation == "create":
            files.append((item.name, item.data))
            if len(files) == count:
                break
    return files


def main() -> int:
    """Run a campaign and print its table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--kills", type=int, default=100, help="of each role")
    parser.add_argument("--logs", type=int, default=0, metavar="RECORDS", help="records of a log that grows")
    parser.add_argument("--roles", nargs="+", choices=ROLES, default=ROLES, help="what to kill")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="print the outcome as JSON")
    parser.add_argument("--keep", type=Path, help="folder to work in and leave behind")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        mapping = (
            Path(__file__).resolve().parents[2] / "broker_bridge/adapters/logs/samples/paste_inspection.toml"
        )
        outcome = campaign(
            folder,
            mapping,
            paste_files(args.files, args.seed),
            kills=args.kills,
            seed=args.seed,
            records=args.logs,
            roles=args.roles,
        )
    if args.json:
        print(json.dumps(outcome._asdict()))
        return 0 if outcome.faultless else 1
    print(f"files {outcome.files}, seed {args.seed}, kills {dict(outcome.kills)}, {outcome.seconds:.0f} s")
    print(f"expected events {outcome.expected}")
    for name in ("lost", "unexpected", "doubled", "altered", "holes"):
        print(f"{name:>11}: {len(getattr(outcome, name))}")
    return 0 if outcome.faultless else 1


if __name__ == "__main__":
    sys.exit(main())

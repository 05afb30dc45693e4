"""What recording costs, as ratios to floors measured in the same run on the same disk and broker.

    python tools/bench/bench_recorder.py                      # under a minute
    python tools/bench/bench_recorder.py --rounds 5 --events 40000

Store: commits of 500 events against the same rows written to the same tables with the same settings by bare
sqlite3: in commits of 500 as well, and in one transaction, which flushes to the disk once. Recorder: one event a
message from two publishers, against Mosquitto's own C clients (where they are installed) and against a bare paho
client that acknowledges and forgets; then arrays of 100. Publishers and consumers are processes of their own. Aims:
store at least 0.6 of bare commits, recorder at least 0.35 of the C clients. Rates hang on the machine, ratios less
so, processor time an event the least on a busy one; all are medians over the rounds.
"""

import argparse
import asyncio
import json
import os
import shutil
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

AIM_STORE = 0.6
AIM_RECORDER = 0.35
WINDOW = 500
BATCH = 100
SOURCES = ("/harbour-works/smt/line-1/spi", "/harbour-works/smt/line-1/aoi")
FILTERS = ("bench/v1/+/+/+/+/+/event/#", "bench/v1/+/+/+/+/+/batch")
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def bodies(source: str, events: int) -> list[bytes]:
    """Events of usual size, about 600 bytes."""
    from broker_bridge.events.base import Board, Identifier, Origin
    from broker_bridge.events.board import BoardArrived
    from broker_bridge.events.ids import EventId
    from broker_bridge.events.union import encode_event

    origin = Origin(adapter=source.rpartition("/")[2], time_text="2026-03-02 12:00:00", time_means="end")
    made = []
    for number in range(1, events + 1):
        board = f"HW-{number:06}"
        identifiers = (Identifier(kind="board", value=board, how="read"),)
        boards = (Board(unit="board", identifiers=identifiers),)
        data = BoardArrived(how="transferred", station="printer-1", lane=1, boards=boards, origin=origin)
        made.append(
            encode_event(
                event_id=EventId("f" * 43, number * 80, 0, 1),
                source=source,
                data=data,
                time=NOON + timedelta(seconds=number),
                subject=board,
                recordedtime=NOON,
                sequence=number,
                epoch=1_790_000_000_000,
                rawname=None,
            )
        )
    return made


def payload_file(folder: Path, source: str, events: int, batch: int) -> tuple[Path, str]:
    """A file of payloads, one a line, or apart by NUL where they are arrays; and their topic."""
    from broker_bridge.bus.topics import Topics
    from broker_bridge.bus.wire import join_batch

    topics = Topics("bench")
    made = bodies(source, events)
    path = folder / f"{source.rpartition('/')[2]}-{batch}.payloads"
    if batch == 1:
        path.write_bytes(b"\n".join(made) + b"\n")
        return path, topics.event(source, "printer-1", "board.arrived")
    path.write_bytes(b"\0".join(join_batch(made[at : at + batch]) for at in range(0, events, batch)))
    return path, topics.batch(source)


# -- the store -----------------------------------------------------------------------------------------------


async def store_rates(folder: Path, events: int) -> tuple[float, float, float]:
    """Events a second through the store, through bare sqlite3 in as many commits, and in one."""
    from broker_bridge.events.union import parse_event
    from broker_bridge.garbage import spare_models
    from broker_bridge.store.base import Arrival
    from broker_bridge.store.sqlite import SqliteStore

    made = bodies(SOURCES[0], events)
    spare_models()  # as the role does
    path = folder / "store.db"
    store = await SqliteStore.open(path, "bench")
    taken = 0.0
    for start in range(0, events, WINDOW):
        # Fresh from the parser, as the recorder hands them over; parsing is not the store's.
        arrivals = [Arrival(parse_event(body), body) for body in made[start : start + WINDOW]]
        began = time.perf_counter()
        await store.commit(arrivals)
        taken += time.perf_counter() - began
    await store.close()
    many = floor_seconds(path, folder / "many.db", WINDOW)
    one = floor_seconds(path, folder / "one.db", events)
    return events / taken, events / many, events / one


def floor_seconds(source: Path, target: Path, window: int) -> float:
    """Seconds to write the same rows to the same tables with the same settings, `window` a transaction."""
    full = sqlite3.connect(source)
    schema = [sql for (sql,) in full.execute("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL")]
    rows = full.execute("SELECT * FROM events ORDER BY number").fetchall()
    full.close()
    empty = sqlite3.connect(target, isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=4000"):
        empty.execute(f"PRAGMA {pragma}").fetchall()
    for statement in schema:
        empty.execute(statement)
    places = ", ".join("?" * len(rows[0]))
    began = time.perf_counter()
    for start in range(0, len(rows), window):
        empty.execute("BEGIN IMMEDIATE")
        empty.executemany(f"INSERT INTO events VALUES ({places})", rows[start : start + window])
        empty.execute("COMMIT")
    taken = time.perf_counter() - began
    empty.close()
    return taken


# -- brokers -------------------------------------------------------------------------------------------------


@contextmanager
def mosquitto(folder: Path) -> Iterator[tuple[str, int]]:
    """Mosquitto with a folder of its own."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    assert program is not None
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    conf = folder / "mosquitto.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000\n",
        encoding="utf-8",
    )
    process = subprocess.Popen(
        [program, "-c", str(conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until(lambda: _open(port))
        yield "127.0.0.1", port
    finally:
        process.terminate()
        process.wait()


@contextmanager
def embedded(folder: Path) -> Iterator[tuple[str, int]]:
    """The embedded broker."""
    from broker_bridge.bus.broker import EmbeddedBroker
    from broker_bridge.config import Broker

    with asyncio.Runner() as runner:
        broker = EmbeddedBroker(Broker(port=0, store=folder / "broker"))
        address = runner.run(broker.start())
        try:
            yield address
        finally:
            runner.run(broker.stop())


def until(condition: Callable[[], bool]) -> None:
    """Wait ten seconds at most."""
    deadline = time.monotonic() + 10
    while not condition():
        if time.monotonic() > deadline:
            raise SystemExit("bench: gave up waiting for a broker")
        time.sleep(0.01)


def _open(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


# -- consumers and publishers ----------------------------------------------------------------------------------


class Child:
    """A process of this file, or a C client, that says READY on its output, and DONE at its end."""

    def __init__(self, *words: object, program: list[str] | None = None) -> None:
        command = program or [sys.executable, sys.argv[0], *map(str, words)]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )

    def wait_for(self, word: str) -> None:
        """Read its output up to this word."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.strip() == word.encode():
                return
        raise SystemExit(f"bench: {self.process.args} ended without {word}")

    def cpu(self, events: int) -> float:
        """Microseconds of processor time that it spent on an event, as it says behind DONE."""
        assert self.process.stdout is not None
        return 1e6 * float(self.process.stdout.readline()) / events

    def go(self) -> None:
        """Let it begin."""
        assert self.process.stdin is not None
        self.process.stdin.write(b"GO\n")
        self.process.stdin.flush()

    def end(self) -> None:
        """Wait for its end, help after a while."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()


def measure(
    consumer: Child, ready: bool, host: str, port: int, payloads: list[tuple[Path, str]], events: int
) -> tuple[float, float]:
    """Events a second from the publishers of these files to this consumer, and its processor time an event."""
    if ready:
        consumer.wait_for("READY")
    else:
        time.sleep(0.3)  # a C client does not say when it has subscribed
    publishers = [Child("publish", host, port, path, topic) for path, topic in payloads]
    for publisher in publishers:
        publisher.wait_for("READY")
    began = time.perf_counter()
    for publisher in publishers:
        publisher.go()
    if ready:
        consumer.wait_for("DONE")
    else:
        consumer.process.wait(120)
    taken = time.perf_counter() - began
    cpu = consumer.cpu(events) if ready else 0.0
    for child in (*publishers, consumer):
        child.end()
    return events / taken, cpu


def publish(host: str, port: int, path: Path, topic: str) -> None:
    """Publish a file's payloads; by the C client where they are lines and it is installed."""
    name = path.stem
    program = shutil.which("mosquitto_pub")
    lines = name.endswith("-1")
    if lines and program is not None:
        _ready()
        with path.open("rb") as payloads:
            command = [program, "-h", host, "-p", str(port), "-q", "1", "-t", topic, "-i", name, "-l"]
            subprocess.run(command, stdin=payloads, check=True, stdout=subprocess.DEVNULL)
        return
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2, client_id=name)
    client.max_inflight_messages_set(100)
    client.connect(host, port)
    client.loop_start()
    payloads = path.read_bytes().split(b"\n" if lines else b"\0")
    _ready()
    for message in [client.publish(topic, payload, 1) for payload in payloads if payload]:
        message.wait_for_publish(60)
    client.disconnect()


def bare(host: str, port: int, messages: int) -> None:
    """Receive, acknowledge, forget."""
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2, client_id="bare", manual_ack=True)
    seen = 0

    def on_message(_: Client, __: object, message: MQTTMessage) -> None:
        nonlocal seen
        client.ack(message.mid, message.qos)
        seen += 1
        if seen == messages:
            _done(began)
            client.disconnect()

    began = time.process_time()
    client.on_message = on_message
    client.on_subscribe = lambda *_: print("READY", flush=True)
    client.connect(host, port)
    client.subscribe([(name, 1) for name in FILTERS])
    client.loop_forever()


def record(host: str, port: int, folder: str, events: int) -> None:
    """The recorder, until it has this many events."""
    from broker_bridge.bus.mqtt import Client
    from broker_bridge.bus.topics import Topics
    from broker_bridge.garbage import spare_models
    from broker_bridge.recorder.recorder import Recorder, filters
    from broker_bridge.store.sqlite import SqliteStore

    async def life() -> None:
        topics = Topics("bench")
        store = await SqliteStore.open(Path(folder) / "record.db", "bench")
        client = Client(host=host, port=port, client_id="recorder", filters=filters(topics), clean=True)
        async with client:
            recorder = Recorder(client, store, topics, site="harbour-works", window=WINDOW)
            recording = asyncio.create_task(recorder.run())
            await client.wait_connected()
            began = time.process_time()
            print("READY", flush=True)
            while (await store.head()).number < events:  # noqa: ASYNC110  (a record has no event to wait for)
                await asyncio.sleep(0.01)
            _done(began)
            recording.cancel()
            await asyncio.wait({recording})
        await store.close()

    spare_models()
    asyncio.run(life())


def _done(began: float) -> None:
    print(f"DONE\n{time.process_time() - began}", flush=True)


def _ready() -> None:
    print("READY", flush=True)
    sys.stdin.readline()


# -- the whole ---------------------------------------------------------------------------------------------------


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--events", type=int, default=8_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="where the databases lie: the disk matters")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    events, rounds = options.events, options.rounds
    rates: dict[str, list[float]] = {}

    def note(name: str, rate: float) -> None:
        rates.setdefault(name, []).append(rate)

    has_c = all(map(shutil.which, ("mosquitto_pub", "mosquitto_sub")))
    brokers = {"embedded": embedded}
    if shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin"):
        brokers["mosquitto"] = mosquitto
    for _ in range(rounds):
        with tempfile.TemporaryDirectory(dir=options.folder) as name:
            through, many, one = asyncio.run(store_rates(Path(name), 2 * events))
            note("store, commits of 500", through)
            note("bare sqlite3, commits of 500", many)
            note("bare sqlite3, one transaction", one)
    for broker, opened in brokers.items():
        with tempfile.TemporaryDirectory(dir=options.folder) as name, opened(Path(name)) as (host, port):
            files = {
                batch: [payload_file(Path(name), source, events // 2, batch) for source in SOURCES]
                for batch in (1, BATCH)
            }
            for number in range(rounds):
                if has_c and broker == "mosquitto":
                    words = " ".join(f"-t '{each}'" for each in FILTERS)
                    command = f"exec mosquitto_sub -h {host} -p {port} -q 1 -C {events} {words} > /dev/null"
                    rate, _ = measure(
                        Child(program=["sh", "-c", command]), False, host, port, files[1], events
                    )
                    note(f"{broker}, C clients", rate)
                rate, cpu = measure(Child("bare", host, port, events), True, host, port, files[1], events)
                note(f"{broker}, bare paho", rate)
                note("processor time, bare paho", cpu)
                for what, batch in (("one event a message", 1), (f"arrays of {BATCH}", BATCH)):
                    folder = Path(name) / f"{number}-{batch}"
                    folder.mkdir()
                    consumer = Child("record", host, port, folder, events)
                    rate, cpu = measure(consumer, True, host, port, files[batch], events)
                    note(f"{broker}, recorder, {what}", rate)
                    note(f"processor time, recorder, {what}", cpu)
    middle = {name: statistics.median(found) for name, found in rates.items()}
    ratios = {
        f"store to {floor}": median_ratio(rates, "store, commits of 500", floor)
        for floor in ("bare sqlite3, commits of 500", "bare sqlite3, one transaction")
    }
    for broker in brokers:
        recorder = f"{broker}, recorder, one event a message"
        for other in ("C clients", "bare paho"):
            if f"{broker}, {other}" in rates:
                ratios[f"{broker}: recorder to {other}"] = median_ratio(rates, recorder, f"{broker}, {other}")
    if options.json:
        print(json.dumps({"medians": middle, "ratios": ratios, "load": os.getloadavg()[0]}))
    else:
        for name, rate in middle.items():
            unit = "us an event" if name.startswith("processor") else "events/s"
            print(f"{name:45} {rate:10,.0f} {unit}")
        for name, ratio in ratios.items():
            print(f"{name:45} {ratio:10.2f}")
        print(f"load of the machine at the end: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    missed = ratios["store to bare sqlite3, commits of 500"] < AIM_STORE or any(
        ratio < AIM_RECORDER for name, ratio in ratios.items() if name.endswith("C clients")
    )
    return 1 if missed else 0


def median_ratio(rates: dict[str, list[float]], one: str, other: str) -> float:
    """Median of the ratios within the rounds."""
    return statistics.median(mine / theirs for mine, theirs in zip(rates[one], rates[other], strict=True))


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["publish", host, port, path, topic]:
            publish(host, int(port), Path(path), topic)
        case ["bare", host, port, messages]:
            bare(host, int(port), int(messages))
        case ["record", host, port, folder, events]:
            record(host, int(port), folder, int(events))
        case _:
            sys.exit(main())

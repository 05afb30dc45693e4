"""How long a machine's word takes to whoever listens, at a steady rate.

    python tools/bench/bench_delay.py                        # 500 events a second for 20 seconds
    python tools/bench/bench_delay.py --rate 100 --broker mosquitto

An edge is given events as adapters give them, ten times a second a handful each for five sources, and sends them on; a
subscriber in a process of its own takes the time. From the moment before the edge's disk has an event to the moment the
subscriber's program has it, by one clock. Floor in the same run: bare paho clients through the same broker, which keep nothing.
A recorder commits beside it, as in a plant. Aim: 99 of 100 within 50 ms.
"""

import argparse
import asyncio
import contextlib
import os
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from bench_backlog import record
from bench_recorder import Child, embedded, mosquitto

AIM_MS = 50
SOURCES = tuple(f"/harbour-works/smt/line-1/{name}" for name in ("load", "print", "spi", "place", "aoi"))
_STAMP = b"told-ns="


async def speak(host: str, port: int, folder: Path, rate: int, seconds: float) -> None:
    """An edge whose sources speak: each event holds the moment at which its adapter had it."""
    from broker_bridge.adapters.base import Statement, Taking
    from broker_bridge.bus.mqtt import Client
    from broker_bridge.bus.topics import Topics
    from broker_bridge.edge import forwarder
    from broker_bridge.edge.archive import Archive
    from broker_bridge.edge.outbox import Outbox
    from broker_bridge.events.base import Board, Identifier, Origin
    from broker_bridge.events.board import BoardArrived

    topics = Topics(folder.name)
    outbox = await Outbox.open(folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=2**30)
    writers = [await outbox.writer(source) for source in SOURCES]
    filters = forwarder.receipt_filters(topics, SOURCES, "bench")
    async with Client(host=host, port=port, client_id="edge", filters=filters) as client:
        sending = forwarder.Forwarder(
            outbox, client, topics, site="harbour-works", edge="edge", record="bench", keep=timedelta(days=7)
        )
        task = asyncio.create_task(sending.run())
        await client.wait_connected()
        begun, said = time.monotonic(), 0
        while (passed := time.monotonic() - begun) < seconds:
            for writer, source in zip(writers, SOURCES, strict=True):
                takings = []
                while said < passed * rate and len(takings) < rate // 10:
                    said += 1
                    board = Board(
                        unit="board", identifiers=(Identifier(kind="board", value=f"HW-{said}", how="read"),)
                    )
                    origin = Origin(
                        adapter=source.rpartition("/")[2],
                        time_text=f"told-ns={time.time_ns()}",
                        time_means="taken_in",
                    )
                    data = BoardArrived(
                        how="transferred", station="s-1", lane=1, boards=(board,), origin=origin
                    )
                    takings.append(
                        Taking("d" * 43, said, 1, (Statement(data, datetime.now(UTC), f"HW-{said}"),))
                    )
                if takings:
                    await writer.take(takings)
            await asyncio.sleep(max(0.0, 0.1 - (time.monotonic() - begun) % 0.1))
        print(f"SAID {said}", flush=True)
        await asyncio.sleep(2)
        task.cancel()
        await asyncio.wait({task})
    await outbox.close()


def listen(host: str, port: int, topic: str) -> None:
    """Take the time of everything that comes, until the input is closed; then tell all delays in milliseconds."""
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.enums import CallbackAPIVersion

    delays: dict[bytes, float] = {}
    client = Client(CallbackAPIVersion.VERSION2, client_id="listener")

    def on_message(_: Client, __: object, message: MQTTMessage) -> None:
        now = time.time_ns()
        for piece in message.payload.split(_STAMP)[1:]:
            stamp = piece[:19]
            delays.setdefault(stamp, (now - int(stamp)) / 1e6)  # QoS 1 may bring one twice

    client.on_message = on_message
    client.on_subscribe = lambda *_: print("READY", flush=True)
    client.connect(host, port)
    client.subscribe(topic, 1)
    client.loop_start()
    sys.stdin.readline()
    client.loop_stop()
    print(" ".join(f"{delay:.2f}" for delay in delays.values()), flush=True)


def bare(host: str, port: int, rate: int, seconds: float) -> None:
    """The floor: stamped payloads of the same size, at the same rate."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2, client_id="bare")
    client.connect(host, port)
    client.loop_start()
    begun, said = time.monotonic(), 0
    while (passed := time.monotonic() - begun) < seconds:
        while said < passed * rate:
            said += 1
            client.publish("floor", _STAMP + str(time.time_ns()).encode() + b"x" * 580, 1)
        time.sleep(max(0.0, 0.1 - (time.monotonic() - begun) % 0.1))
    print(f"SAID {said}", flush=True)
    time.sleep(1)
    client.loop_stop()


def heard(listener: Child, speaker: Child) -> tuple[int, list[float]]:
    """How many were said, and the delays of those that were heard."""
    assert speaker.process.stdout is not None
    said = 0
    for line in speaker.process.stdout:
        if line.startswith(b"SAID"):
            said = int(line.split()[1])
    speaker.end()
    assert listener.process.stdin is not None
    assert listener.process.stdout is not None
    listener.process.stdin.write(b"\n")
    listener.process.stdin.flush()
    delays = [float(word) for word in listener.process.stdout.readline().split()]
    listener.end()
    return said, delays


def main() -> int:
    """Print both lines; 1 where the aim is missed or something was not heard."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rate", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--broker", choices=("embedded", "mosquitto"), default="embedded")
    parser.add_argument("--folder", type=Path, help="where the databases lie: the disk matters")
    args = parser.parse_args()
    missed = False
    with tempfile.TemporaryDirectory(dir=args.folder) as name, contextlib.ExitStack() as stack:
        base = Path(name)
        host, port = stack.enter_context({"embedded": embedded, "mosquitto": mosquitto}[args.broker](base))
        folder = base / "live"
        folder.mkdir()
        for what, topic in (("bare clients", "floor"), ("edge to subscriber", f"{folder.name}/#")):
            recorder = None
            if topic != "floor":
                recorder = Child("record", host, port, folder)
                recorder.wait_for("READY")
            listener = Child("listen", host, port, topic)
            listener.wait_for("READY")
            words = ("bare", host, port) if topic == "floor" else ("speak", host, port, folder)
            said, delays = heard(listener, Child(*words, args.rate, args.seconds))
            if recorder is not None:
                recorder.end()
            delays.sort()
            late = delays[int(len(delays) * 0.99)] if delays else float("inf")
            print(
                f"{what:<20} {said:,} said, {len(delays):,} heard; median {statistics.median(delays or [0]):.1f} ms,"
                f" p99 {late:.1f} ms, longest {max(delays, default=0):.0f} ms"
            )
            missed |= len(delays) != said or (topic != "floor" and late > AIM_MS)
    print(f"aim: p99 {AIM_MS} ms; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    return int(missed)


if __name__ == "__main__":
    from broker_bridge.garbage import spare_models

    match sys.argv[1:]:
        case ["record", host, port, folder]:
            spare_models()
            asyncio.run(record(host, int(port), Path(folder)))
        case ["speak", host, port, folder, rate, seconds]:
            spare_models()
            asyncio.run(speak(host, int(port), Path(folder), int(rate), float(seconds)))
        case ["listen", host, port, topic]:
            listen(host, int(port), topic)
        case ["bare", host, port, rate, seconds]:
            bare(host, int(port), int(rate), float(seconds))
        case _:
            sys.exit(main())

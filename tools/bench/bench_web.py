"""How long readers wait for pages and answers of a record that is being written.

    python tools/bench/bench_web.py DIR                      # DIR/record.db: `tools/virtual_plant --boards N --data DIR`
    python tools/bench/bench_web.py DIR --readers 50 --seconds 60 --rate 500

The record is copied. Beside it run, each a process of its own: a writer that commits events at a steady rate, the
projector, and the service. A board of 300 events is written first. Readers ask for one thing every five seconds each, in
turn the page and the answer of that board, of other boards (each time another), and the stations. Told are medians and 95th
percentiles; before the fifty come, the 95th of one reader who asks forty times in a row, and the processor time of one answer
then (with what following the record costs meanwhile); the writer's rate and its slowest commit; and the ratio to a floor: the
same history put together in this process, alone.
Aim: 95 of 100 within 150 ms for the board of 300 events, no error, the writer at its rate.
"""

import argparse
import asyncio
import contextlib
import json
import multiprocessing
import os
import random
import socket
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections import defaultdict
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from broker_bridge.store.sqlite_reader import SqliteReader

AIM_MS = 150
BOARD = "BENCH-300"
SOURCE = "/harbour-works/smt/line-1/bench"


def events(first: int, count: int, board: str | None, start: datetime) -> list[Any]:
    """Arrivals and departures: of one board station by station, or of a new board every twelve stations."""
    from broker_bridge.events.base import Board, Identifier, Origin
    from broker_bridge.events.board import BoardArrived, BoardDeparted
    from broker_bridge.events.ids import EventId
    from broker_bridge.events.union import encode_event, parse_event
    from broker_bridge.store.base import Arrival

    origin, made = Origin(adapter="bench", time_means="end"), []
    for number in range(first, first + count):
        name = board or f"LIVE-{number // 24}"
        boards = (Board(unit="board", identifiers=(Identifier(kind="board", value=name, how="read"),)),)
        about: dict[str, Any] = {
            "station": f"s-{number // 2 % 15:02}",
            "lane": 1,
            "boards": boards,
            "origin": origin,
        }
        data = (BoardDeparted if number % 2 else BoardArrived)(how="transferred", **about)
        at = start + timedelta(seconds=7 * (number - first))
        body = encode_event(
            event_id=EventId("b" * 43, number, 0, 1), source=SOURCE, data=data, time=at, subject=name, recordedtime=at,
            sequence=number, epoch=1, rawname=None,
        )  # fmt: skip
        made.append(Arrival(parse_event(body), body))
    return made


def adopt(path: Path) -> None:
    """Let the copied index go on: a copied record counts as restored, and its index would be made anew first."""
    index = path.with_name("record.index.db")
    if index.exists():
        incarnation = SqliteReader(path).head().incarnation
        connection = sqlite3.connect(index)
        connection.execute("UPDATE cursor SET incarnation = ?", (incarnation,))
        connection.commit()
        connection.close()


def write(path: Path, rate: int, stop: Any, told: Any) -> None:
    """Commit at a rate, ten times a second, until told to stop; then tell events, seconds and the slowest commit."""

    async def run() -> None:
        from broker_bridge.store.sqlite import SqliteStore

        store = await SqliteStore.open(path, "harbour-works")
        number, slowest, begun = 1_000, 0.0, time.monotonic()
        while not stop.is_set():
            batch = events(number, rate // 10, None, datetime.now(UTC))
            started = time.monotonic()
            await store.commit(batch)
            slowest = max(slowest, time.monotonic() - started)
            number += len(batch)
            await asyncio.sleep(max(0.0, begun + (number - 1_000) / rate - time.monotonic()))
        told.put((number - 1_000, time.monotonic() - begun, slowest))
        await store.close()

    asyncio.run(run())


def project(path: Path) -> None:
    """Keep the index up, as the role does."""
    from broker_bridge.projector.projector import follow
    from broker_bridge.queries.settling import settle_some

    asyncio.run(follow(path, settle_some))


def serve(url: str, port: int, processes: int | None) -> None:
    """The service, as the role runs it."""
    from broker_bridge.config import Web
    from broker_bridge.garbage import spare_models
    from broker_bridge.web.server import serve as web

    settings = Web(port=port, tokens=None, requests_per_minute=1_000_000, processes=processes)
    asyncio.run(web(settings, url, now=lambda: datetime.now(UTC), ready=lambda address: spare_models()))


def read(
    port: int,
    asked: list[tuple[str, list[str]]],
    until: float,
    place: int,
    taken: dict[str, list[float]],
    wrong: list[str],
) -> None:
    """One reader: a question every five seconds, the questions in turn, of each another instance each time."""
    import httpx

    pick = random.Random(place)

    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30) as client:
        time.sleep(place % 50 / 10)
        while time.monotonic() < until:
            name, paths = asked[place % len(asked)]
            path = pick.choice(paths)
            place += 1
            begun = time.monotonic()
            try:
                status = client.get(path).status_code
            except httpx.HTTPError as error:
                wrong.append(f"{path}: {error!r}")
            else:
                if status != 200:
                    wrong.append(f"{path}: {status}")
                taken[name].append((time.monotonic() - begun) * 1000)
            time.sleep(max(0.0, begun + 5 - time.monotonic()))


def main() -> int:
    """Print the table; 1 where an aim is missed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("data", type=Path)
    parser.add_argument("--readers", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--rate", type=int, default=500)
    parser.add_argument("--processes", type=int, help="beside the service (default: as the service decides)")
    parser.add_argument(
        "--index", type=Path, help="an index of it with the histories made (bench_recall.py --keep)"
    )
    args = parser.parse_args()
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory(prefix="bench-web-") as folder:
        path = Path(folder) / "record.db"
        index = args.index or args.data / "record.index.db"
        for original in (args.data / "record.db", index):
            if original.exists():
                with closing(sqlite3.connect(original)) as connection:  # what its log still holds comes along
                    copy = path if original != index else path.with_name("record.index.db")
                    connection.execute("VACUUM INTO ?", (str(copy),))
        return _measured(args, path, context)


def _measured(args: argparse.Namespace, path: Path, context: Any) -> int:
    from broker_bridge.queries.boards import board
    from broker_bridge.queries.record import open_record
    from broker_bridge.store.sqlite import SqliteStore

    async def first() -> None:
        store = await SqliteStore.open(path, "harbour-works")
        await store.commit(events(0, 300, BOARD, datetime.now(UTC) - timedelta(hours=1)))
        await store.close()

    asyncio.run(first())
    adopt(path)
    url = f"sqlite:////{str(path).lstrip('/')}"
    with open_record(url) as record:
        head = record.reader.head()
        bare = []
        for _ in range(9):
            begun = time.perf_counter()
            history = board(record, BOARD)
            bare.append((time.perf_counter() - begun) * 1000)
        known = [
            node.value for node in record.index.beginning("", head.number, 1_000_000) if node.kind == "board"
        ]
        others = random.Random(1).sample(sorted({*known} - {BOARD}), min(500, len(known) - 1))
    floor = statistics.median(bare)
    print(
        f"record of {head.number:,} events; the board's history stands on {history.completeness.statements} of them"
    )
    print(f"load of the machine before: {os.getloadavg()[0]:.1f}")
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        port = held.getsockname()[1]
    stop, told = context.Event(), context.Queue()
    workers = [
        context.Process(target=write, args=(path, args.rate, stop, told)),
        context.Process(target=project, args=(path,), daemon=True),
        context.Process(target=serve, args=(url, port, args.processes)),
    ]
    for worker in workers:
        worker.start()
    try:
        _until_ready(port)
        api, page = "/api/v1/board?id=", "/board?id="
        asked = [
            ("page, 300 events", [page + BOARD]),
            ("answer, 300 events", [api + BOARD]),
            ("answer, another board", [api + other for other in others]),
            ("page, another board", [page + other for other in others]),
            ("stations", ["/api/v1/stations"]),
        ]
        # The board in question last: while the service starts its processes everybody waits.
        alone = {name: _alone(port, paths, workers[2].pid) for name, paths in reversed(asked)}
        taken: dict[str, list[float]] = defaultdict(list)
        wrong: list[str] = []
        until, begun = time.monotonic() + args.seconds, [_spent(worker.pid) for worker in workers]
        readers = [
            threading.Thread(target=read, args=(port, asked, until, place, taken, wrong))
            for place in range(args.readers)
        ]
        for reader in readers:
            reader.start()
        for reader in readers:
            reader.join()
        spent = [
            (_spent(worker.pid) - one) / 10 / args.seconds for worker, one in zip(workers, begun, strict=True)
        ]
    finally:
        stop.set()
        number, seconds, slowest = told.get(timeout=60)
        workers[0].join(30)
        for worker in workers[1:]:
            worker.terminate()
            worker.join(10)
    print(f"{'floor: the history alone, in process':<44}{floor:>8.0f} ms median{'':>14}1.0")
    missed = bool(wrong)
    for name, _ in asked:
        times = sorted(taken[name])
        if times:
            high = times[min(len(times) - 1, int(len(times) * 0.95))]
            median = statistics.median(times)
            print(
                f"{name:<44}{median:>8.0f} ms median {high:>8.0f} ms p95 {high / floor:>5.1f}  ({len(times)}),"
                f" one reader {alone[name].high_ms:>4.0f} ms p95, {alone[name].processor_ms:>4.0f} ms of processor"
            )
            missed |= name.startswith("page") and high > AIM_MS
    print(f"writer: {number / seconds:,.0f} events/s of {args.rate}, slowest commit {slowest * 1000:.0f} ms")
    told_of = zip(("writer", "projector", "service"), spent, strict=True)
    print(f"of a processor meanwhile: {', '.join(f'{name} {share:.0f} %' for name, share in told_of)}")
    print(
        f"errors: {len(wrong)}{': ' + json.dumps(wrong[:3]) if wrong else ''}; load after: {os.getloadavg()[0]:.1f}"
    )
    return 1 if missed or number / seconds < 0.9 * args.rate else 0


def _spent(process: int | None) -> float:
    """Milliseconds of processor that a process and those it started have taken."""
    ticks = 0
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            fields = (folder / "stat").read_text(encoding="ascii").rpartition(")")[2].split()
            if process in (int(folder.name), int(fields[1])):
                ticks += int(fields[11]) + int(fields[12])
    return ticks * 1000 / os.sysconf("SC_CLK_TCK")


class _Alone(NamedTuple):
    processor_ms: float
    high_ms: float


def _alone(port: int, paths: list[str], service: int | None) -> _Alone:
    """One reader, beside writer and projector: processor time that the service spends on an answer, and the 95th percentile of
    how long it is waited for."""
    import httpx

    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
        for path in paths[:3] * 3:
            client.get(path)
        begun = _spent(service)
        waited = []
        for number in range(40):
            asked = time.monotonic()
            client.get(paths[-1 - number % len(paths)])
            waited.append((time.monotonic() - asked) * 1000)
        return _Alone((_spent(service) - begun) / 40, sorted(waited)[37])


def _until_ready(port: int) -> None:
    import httpx

    end = time.monotonic() + 120
    while time.monotonic() < end:
        try:
            if httpx.get(f"http://127.0.0.1:{port}/api/v1/health/ready").status_code == 200:
                return
        except httpx.HTTPError:
            pass
        time.sleep(0.2)
    raise TimeoutError("the service did not become ready")


if __name__ == "__main__":
    sys.exit(main())

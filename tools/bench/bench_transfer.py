"""What 64 machines cost: the supervisor of IPC-HERMES-9852 with its outbox, against real sockets.

    python tools/bench/bench_transfer.py                          # a minute at the plant's rate
    python tools/bench/bench_transfer.py --speed 10 --seconds 360 # an hour's boards in six minutes

The machines run in a process of their own. What is measured is the process of adapter and outbox: its share of one
core, and whether its memory grows. Everything sent has to be in the outbox at the end. Aim: under 25 % of one core
at the plant's rate (64 machines, two lanes, ten boards a minute each), memory flat.
"""

import argparse
import asyncio
import contextlib
import gc
import json
import os
import sys
import tempfile
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

LANES = 2
BOARDS_A_MINUTE = 10
AIM_SHARE = 0.25
AIM_GROWTH = 1.05
WARM_UP_S = 10.0


class Machine:
    """One machine: describes itself, answers signs of life, sends what it is told to."""

    def __init__(self, number: int) -> None:
        self.name = f"M-{number}"
        self.sent = 0
        self._writers: set[asyncio.StreamWriter] = set()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        buffer = b""
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(65_536):
                buffer += data
                while (end := buffer.find(b"</Hermes>")) >= 0:
                    message, buffer = buffer[:end], buffer[end + 9 :]
                    if b"SupervisoryServiceDescription" in message:
                        writer.write(envelope(self._description()))
                        self._writers.add(writer)
                    elif b'Type="1"' in message:
                        number = message.partition(b'Id="')[2].partition(b'"')[0].decode()
                        writer.write(envelope(f'<CheckAlive Type="2" Id="{number}"/>'))
        self._writers.discard(writer)
        writer.close()

    def _description(self) -> str:
        return (
            f'<SupervisoryServiceDescription SystemId="{self.name}" Version="1.5"><SupportedFeatures>'
            "<FeatureBoardTracking/><FeatureCheckAliveResponse/></SupportedFeatures></SupervisoryServiceDescription>"
        )

    async def run_lane(self, lane: int, offset: float, speed: float) -> None:
        """A board every six seconds, divided by `speed`: it arrives, and leaves half of that later."""
        half = 30.0 / BOARDS_A_MINUTE / speed
        due = time.monotonic() + offset * 2 * half
        while True:
            board = uuid.uuid4()
            for name, which in (("BoardArrived", "Upstream"), ("BoardDeparted", "Downstream")):
                await asyncio.sleep(due - time.monotonic())
                due += half
                for writer in self._writers:
                    writer.write(envelope(self._board(name, which, lane, board)))
                    self.sent += 1

    def _board(self, name: str, which: str, lane: int, board: uuid.UUID) -> str:
        code = f"HW-{board.int % 10**8:08d}"
        parts = "".join(f'<SB Pos="{pos}" Bc="{code}-{pos}" St="1"/>' for pos in range(1, 5))
        return (
            f'<{name} MachineId="{self.name}" {which}LaneId="{lane}" BoardTransfer="1" BoardId="{board}"'
            f' BoardIdCreatedBy="M-1" FailedBoard="1" ProductTypeId="HW-CTRL" FlippedBoard="1" TopBarcode="{code}"'
            f' Length="160.000" Width="100.000" WorkOrderId="WO-88"><SubBoards>{parts}</SubBoards></{name}>'
        )


def envelope(body: str) -> bytes:
    stamp = datetime.now(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds")
    return f'<Hermes Timestamp="{stamp}">{body}</Hermes>\n'.encode()


async def be_machines(number: int, speed: float) -> None:
    """Print the ports, work until standard input gives a line, then print how much was sent."""
    loop = asyncio.get_running_loop()
    machines = [Machine(place) for place in range(1, number + 1)]
    servers = [await asyncio.start_server(machine.serve, "127.0.0.1", 0) for machine in machines]
    print(json.dumps([server.sockets[0].getsockname()[1] for server in servers]), flush=True)
    await loop.run_in_executor(None, sys.stdin.readline)
    lanes = [
        asyncio.create_task(machine.run_lane(lane, (place * LANES + lane) / (number * LANES + 1), speed))
        for place, machine in enumerate(machines)
        for lane in range(1, LANES + 1)
    ]
    await loop.run_in_executor(None, sys.stdin.readline)
    for lane in lanes:
        lane.cancel()
    print(sum(machine.sent for machine in machines), flush=True)
    await loop.run_in_executor(None, sys.stdin.readline)


def resident_mb() -> float:
    """Memory of this process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def alive() -> int:
    """Memory blocks the interpreter holds. The process also grows in steps of its allocators; these do not."""
    gc.collect()
    return sys.getallocatedblocks()


async def until(condition: Callable[[], bool], deadline_s: float) -> None:
    async with asyncio.timeout(deadline_s):
        while not condition():  # noqa: ASYNC110 - a bench may look
            await asyncio.sleep(0.05)


async def measure(number: int, seconds: float, speed: float, folder: Path) -> bool:
    """Run machines and adapter, print what was found; says whether the aims were met."""
    from broker_bridge.adapters.transfer.adapter import SupervisorAdapter
    from broker_bridge.config import TransferAdapter, TransferMachine
    from broker_bridge.edge.archive import Archive
    from broker_bridge.edge.outbox import Outbox

    child = await asyncio.create_subprocess_exec(
        sys.executable, __file__, "--be-machines", "--machines", str(number), "--speed", str(speed),
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    outbox = await Outbox.open(
        folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=4 * 10**9
    )
    try:
        ports = json.loads(await child.stdout.readline())
        machines = tuple(
            TransferMachine(station=f"m-{place}", host="127.0.0.1", port=port)
            for place, port in enumerate(ports, 1)
        )
        config = TransferAdapter(
            kind="transfer", name="transfer", area="smt", line="line-1", zone="UTC", machines=machines
        )
        source = "/harbour-works/smt/line-1/transfer"
        adapter = asyncio.create_task(SupervisorAdapter(config).run(await outbox.writer(source)))

        def kept(*kinds: str) -> int:
            return sum(outbox.condition(source)[2].get(kind, 0) for kind in kinds)

        boards = ("board_arrived", "board_departed")
        await until(lambda: kept("source_connected") == number, 60)
        child.stdin.write(b"go\n")
        record = asyncio.create_task(receipts(outbox, source))
        await asyncio.sleep(WARM_UP_S)
        blocks = [alive()]
        began, cpu, events, memory = time.perf_counter(), time.process_time(), kept(*boards), [resident_mb()]
        for _ in range(10):
            await asyncio.sleep(seconds / 10)
            memory.append(resident_mb())
        share = (time.process_time() - cpu) / (time.perf_counter() - began)
        events = kept(*boards) - events
        blocks.append(alive())
        child.stdin.write(b"stop\n")
        sent = int(await child.stdout.readline())
        with contextlib.suppress(TimeoutError):
            await until(lambda: kept(*boards) >= sent, 60)
        lost, stated = sent - kept(*boards), kept("messages_lost")
        adapter.cancel()
        record.cancel()
        await asyncio.gather(adapter, record, return_exceptions=True)
    finally:
        child.stdin.close()
        with contextlib.suppress(ProcessLookupError):
            child.terminate()
        await child.wait()
        await outbox.close()
    growth = median(memory[-3:]) / median(memory[1:4])
    print(f"{number} machines, {LANES} lanes, {BOARDS_A_MINUTE} boards a minute each, times {speed:g}")
    print(f"{events / seconds:8.1f} events/s taken in, {sent} sent in all, {lost} missing, {stated} in gaps")
    print(f"{share:8.1%} of one core; at the plant's rate {share / speed:.1%} (aim {AIM_SHARE:.0%})")
    print(f"{1e6 * share * seconds / max(events, 1):8.0f} us of processor an event")
    print(f"{growth:8.3f} memory over the last three tenths against the first three (aim {AIM_GROWTH})")
    print(f"{blocks[1] / blocks[0]:8.3f} memory blocks at the end against the beginning: {blocks}")
    print("         MB: " + " ".join(f"{value:.1f}" for value in memory))
    return lost == 0 and share / speed < AIM_SHARE and growth < AIM_GROWTH


async def receipts(outbox: "object", source: str) -> None:
    """What a record does: it receipts, and the outbox forgets."""
    from broker_bridge.edge.outbox import Outbox

    assert isinstance(outbox, Outbox)
    while True:
        await asyncio.sleep(1.0)
        await outbox.receipt(source, outbox.level(source).last, 1)
        await outbox.trim(timedelta(0))


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--machines", type=int, default=64)
    parser.add_argument("--seconds", type=float, default=60.0, help="measured time")
    parser.add_argument("--speed", type=float, default=1.0, help="how many times the plant's rate")
    parser.add_argument("--folder", type=Path, help="where the outbox lies (default: a temporary folder)")
    parser.add_argument("--be-machines", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.be_machines:
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(be_machines(args.machines, args.speed))
        return 0
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        return 0 if asyncio.run(measure(args.machines, args.seconds, args.speed, Path(folder))) else 1


if __name__ == "__main__":
    sys.exit(main())

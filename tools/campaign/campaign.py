"""Strike a small plant in one way after another, and judge what its record holds in the end.

    tools/campaign/campaign kills --rounds 1000 --seed 1 --log kills.jsonl
    tools/campaign/campaign power --rounds 50 --broker mosquitto
    tools/campaign/campaign all --rounds 5
    tools/campaign/campaign table tools/campaign/results.jsonl

A life is a plant of its own with some rounds; its seed is --seed plus its number. With --log, lives that stand there
already are not run again, so an interrupted campaign goes on where it was. Exit code 1 when anything was lost, doubled,
altered, out of order, on another board, or said to be what it was not.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from disks import Full, NthFsync, NthRename, NthWrite, ReadOnly
from keeping import Clocks, OutboxLost, Restored, Stall
from kills import Kills
from kind import Kind
from network import Cuts, Forgets, Sessions, Twins
from plant import BROKERS, ROLES, Plant
from power import Power
from roles import end_with_parent
from seams import NthCommit, NthPublish

KINDS: Final[dict[str, type[Kind]]] = {
    "kills": Kills,
    "power": Power,
    "disk-full": Full,
    "disk-read-only": ReadOnly,
    "half-open": Cuts,
    "broker-forgets": Forgets,
    "session-lost": Sessions,
    "client-id-twice": Twins,
    "store-stalled": Stall,
    "record-restored": Restored,
    "outbox-lost": OutboxLost,
    "clock-steps": Clocks,
    "nth-write": NthWrite,
    "nth-fsync": NthFsync,
    "nth-rename": NthRename,
    "nth-commit": NthCommit,
    "nth-publish": NthPublish,
}
"""Every kind of fault by its name."""
FAULTS: Final = (
    "lost",
    "broken",
    "unexpected",
    "doubled",
    "disordered",
    "misplaced",
    "altered",
    "holes",
    "unlike",
)

UNHIT: Final = 5
"""Lives without a hit, one after the other, that end a sweep: no two lives do a thing equally often."""
COUNTS: Final = ("attempted", "receipted", "stated", "crossed", "numbered", "late")


def live(kind: str, broker: str, seed: int, rounds: int, short: bool, folder: Path) -> dict[str, Any]:
    """One life of a plant; what came of it, as JSON."""
    begun = time.monotonic()
    told: dict[str, Any] = {
        "kind": kind, "broker": broker, "seed": seed, "rounds": rounds, "short": short, "commit": commit()
    }  # fmt: skip
    fault = KINDS[kind](folder, broker, seed, short)
    with fault.ready() as way:
        plant = Plant(folder, broker, fault.chance, way)
        try:
            with plant.running():
                for _ in range(rounds):
                    fault.strike(plant)
                fault.ended(plant)
            verdict, order = plant.verdict(), plant.order()
        except Exception as error:
            traceback.print_exc()
            return told | {"failed": f"{type(error).__name__}: {error}", "strikes": plant.strikes}
    found = {**verdict._asdict(), **order._asdict()}
    counts = {name: len(value) if isinstance(value, tuple) else value for name, value in found.items()}
    examples = {name: found[name][:5] for name in FAULTS if found[name]}
    return told | counts | {
        "seconds": round(time.monotonic() - begun, 1),
        "strikes": plant.strikes,
        "receipts_at_cuts": plant.receipted_at_cuts,
        "untrue": [tuple(one) for one in plant.untrue],
        "peak_kb": {name: plant.victim(name).peak_kb for name in ("broker", *ROLES)},
        **({"examples": examples} if examples else {}),
    }  # fmt: skip


def commit() -> str:
    """The state of the program that is struck; "" outside a work tree."""
    done = subprocess.run(
        ["git", "-C", str(Path(__file__).parent), "rev-parse", "--short", "HEAD"],
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout.strip()


def faultless(told: dict[str, Any]) -> bool:
    """Nothing that must not be."""
    return "failed" not in told and not told["untrue"] and not any(told.get(name) for name in FAULTS)


def lives(
    kinds: Iterable[str], brokers: Iterable[str], seed: int, rounds: int, each: int
) -> list[tuple[str, str, int, int]]:
    """Kind, broker, seed and rounds of every life. The rounds are shared among the brokers."""
    wanted = []
    for kind in kinds:
        fit = [broker for broker in brokers if broker in KINDS[kind].brokers]
        size = 1 if KINDS[kind].sweep else each or KINDS[kind].each
        for place, broker in enumerate(fit):
            left, number = rounds // len(fit) + (place < rounds % len(fit)), 0
            while left > 0:
                wanted.append((kind, broker, seed + number, min(left, size)))
                left, number = left - size, number + 1
    # Brokers in turn, so that a campaign cut short has something of each.
    return sorted(wanted, key=lambda life: (life[0], life[2], life[1]))


def run_apart(life: tuple[str, str, int, int], short: bool, keep: Path | None) -> dict[str, Any]:
    """One life in a process of its own: what it does to itself ends with it."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(read)
        end_with_parent()
        kind, broker, seed, rounds = life
        folder = Path(tempfile.mkdtemp(prefix=f"{kind}-{broker}-{seed}-"))
        try:
            told = live(kind, broker, seed, rounds, short, folder)
        except BaseException as error:
            traceback.print_exc()
            told = {"kind": kind, "broker": broker, "seed": seed, "rounds": rounds, "short": short,
                    "failed": f"{type(error).__name__}: {error}"}  # fmt: skip
        if keep is not None and not faultless(told):
            shutil.move(folder, keep)
        else:
            shutil.rmtree(folder, ignore_errors=True)
        with os.fdopen(write, "w") as out:
            json.dump(told, out)
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as said:
        text = said.read()
    os.waitpid(pid, 0)
    return dict(json.loads(text)) if text else {**dict(zip(("kind", "broker", "seed", "rounds"), life, strict=True)),
                                                "short": short, "failed": "the process of this life died"}  # fmt: skip


def table(results: Iterable[dict[str, Any]]) -> str:
    """The results as Markdown, one line a kind and broker."""
    rows: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for told in results:
        rows[told["kind"], told["broker"]].append(told)
    lines = [
        "| kind | broker | seeds | lives | rounds | records | receipted | stated gaps | lost | broken promises | doubled |"
        " unexpected | out of order | wrong board | altered | crossed files | numbers | holes | unlike the outbox | late |"
        " untrue words | not recovered | most memory MB | seconds |",
        "|" + "---|" * 24,
    ]
    for (kind, broker), told in sorted(rows.items()):
        whole = [one for one in told if "failed" not in one]
        total: Counter[str] = Counter()
        for one in whole:
            total.update({name: one.get(name, 0) for name in (*COUNTS, *FAULTS)})
        memory = max((max(one["peak_kb"].values()) for one in whole), default=0) / 1000
        seeds = _ranges({one["seed"] for one in told})
        lines.append(
            f"| {kind} | {broker} | {seeds} | {len(told)} | {sum(one['rounds'] for one in told):,} |"
            f" {total['attempted']:,} | {total['receipted']:,} | {total['stated']:,} | {total['lost']} | {total['broken']} |"
            f" {total['doubled']} | {total['unexpected']} | {total['disordered']} | {total['misplaced']} |"
            f" {total['altered']} | {total['crossed']} | {total['numbered']:,} | {total['holes']} | {total['unlike']} |"
            f" {total['late']} | {sum(len(one['untrue']) for one in whole)} | {len(told) - len(whole)} | {memory:.0f} |"
            f" {sum(one['seconds'] for one in whole):,.0f} |"
        )
    return "\n".join(lines) + "\n"


def _ranges(numbers: Iterable[int]) -> str:
    found: list[list[int]] = []
    for number in sorted(numbers):
        if found and number == found[-1][1] + 1:
            found[-1][1] = number
        else:
            found.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first} to {last}" for first, last in found)


def read_log(path: Path) -> list[dict[str, Any]]:
    """The lives that stand in a log."""
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def main() -> int:
    """Run a campaign, or print the table of one."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kind", choices=[*KINDS, "all", "table"], help="what to do to the plant")
    parser.add_argument("logs", nargs="*", type=Path, help="with table: the logs to read")
    parser.add_argument("--rounds", type=int, default=20, help="strikes, shared among the brokers")
    parser.add_argument(
        "--each", type=int, default=0, help="rounds in one life; the kind's own number unless given"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--broker", choices=[*BROKERS, "both"], default="both")
    parser.add_argument("--short", action="store_true", help="short waits, as in the test suite")
    parser.add_argument(
        "--log", type=Path, help="append each life as a JSON line, and run none that stands there"
    )
    parser.add_argument("--json", action="store_true", help="print each life as a JSON line")
    parser.add_argument(
        "--keep", type=Path, help="folder to which the plants of lives that were not fine are moved"
    )
    args = parser.parse_args()
    if args.kind == "table":
        print(table(one for log in args.logs for one in read_log(log)), end="")
        return 0
    kinds = KINDS if args.kind == "all" else [args.kind]
    brokers = BROKERS if args.broker == "both" else [args.broker]
    results = read_log(args.log) if args.log else []
    done = {
        (one["kind"], one["broker"], one["seed"], one["rounds"]): one
        for one in results
        if "failed" not in one
    }
    results = [one for one in results if "failed" not in one]
    ran: list[dict[str, Any]] = []
    unhit: Counter[tuple[str, str]] = Counter()
    for life in lives(kinds, brokers, args.seed, args.rounds, args.each):
        if unhit[life[:2]] == UNHIT:
            continue
        told = done.get(life) or run_apart(life, args.short, args.keep)
        if KINDS[life[0]].sweep and "failed" not in told:
            unhit[life[:2]] = 0 if told["strikes"].get("hit") else unhit[life[:2]] + 1
        if life in done:
            continue
        ran.append(told)
        if args.log:
            with args.log.open("a", encoding="utf-8") as log:
                log.write(json.dumps(told) + "\n")
        if args.json:
            print(json.dumps(told), flush=True)
        else:
            print(f"{'fine' if faultless(told) else 'NOT FINE'}: {json.dumps(told)[:400]}", flush=True)
    if not args.json:
        print(table([*results, *ran]), end="")
    return 0 if all(map(faultless, ran)) else 1


if __name__ == "__main__":
    sys.exit(main())

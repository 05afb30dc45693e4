"""What a command waits for before it can do anything: imports, as ratios to the bare interpreter in the same run.

tools/bench/bench_start.py
"""

import argparse
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

IMPORTS = {
    "bare interpreter": "pass",
    "argparse, sqlite3": "import argparse, sqlite3",
    "asyncio, aiosqlite": "import aiosqlite",
    "pydantic": "from pydantic import BaseModel",
    "the schema's models": "import broker_bridge.events.union",
    "the table of commands": "import broker_bridge.cli.main",
    "what `board` needs": "import broker_bridge.cli.main, broker_bridge.queries.boards, broker_bridge.words.board",
    "what `run` needs": "import broker_bridge.bootstrap",
}


def seconds(statement: str, rounds: int) -> float:
    """Median seconds of an interpreter that executes this and ends; the first round only warms up."""
    # Compiled modules are part of every installation; this shell may keep Python from writing them.
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    taken = []
    for _ in range(rounds + 1):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-c", statement], check=True, env=environment, cwd=ROOT)
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken[1:])


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=9)
    args = parser.parse_args()
    bare = None
    for name, statement in IMPORTS.items():
        taken = seconds(statement, args.rounds)
        bare = bare or taken
        print(f"{name:<24}{taken * 1000:>8.0f} ms  {taken / bare:>5.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

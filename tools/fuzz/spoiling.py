"""Random damage to bytes, to JSON and to databases, and the watch over what reading them costs."""

import json
import random
import resource
import sqlite3
import subprocess
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

BITS: Final = (
    b"{", b"}", b"[", b"]", b'"', b"'", b",", b":", b"\\", b"\\u0000", b"\\ud800", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf",
    b"null", b"true", b"NaN", b"Infinity", b"-0", b"1e999", b"9" * 30, b"9" * 5000, b"[" * 300, b"[" * 5000,
    b'{"a":' * 2000, b"\xc2\xb2", b"\xd9\xa3", b"\xe2\x80\xa8", b"\xc2\x85", b"\r", b"\n", b"\t", b";", b"=", b"#", b"\n[a]\n",
    b"\n[[adapters]]\n", b"0001-01-01T00:00:00Z", b"9999-12-31T23:59:59.999999-23:59", b"../..", b"a" * 70_000,
)  # fmt: skip
VALUES: Final = (
    None, True, False, 0, -1, 1, 2**31, 2**63 - 1, 2**63, -(2**63), 2**64, 1e308, -0.0, 0.1, "", " ", "0", "\x00", "\ud7ff", "²",
    "a" * 600, "/a/b/c/d", "x.0.0.1", [], {}, [None], [[]], {"": {}}, "2026-03-02T06:00:00Z", "0001-01-01T00:00:00+14:00",
    "00000000000000000001", "9" * 20,
)  # fmt: skip
SECONDS, SECONDS_A_BYTE = 3.0, 1 / 20_000
MEMORY, MEMORY_A_BYTE = 60 * 2**20, 600


def spoilt(rng: random.Random, content: bytes) -> bytes:
    """The content with a few things done to it."""
    data = bytearray(content)
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(7):
            case 0:
                data[at : at + 1] = rng.randbytes(1)
            case 1:
                del data[at : at + rng.randrange(1, 60)]
            case 2:
                data[at:at] = rng.choice(BITS)
            case 3:
                begin = rng.randrange(len(data) + 1)
                data[at:at] = data[begin : begin + rng.randrange(1, 300)]
            case 4:
                begin = rng.randrange(len(data) + 1)
                piece = data[begin : begin + rng.randrange(1, 40)]
                data[at : at + len(piece)] = piece
            case 5:
                data = data[:at]
            case _:
                data[at:at] = data[at : at + 20] * rng.randrange(1, 400)
    return bytes(data)


def twisted(rng: random.Random, document: Any) -> Any:
    """A JSON document of which a few places hold something else, are gone, or stand twice."""
    document = json.loads(json.dumps(document))
    for _ in range(rng.randrange(1, 4)):
        places = list(_places(document))
        if not places:
            return rng.choice(VALUES)
        holder, key = rng.choice(places)
        match rng.randrange(6):
            case 0:
                del holder[key]
            case 1:
                other, name = rng.choice(places)
                holder[key] = json.loads(json.dumps(other[name])) if name in _keys(other) else None
            case 2 if isinstance(holder[key], str):
                holder[key] = spoilt(rng, holder[key].encode())[:2000].decode(errors="replace")
            case 3 if isinstance(holder[key], list):
                holder[key] = holder[key] * rng.randrange(2, 200)
            case _:
                holder[key] = json.loads(json.dumps(rng.choice(VALUES)))
    return document


def _places(node: Any) -> Any:
    for key in _keys(node):
        yield node, key
        yield from _places(node[key])


def _keys(node: Any) -> list[Any]:
    return list(node) if isinstance(node, dict) else list(range(len(node))) if isinstance(node, list) else []


def spoil_database(rng: random.Random, path: Path) -> None:
    """Bytes of the file, or cells of its tables, hold something else."""
    if rng.random() < 0.5:
        data = bytearray(path.read_bytes())
        for _ in range(rng.choice((1, 1, 3, 30))):
            at = rng.choice((rng.randrange(100), rng.randrange(4096), rng.randrange(len(data))))
            data[at : at + 1] = rng.randbytes(1)
        if rng.random() < 0.1:
            del data[rng.randrange(len(data)) :]
        path.write_bytes(data)
        return
    base = sqlite3.connect(path, isolation_level=None)
    tables = [name for (name,) in base.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    for _ in range(rng.randrange(1, 4)):
        table = rng.choice(tables)
        columns = [row[1] for row in base.execute(f"PRAGMA table_info({table})")]
        value: object = rng.choice(
            (*(v for v in VALUES if not isinstance(v, list | dict)), rng.randbytes(20))
        )
        try:
            match rng.randrange(6):
                case 0:
                    base.execute(f"DELETE FROM {table} WHERE rowid % 7 = {rng.randrange(7)}")
                case 1:
                    column = rng.choice(columns)
                    base.execute(
                        f"UPDATE {table} SET {column} = substr({column}, 1, 9) || char(0, 91) || {column}"
                        f" WHERE rowid % 7 = {rng.randrange(7)}"
                    )
                case 2:
                    base.execute(f"DROP TABLE {table}")
                    tables.remove(table)
                case _:
                    base.execute(
                        f"UPDATE {table} SET {rng.choice(columns)} = ? WHERE rowid % 3 = {rng.randrange(3)}",
                        (value,),
                    )
        except (sqlite3.Error, OverflowError):
            pass  # the table does not take it
    base.close()


def note(log: Path | None, parser: str, seed: int, tries: int, findings: int, try_mb: float) -> None:
    """Append what a run came to, as a JSON line; see results.py."""
    if log is None:
        return
    at = ["git", "-C", str(Path(__file__).parent), "rev-parse", "--short", "HEAD"]
    told = {
        "parser": parser, "seed": seed, "minutes": round(time.process_time() / 60, 1), "tries": tries, "findings": findings,
        "try_mb": round(try_mb, 1), "process_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
        "commit": subprocess.run(at, capture_output=True, text=True, check=False).stdout.strip(),
    }  # fmt: skip
    with log.open("a", encoding="utf-8") as file:
        file.write(json.dumps(told) + "\n")


def watched(job: Callable[[], None], size: int, memory: int = MEMORY) -> int:
    """Do it; AssertionError where it takes too long or too much memory for `size` bytes. Returns its highest memory."""
    tracemalloc.reset_peak()
    before, begun = tracemalloc.get_traced_memory()[0], time.process_time()
    job()
    taken, used = time.process_time() - begun, tracemalloc.get_traced_memory()[1] - before
    assert taken < SECONDS + size * SECONDS_A_BYTE, f"{taken:.1f} s for {size:,} bytes"
    assert used < memory + MEMORY_A_BYTE * size, f"{used:,} bytes of memory for {size:,}"
    return used

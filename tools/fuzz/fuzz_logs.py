#!/usr/bin/env python3
"""Random and mutated bytes through every reader and mapping: records, or an error of ours, in bounded time and memory.

    python tools/fuzz/fuzz_logs.py --minutes 10 --seed 1

The dialects are the samples beside the adapter and those below, which together use every reader. A finding is written
to --out as bytes, with the traceback beside it. Bounded: a content of n bytes takes at most a second and n / 20,000
seconds more, and gives takings whose records lie inside it.
"""

import argparse
import random
import sys
import time
import traceback
import tracemalloc
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from spoiling import note

import broker_bridge.adapters.logs
from broker_bridge.adapters.logs import load_mapping, read_bytes
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.adapters.logs.protocol.record import digest_of

SAMPLES = Path(broker_bridge.adapters.logs.__file__).parent / "samples"
MODIFIED = datetime(2026, 3, 2, 8, tzinfo=UTC)
MEMORY_A_BYTE, MEMORY_FLOOR = 600, 40 * 2**20

EVENT = """
[[event]]
type = "board.departed"
each = "one"
time = "$file.modified"
[event.data]
how = "transferred"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]
"""
FIELDS = '[fields.one]\ncode = { required = true }\nnumber = { type = "number" }\nparts = { list = ",", span = "-" }\n'

READERS = {
    "json": ('kind = "json"\nrecords = [{ kind = "one", path = "boards[]" }]',
             b'{"boards": [{"code": "B1", "number": "1.5", "parts": "R1-R4,C2"}, {"code": "B2", "parts": ["U1"]}]}'),
    "json_lines": ('kind = "json_lines"\nrecords = [{ kind = "one" }]', b'{"code": "B1", "number": "-2"}\n{"code": "B2"}\n'),
    "xml": ('kind = "xml"\nrecords = [{ kind = "one", path = "/run/board" }]',
            b'<?xml version="1.0"?><run><board><code>B1</code><parts>R1-R9</parts></board><board><code>B&amp;2</code></board></run>'),
    "key_value": ('kind = "key_value"\nencoding = "utf-8"\nrecords = [{ kind = "one" }]', b'12:00 code=B1 number=7 parts="R1,R2"\n'),
    "ini": ('kind = "ini"\nencoding = "cp1252"\nrecords = [{ kind = "one", section = "BOARD (?P<place>[0-9]+)" }]',
            b"[BOARD 1]\ncode=B1\nnumber=3\nparts=R1-R2\n\n[BOARD 2]\ncode=B2\n"),
    "fixed": ('kind = "fixed"\nencoding = "utf-8"\nrecords = [{ kind = "one", columns = { code = [1, 6], number = [7, 4], parts = [11, 9] } }]',
              b"B00001 1.5R1-R7,C1 \nB00002    R1       \n"),
    "text": ('kind = "text"\nencoding = "utf-16-le"\nunmatched = "skip"\nrecords = [{ kind = "one", pattern = "board (?P<code>\\\\S+) (?P<number>[0-9.]+)(?P<parts> .*)?$" }]',
             "board B1 12 R1-R3\nother\nboard B2 7\n".encode("utf-16-le")),
    "blocks": ('kind = "blocks"\nencoding = "utf-8"\nrecords = [{ kind = "one", begins = "^BEGIN (?P<code>.+)", ends = "^END", lines = ["n=(?P<number>.*)", "p=(?P<parts>.*)"] }]',
               b"BEGIN B1\nn=4\np=R1-R2\nEND\nBEGIN B2\nEND\n"),
    "delimited": ('kind = "delimited"\nencoding = "utf-8"\ndelimiter = ";"\nrecords = [{ kind = "one", columns = ["code", "number", "parts"] }]',
                  b'B1;1.5;"R1-R4,C2"\nB2;;\n'),
}  # fmt: skip
"""A mapping's reader and a content that it can read, for every kind of reader."""

TABLE = b"R1;01.03.26 06:00;REEL-1\nR1;02.03.26 06:00;REEL-2\n"
LOOK_UP = """
[companion.reels]
pattern = 'reels'
kind = "reel"
since = "since"
covers = "as_found"
[companion.reels.reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [{ kind = "reel", columns = ["Slot", "On", "Reel"] }]
[companion.reels.fields]
slot = "Slot"
since = { column = "On", type = "time", format = "%d.%m.%y %H:%M", means = "start", zone = "UTC" }
reel = "Reel"
[derived.one]
reel = { companion = "reels", gives = "reel", same = { slot = "$code" }, at = "$file.modified" }
"""


def dialects() -> list[tuple[str, Compiled, list[bytes]]]:
    """Name, mapping and contents that it can read."""
    found = [
        (name, compile_mapping(_dialect(reader, LOOK_UP if name == "key_value" else ""), name), [content])
        for name, (reader, content) in READERS.items()
    ]
    for path in sorted(SAMPLES.glob("*.toml")):
        contents = [
            each.read_bytes()
            for each in sorted((SAMPLES / path.stem).iterdir())
            if not each.name.endswith(".events.json")
        ]
        found.append((path.stem, load_mapping(path), contents))
    return found


def _dialect(reader: str, more: str) -> str:
    return f'name = "fuzz"\nrevision = 1\n[reader]\n{reader}\n{FIELDS}{more}{EVENT}'


def mutated(rng: random.Random, content: bytes) -> bytes:
    """Random bytes, or the content with a few things done to it."""
    if rng.random() < 0.1:
        return rng.randbytes(rng.randrange(400))
    data = bytearray(content)
    for _ in range(rng.randrange(1, 8)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(6):
            case 0:
                data[at : at + 1] = rng.randbytes(1)
            case 1:
                del data[at : at + rng.randrange(1, 60)]
            case 2:
                data[at:at] = rng.choice(
                    (
                        b"\n",
                        b'"',
                        b"\x00",
                        b";",
                        b",",
                        b"<",
                        b"]",
                        b"\xff\xfe",
                        b"\xef\xbb\xbf",
                        b"-",
                        b"\x85",
                        b"9" * 30,
                    )
                )
            case 3:
                begin = rng.randrange(len(data) + 1)
                data[at:at] = data[begin : begin + rng.randrange(1, 200)]
            case 4:
                data = data[:at]
            case _:
                data[at:at] = data[at : at + 20] * rng.randrange(1, 50)
    return bytes(data)


def tried(mapping: Compiled, content: bytes, companions: list[CompanionFile]) -> Counter[str]:
    """Read one content; raises whatever is a finding."""
    begun = time.process_time()
    kinds: Counter[str] = Counter()
    for taking in read_bytes(
        mapping, content, "log.csv", adapter="fuzz", modified=MODIFIED, companions=companions
    ):
        assert taking.statements, "a taking without statements"
        assert 0 <= taking.position <= len(content), f"position {taking.position} of {len(content)}"
        for statement in taking.statements:
            kinds[statement.data.TYPE] += 1
            raw = statement.data.origin.raw
            assert raw is not None
            assert (raw.offset or 0) <= len(content), f"offset {raw.offset} of {len(content)}"
            statement.data.__pydantic_serializer__.to_json(statement.data)
    taken = time.process_time() - begun
    assert taken < 1 + len(content) / 20_000, f"{taken:.1f} s for {len(content)} bytes"
    return kinds


def main() -> int:
    """Try until the time is over; exit code 1 with findings."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=1.0, help="of this process, not of the wall")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("fuzz-findings"))
    parser.add_argument("--log", type=Path, help="append what it came to, as a JSON line")
    args = parser.parse_args()
    rng = random.Random(args.seed)
    known = dialects()
    until = time.process_time() + args.minutes * 60
    tries, findings, kinds, most = 0, 0, Counter[str](), 0.0
    tracemalloc.start()
    while time.process_time() < until:
        name, mapping, contents = rng.choice(known)
        content = mutated(rng, rng.choice(contents))
        table = TABLE if rng.random() < 0.5 else mutated(rng, TABLE)
        companions = [CompanionFile("reels", digest_of(table), MODIFIED, table)]
        tries += 1
        tracemalloc.reset_peak()
        before = tracemalloc.get_traced_memory()[0]
        try:
            kinds += tried(mapping, content, companions)
            used = tracemalloc.get_traced_memory()[1] - before
            most = max(most, used / 2**20)
            assert used < MEMORY_FLOOR + MEMORY_A_BYTE * len(content), (
                f"{used:,} bytes of memory for {len(content):,}"
            )
        except Exception:
            findings += 1
            args.out.mkdir(parents=True, exist_ok=True)
            where = args.out / f"{name}-{args.seed}-{tries}"
            where.with_suffix(".bin").write_bytes(content)
            where.with_suffix(".table").write_bytes(table)
            where.with_suffix(".txt").write_text(traceback.format_exc())
            print(f"{name}: finding in {where}.bin")
    told = ", ".join(f"{count:,} {kind}" for kind, count in kinds.most_common(6))
    print(
        f"{tries:,} contents through {len(known)} dialects, {findings} findings; at most {most:.1f} MB; {told}"
    )
    note(args.log, "logs", args.seed, tries, findings, most)
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())

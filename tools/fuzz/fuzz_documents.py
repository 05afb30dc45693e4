#!/usr/bin/env python3
"""Spoilt messages, files and databases through every other parser that faces outside: a result, or an error of ours.

    python tools/fuzz/fuzz_documents.py events --minutes 10 --seed 1
    python tools/fuzz/fuzz_documents.py all --minutes 1

  events        payloads and topics through the recorder's intake, and what it gives into a record
  messages      receipts, states of sources, edges and records, arrays of events
  packets       MQTT packets of a hostile broker
  cfx           bodies of AMQP messages: envelopes of IPC-2591 (CFX), packed, in batches; what a record makes of what is taken
  paste         packed columns, lying about their size included
  config        configuration files
  mapping       mapping files, and a log read by those that load
  suggest       files nobody knows, to a first mapping
  declarations  master data: JSON, TOML, CSV
  assertions    requests to put a person's statement into the record
  tables        apertures, gauge studies, hand counts, access lists, tokens
  record        a record from elsewhere: its bytes or its cells are wrong

Bounded: n bytes take at most three seconds and n / 20,000 seconds more, and 60 MB and 600 n bytes of memory. A finding is
written to --out, with the traceback beside it; exit code 1. The same seed gives the same tries.
"""

import argparse
import asyncio
import base64
import contextlib
import json
import logging
import random
import resource
import shutil
import sys
import tempfile
import time
import traceback
import tracemalloc
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import orjson
import zstandard
from messages_of_machines import Machines
from spoiling import note, spoil_database, spoilt, twisted, watched

from broker_bridge.adapters.assertions.mapping import taking
from broker_bridge.adapters.declarations.mapping import read
from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.adapters.logs.preview.draft import draft
from broker_bridge.bus import wire
from broker_bridge.bus.credentials import ACCESS, read_access
from broker_bridge.bus.inbox import Inbox
from broker_bridge.bus.link import Link, Options
from broker_bridge.bus.topics import Topics
from broker_bridge.cli.acceptance import _rows, _window
from broker_bridge.config import load
from broker_bridge.demo.virtual import record_run
from broker_bridge.errors import BridgeError, UsageError
from broker_bridge.events.canonical import read_canonical
from broker_bridge.events.columns import block_hash, pack_numbers, pack_texts, unpack_numbers, unpack_texts
from broker_bridge.events.reading import Column
from broker_bridge.events.union import dump_event, parse_event
from broker_bridge.projector.schema import index_path
from broker_bridge.queries.apertures import read_openings
from broker_bridge.queries.boards import board
from broker_bridge.queries.quality_gauge import trials_of_table
from broker_bridge.queries.record import open_with
from broker_bridge.recorder.intake import examine
from broker_bridge.store.base import Arrival, Refusal
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader
from broker_bridge.web.access import read_table

AT = datetime(2026, 3, 2, 8, tzinfo=UTC)
TOPICS = Topics("plant")
Try = Callable[[random.Random, Counter[str]], tuple[bytes, Callable[[], None]]]
"""Draws one input: its bytes, and what reads it. BridgeError is an answer; anything else is a finding."""


class Corpus:
    """A small run of the invented plant, and a folder to work in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        run = record_run(folder / "plant", 12, 5, "rough", lambda text, share: None)
        self.config = run.config.read_bytes()
        self.mappings = [
            path.read_text(encoding="utf-8")
            for path in sorted((folder / "plant" / "mappings").glob("*.toml"))
        ]
        self.record = run.record
        reader = SqliteReader(run.record)
        by_type: dict[str, list[bytes]] = {}
        for fact in reader.after(0, 5000):
            found = by_type.setdefault(fact.type, [])
            if len(found) < 20:
                found.append(reader.body(fact.number))
        self.names = [
            b["value"]
            for fact in reader.after(0, 300)
            for o in fact.data.get("boards", ())
            for b in o["identifiers"]
        ]
        reader.close()
        self.events = [body for bodies in by_type.values() for body in bodies]


# -- targets ---------------------------------------------------------------------------------------------------


def events(corpus: Corpus) -> Try:
    """Payloads on topics; every hundredth try commits what came of them."""
    path = corpus.folder / "fuzzed.db"
    waiting: list[Arrival | Refusal] = []
    runner = asyncio.Runner()
    store = runner.run(SqliteStore.open(path, "fuzz"))

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        body = rng.choice(corpus.events)
        told = json.loads(body)
        if rng.random() < 0.6:
            blanks = rng.choice(((", ", ": "), (",", ":")))
            body = json.dumps(twisted(rng, told), ensure_ascii=rng.random() < 0.5, separators=blanks).encode(
                errors="replace"
            )
        if rng.random() < 0.5:
            body = spoilt(rng, body)
        station = told["data"].get("station")
        topic = TOPICS.event(told["source"], station, told["type"])
        if rng.random() < 0.3:
            body = wire.join_batch([body, *rng.sample(corpus.events, rng.randrange(4))])
            topic = TOPICS.batch(told["source"])
        if rng.random() < 0.1:
            topic = spoilt(rng, topic.encode()).decode(errors="replace")

        def job() -> None:
            found = examine(TOPICS, topic, body, site=told["source"].split("/")[1])
            assert found or body.strip()[:1] == b"[", "a payload has vanished"
            for item in found:
                counts["events" if isinstance(item, Arrival) else f"refused: {item.code}"] += 1
                if read_canonical(item.body) is not None:
                    counts["without their models"] += 1
                    read = orjson.loads(dump_event(parse_event(item.body)))
                    assert read == orjson.loads(item.body), "the models read something else"
            waiting.extend(found)
            if len(waiting) > 300:
                done = runner.run(
                    store.commit(
                        [item for item in waiting if isinstance(item, Arrival)],
                        [item for item in waiting if isinstance(item, Refusal)],
                    )
                )
                counts["committed"] += done.new
                waiting.clear()

        return body, job

    return one


def messages(corpus: Corpus) -> Try:
    """What edges, recorders and brokers' retained messages say."""
    samples: list[tuple[Callable[[bytes], object], Any]] = [
        (
            wire.parse_receipt,
            {"record": "r", "incarnation": 1, "source": "/a/b/c/d", "issued": "2026-03-02T06:00:00Z", "fenced": 3,
             "epochs": [{"epoch": 3, "contiguous": 7, "missing": [[8, 9], [12, 12]], "closed": False}]},
        ),
        (
            wire.parse_source_state,
            {"source": "/a/b/c/d", "epoch": 3, "last": 9, "oldest": 1, "condition": "reading", "detail": "x", "backlog": 2,
             "backlog_bytes": 9, "ceiling_bytes": 10, "counters": {"files": 1}, "alarms": ["late"], "edge": "e",
             "issued": "2026-03-02T06:00:00Z"},
        ),
        (wire.parse_edge_state, {"edge": "e", "alive": True, "alarms": ["x"], "issued": "2026-03-02T06:00:00Z"}),
        (
            wire.parse_record_state,
            {"record": "r", "incarnation": 1, "events": 1, "commit": 1, "condition": "waiting", "detail": "x",
             "issued": "2026-03-02T06:00:00Z"},
        ),
        (wire.split_batch, [{"a": [1, {"b": "]},{["}]}, {}, {"c": "\\\""}]),
    ]  # fmt: skip

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        parse, told = rng.choice(samples)
        body = json.dumps(twisted(rng, told) if rng.random() < 0.7 else told).encode()
        if rng.random() < 0.5:
            body = spoilt(rng, body)

        def job() -> None:
            found = parse(body)
            counts["read"] += 1
            if parse is wire.split_batch:
                assert all(
                    json.loads(piece) == told for piece, told in zip(found, json.loads(body), strict=True)
                )  # type: ignore[call-overload]
            else:
                assert parse(wire.dump(found)) == found, "what is dumped is not what was read"  # type: ignore[arg-type]

        return body, job

    return one


def packets(corpus: Corpus) -> Try:
    """What a broker sends, good and bad, in pieces."""
    options = Options("127.0.0.1", 1883, "c", None, None, None, False, 30, 5, 1000, None, ("t/#",))
    runner = asyncio.Runner()
    topic = TOPICS.event("/a/b/c/d", "print", "board.arrived").encode()

    def packet(rng: random.Random) -> bytes:
        match rng.randrange(5):
            case 0:
                kind, body = 0x20, bytes((rng.randrange(2), rng.randrange(6)))
            case 1:
                kind, body = 0x90, rng.randbytes(2) + rng.choice((b"\x01", b"\x80", b""))
            case 2:
                kind, body = (
                    0x30 | rng.randrange(16),
                    len(topic).to_bytes(2, "big") + topic + rng.randbytes(2) + rng.choice(corpus.events),
                )
            case 3:
                kind, body = 0x40, rng.randbytes(2)
            case _:
                kind, body = rng.randrange(256), rng.randbytes(rng.randrange(12))
        size, length = len(body), b""
        while True:
            size, digit = divmod(size, 128)
            length += bytes((digit | (128 if size else 0),))
            if not size:
                return bytes((kind,)) + length + body

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        raw = b"\x20\x02\x00\x00" + b"".join(packet(rng) for _ in range(rng.randrange(1, 8)))
        if rng.random() < 0.5:
            raw = spoilt(rng, raw)
        step = rng.choice((1, 7, 4096, 65536)) if len(raw) < 20_000 else 65_536

        async def story() -> None:
            problems: list[dict[str, object]] = []
            asyncio.get_running_loop().set_exception_handler(lambda _, context: problems.append(context))
            inbox = Inbox(100, 2**20, lambda: None)
            link = Link(options, inbox, lambda session_present: 1)
            link._paho.connect(options.host, options.port, options.keepalive)
            for at in range(0, len(raw), step):
                link._pipe.data_received(raw[at : at + step])
            await asyncio.sleep(0)
            got = [message for _ in range(1000) if (message := inbox.pop())]
            counts["messages"] += len(got)
            link.ack(got)
            counts["connections given up"] += link.lost.done()
            await link.close()
            assert link.lost.result()
            assert not problems, problems

        return raw, lambda: runner.run(story())

    return one


def cfx(corpus: Corpus) -> Try:
    """Messages of machines."""
    reader = SqliteReader(corpus.record)
    facts = list(reader.after(0, 5000))
    reader.close()
    return Machines(facts)


def paste(corpus: Corpus) -> Try:
    """Columns whose bytes, encoding, scale or stated size are wrong."""

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        size = rng.choice((0, 1, 7, 300))
        good = rng.choice(
            (
                pack_texts("t", [rng.choice(("R1", None, "µ")) for _ in range(size)]),
                pack_numbers(
                    "n",
                    [rng.choice((None, rng.gauss(90, 6), round(rng.gauss(90, 6), 1))) for _ in range(size)],
                ),
            )
        )
        raw = base64.b64decode(good.data)
        match rng.randrange(5):
            case 0:
                raw = spoilt(rng, raw)
            case 1:
                raw = zstandard.ZstdCompressor().compress(
                    spoilt(rng, zstandard.ZstdDecompressor().decompress(raw))
                )
            case 2:
                bomb = zstandard.ZstdCompressor(write_content_size=rng.random() < 0.5)
                raw = bomb.compress(bytes(rng.choice((100, 2**20, 80 * 2**20))))
            case 3:
                raw = rng.randbytes(rng.randrange(60))
            case _:
                pass
        told = good.model_dump() | {"data": base64.b64encode(raw).decode()}
        if rng.random() < 0.5:
            told["encoding"] = rng.choice(("i2", "i4", "f4", "f8", "text", "x"))
        if rng.random() < 0.5:
            told["scale"] = rng.choice((None, 1.0, 0.1, 0.0, -1.0, 1e-300, 1e300, float("nan"), 10.0**-4))
        if rng.random() < 0.1:
            told["data"] = spoilt(rng, str(told["data"]).encode()).decode(errors="replace")

        def job() -> None:
            try:
                column = Column.model_validate(told)
            except ValueError:
                counts["no column"] += 1
                return
            block_hash([column])
            (unpack_texts if column.encoding == "text" else unpack_numbers)(column)
            counts["unpacked"] += 1

        return raw, job

    return one


def config(corpus: Corpus) -> Try:
    """Configuration files."""
    path = corpus.folder / "spoilt.toml"

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        raw = spoilt(rng, corpus.config)

        def job() -> None:
            load(path)
            counts["loaded"] += 1

        path.write_bytes(raw)
        return raw, job

    return one


def mapping(corpus: Corpus) -> Try:
    """Mapping files; those that load read a log."""
    logs = [
        path.read_bytes()[:20_000]
        for path in sorted((Path(read_bytes.__code__.co_filename).parents[1] / "samples").rglob("*"))
        if path.is_file()
    ]
    texts = [*corpus.mappings, *(log.decode(errors="replace") for log in logs if b"[reader]" in log)]

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        text = spoilt(rng, rng.choice(texts).encode()).decode(errors="replace")
        log = rng.choice(logs)

        def job() -> None:
            compiled = compile_mapping(text, "spoilt.toml")
            counts["loaded"] += 1
            for one in read_bytes(compiled, log, "log.csv", adapter="fuzz", station="s", modified=AT):
                counts[f"gave {one.statements[0].data.TYPE}"] += 1

        return text.encode() + log, job

    return one


def suggest(corpus: Corpus) -> Try:
    """Any file, to a mapping that loads."""
    logs = [
        path.read_bytes()[:20_000]
        for path in sorted((Path(read_bytes.__code__.co_filename).parents[1] / "samples").rglob("*"))
        if path.is_file()
    ]

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        samples = [(f"f{n}", spoilt(rng, rng.choice(logs))) for n in range(rng.randrange(1, 3))]

        def job() -> None:
            with contextlib.suppress(UsageError):  # a file spoilt to nothing
                compile_mapping(draft(samples, most=200_000), "suggested.toml")
                counts["suggested"] += 1

        return b"\n---\n".join(content for _, content in samples), job

    return one


def declarations(corpus: Corpus) -> Try:
    """Master data."""
    tables = (
        b"part;revision;valid_from;designator;component;side;x_mm;y_mm;rotation_deg;terminations\n"
        b"HW-1;B;2026-03-02;C1;C-100;top;10.5;20;90;2\nHW-2;;2026-03-02;C1;C-100;bottom;1;2;0;2\n",
        b"line,valid_from,station,kind,lanes,next,buffer,optional\nline-1,2026-03-02T06:00:00Z,print,printer,2,place-1,3,\n"
        b"line-1,2026-03-02T06:00:00Z,place-1,,,,,yes\n",
        b"material\tvalid_from\tkind\tmaker\tmaker_part\tmoisture_level\tfloor_life_h\nC-1\t2026-03-02\tcomponent\tA\tA-1\t3\t168\n",
    )
    document = {
        "valid_from": "2026-03-02",
        "lines": [{"line": "line-1", "stations": [{"name": "print", "links": [{"to": "aoi"}]}, {"name": "aoi"}]}],
        "parts": [{"number": "HW-1", "revision": "B", "marking": "x", "positions": [{"name": "1", "x_mm": 0, "y_mm": 0}],
                   "placement": [{"name": "C1", "part": {"number": "C-1"}, "side": "top", "x_mm": 1, "y_mm": 2}],
                   "limits": [{"name": "volume", "unit": "%", "lower": 50, "upper": 150}]}],
        "materials": [{"number": "C-1", "kind": "component", "moisture_level": "3"}],
    }  # fmt: skip
    toml = b'valid_from = 2026-03-02\n[[materials]]\nnumber = "C-1"\nfloor_life_h = 1.5\n[[parts]]\nnumber = "HW-1"\nmarking = "x"\n'

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        match rng.randrange(4):
            case 0:
                name, raw = "t.csv", spoilt(rng, rng.choice(tables))
            case 1:
                name, raw = "d.json", json.dumps(twisted(rng, document)).encode()
            case 2:
                name, raw = "d.json", spoilt(rng, json.dumps(document).encode())
            case _:
                name, raw = "d.toml", spoilt(rng, toml)

        def job() -> None:
            counts["declared"] += len(read(name, raw))

        return raw, job

    return one


def assertions(corpus: Corpus) -> Try:
    """Requests as a command leaves them beside the outbox."""
    origin = {"adapter": "desk", "time_means": "taken_in", "zone_basis": "stated"}
    data = {
        "claim": "visited", "who": "p-1", "why": "seen there", "station": "aoi", "happened": "2026-03-02T06:00:00Z",
        "origin": origin, "boards": [{"unit": "board", "identifiers": [{"kind": "board", "value": "B1", "how": "typed"}]}],
    }  # fmt: skip
    said = {"key": "k" * 20, "data": json.dumps(data), "asked": "2026-03-02T06:00:00+00:00"}

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        told = {**said, "data": json.dumps(twisted(rng, data))}
        if rng.random() < 0.5:
            told = {name: spoilt(rng, text.encode()).decode(errors="replace") for name, text in told.items()}
        if rng.random() < 0.1:
            told.pop(rng.choice(list(told)))

        def job() -> None:
            counts["asserted"] += len(taking(told, "desk").statements)

        return json.dumps(told).encode(), job

    return one


def tables(corpus: Corpus) -> Try:
    """Small files that commands and roles read."""
    folder = corpus.folder / "tables"
    folder.mkdir(exist_ok=True)

    def counted(path: Path) -> None:
        for row in _rows(path):
            _window(row, "count", UTC)

    count = b'[[count]]\nstation = "aoi"\nfrom = 2026-03-02T06:00:00Z\nto = "2026-03-02T07:00"\ncounted = 3\nlane = 1\n'
    kinds: tuple[tuple[str, bytes, Callable[[Path], object]], ...] = (
        ("apertures.csv", b"designator,termination,length,width,thickness\nR1,1,1.2,0.8,0.12\nR2,,2,1,0.1\n",
         lambda path: read_openings(path.read_text("utf-8"), path.name)),
        ("gauge.csv", b"appraiser,part,trial,value\nA,1,1,2.5\nA,1,2,2.6\nB,1,1,2.4\n",
         lambda path: trials_of_table(path.read_text("utf-8"), path.name)),
        ("counts.csv", b"station;from;to;counted;lane;counting\naoi;2026-03-02T06:00;2026-03-02T07:00;3;1;boards\n", counted),
        ("counts.toml", count, counted),
        (ACCESS, b'[{"login": "a", "publish": ["a/#"], "read": []}]', lambda path: read_access(path.parent)),
        ("tokens.json", b'[{"name": "a", "role": "reader", "hash": "00"}]', read_table),
    )  # fmt: skip

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        name, good, reading = rng.choice(kinds)
        raw = spoilt(rng, good)
        if name.endswith(".json") and rng.random() < 0.7:
            raw = json.dumps(twisted(rng, json.loads(good))).encode()
        path = folder / name
        path.write_bytes(raw)
        path.chmod(0o600)

        def job() -> None:
            try:
                reading(path)
            except UnicodeDecodeError:
                if name not in ("apertures.csv", "gauge.csv"):  # the command reads these as text itself
                    raise
            counts[f"read {name}"] += 1

        return raw, job

    return one


def record(corpus: Corpus) -> Try:
    """A record that was damaged, or made by somebody else."""
    path = corpus.folder / "foreign.db"

    def one(rng: random.Random, counts: Counter[str]) -> tuple[bytes, Callable[[], None]]:
        for old in corpus.folder.glob("foreign.*"):
            old.unlink()
        shutil.copyfile(corpus.record, path)
        spoil_database(rng, path)
        name = rng.choice(corpus.names)

        def answered(question: Callable[[], object]) -> None:
            try:
                question()
                counts["answers"] += 1
            except BridgeError as error:
                counts[type(error).__name__] += 1

        def job() -> None:
            reader = SqliteReader(path)
            try:
                for question in (
                    reader.head, reader.progress, reader.states, reader.refusals, reader.conflicts, reader.reused,
                    lambda: reader.after(0, 500), lambda: reader.commits(0, 10), lambda: reader.digest(1000),
                    lambda: reader.span(10**9), lambda: reader.siblings(range(1, 20)), lambda: list(reader.verify()),
                    lambda: board(open_with(SqliteReader(path), index_path(path)), name),
                ):  # fmt: skip
                    answered(question)
            finally:
                reader.close()

        return path.read_bytes(), job

    return one


TARGETS: dict[str, Callable[[Corpus], Try]] = {
    target.__name__: target
    for target in (
        events, messages, packets, cfx, paste, config, mapping, suggest, declarations, assertions, tables, record
    )
}  # fmt: skip


def tried(name: str, corpus: Corpus, minutes: float, seed: int, out: Path, log: Path | None) -> int:
    """Try one target until its time is over; the number of findings."""
    one, counts = TARGETS[name](corpus), Counter[str]()
    tries = findings = most = 0
    kept: set[str] = set()
    until = time.process_time() + minutes * 60
    while time.process_time() < until:
        tries += 1
        content, job = one(random.Random(f"{name}/{seed}/{tries}"), counts)
        try:
            most = max(most, watched(job, len(content)))
        except BridgeError as error:
            counts[type(error).__name__] += 1
        except Exception as error:
            findings += 1
            frame = traceback.extract_tb(error.__traceback__)[-1]
            kind = f"{type(error).__name__} at {frame.filename}:{frame.lineno}"
            if kind not in kept:
                kept.add(kind)
                out.mkdir(parents=True, exist_ok=True)
                (out / f"{name}-{seed}-{tries}.bin").write_bytes(content)
                (out / f"{name}-{seed}-{tries}.txt").write_text(traceback.format_exc(), encoding="utf-8")
                print(f"{name}: {kind}, try {tries}", flush=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    told = ", ".join(f"{count:,} {kind}" for kind, count in counts.most_common(6))
    print(
        f"{name}: seed {seed}, {tries:,} tries, {findings} findings of {len(kept)} kinds; at most {most / 2**20:.0f} MB a"
        f" try, {peak} MB the process; {told}",
        flush=True,
    )
    note(log, name, seed, tries, findings, most / 2**20)
    return findings


def main() -> int:
    """Exit code 1 with findings."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("target", choices=[*TARGETS, "all"], nargs="+")
    parser.add_argument(
        "--minutes", type=float, default=1.0, help="for each target; of this process, not of the wall"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("fuzz-findings"))
    parser.add_argument("--log", type=Path, help="append what it came to, as a JSON line")
    args = parser.parse_args()
    logging.disable()
    names = list(TARGETS) if "all" in args.target else args.target
    with tempfile.TemporaryDirectory() as folder:
        corpus = Corpus(Path(folder))
        tracemalloc.start()
        found = [tried(name, corpus, args.minutes, args.seed, args.out, args.log) for name in names]
    return 1 if any(found) else 0


if __name__ == "__main__":
    sys.exit(main())

"""From bytes to takings: any bytes, any encoding, any size; nothing but takings comes out."""

import contextlib
import gzip
import hashlib
import tracemalloc
from typing import Any

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st
from logs_reading import MODIFIED, mapping, reading, rows, takings

from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.adapter.content import (
    ContentTooLarge,
    Unfinished,
    decompressed,
    generation_of,
    plain_name,
)
from broker_bridge.events.envelope import Event
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import EVENT_TYPES, dump_event, parse_event, schema_uri

GROUPED = """
name = "grouped"
revision = 3
zone = "Europe/Berlin"
[reader]
kind = "delimited"
encoding = "ENCODING"
delimiter = ";"
max_record_bytes = 256
records = [{ kind = "head", layout = "pairs" }, { kind = "pad", header = true, columns = ["Pos", "Vol"] }]
[group]
per = "file"
holds = ["head"]
[fields.head]
time = { column = "Time", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end" }
[fields.pad]
pos = { column = "Pos", type = "integer" }
vol = { column = "Vol", type = "number" }
[[event]]
type = "reading.paste_measured"
time = "$time"
[event.block]
each = "pad"
columns = { pos = "$pos", volume = "$vol" }
"""

ROWS = [
    mapping(rows()),
    mapping(rows().replace("utf-8", "utf-16")),
    mapping(rows().replace("utf-8", "cp932")),
]
BLOCKS = [mapping(GROUPED.replace("ENCODING", name)) for name in ("utf-8", "utf-16-le", "cp1252")]

pieces = st.sampled_from(
    ["Time;2026-03-02 06:00:00\n", "Pos;Vol\n", "1;98.5\n", "2026-03-02 06:00:00;B1;OK\n", "2026-10-25 02:30:00;B1;NG\n",
     "9999-12-31 23:59:59;B1;OK\n", "0001-01-01 00:00:00;B1;OK\n", "1;1e308\n", "1;-0\n", "999999999999999999;1\n",
     ";;\n", '"\n', '1;"x\n', "\ufeff", "\x00", "\r\n", "é;ü;ß\n", "x" * 300 + "\n", "\U0001f600;1;2\n"]
)  # fmt: skip


def checked(found: Any, content: bytes) -> None:
    """Every taking can be sent and read back, is in a place of its own, and names bytes of the content."""
    seen = set()
    for taking in found:
        assert 0 <= taking.position <= len(content)
        assert taking.position not in seen, "a record has one taking"
        seen.add(taking.position)
        for ordinal, statement in enumerate(taking.statements):
            kind = statement.data.TYPE
            event = EVENT_TYPES[kind].model_validate(
                {
                    "id": str(EventId(taking.generation, taking.position, ordinal, taking.revision)),
                    "source": "/site/area/line/test",
                    "type": kind,
                    "subject": statement.subject,
                    "time": statement.time,
                    "dataschema": schema_uri(kind),
                    "recordedtime": MODIFIED,
                    "sequence": "1".zfill(20),
                    "epoch": "1".zfill(20),
                    "rawname": taking.rawname,
                    "data": statement.data,
                }
            )
            assert isinstance(event, Event)
            assert parse_event(dump_event(event)) == event
            raw = statement.data.origin.raw
            assert raw is not None
            assert raw.archived == hashlib.sha256(content).hexdigest()
            assert statement.data.origin.events == len(taking.statements)


@given(
    st.lists(pieces, max_size=20).map("".join),
    st.sampled_from(ROWS + BLOCKS),
    st.sampled_from(["utf-8", "utf-16", "cp932"]),
)
def test_any_text_gives_takings_and_nothing_else(text: str, compiled: Any, encoding: str) -> None:
    content = text.encode(encoding, "replace")
    checked(takings(compiled, content), content)


@given(st.binary(max_size=400), st.sampled_from(ROWS + BLOCKS))
def test_any_bytes_give_takings_and_nothing_else(content: bytes, compiled: Any) -> None:
    checked(takings(compiled, content), content)


def test_a_binary_file_gives_a_few_rejections() -> None:
    content = bytes(range(256)) * 4000
    found = takings(rows(), content)
    assert 0 < len(found) < 100
    assert sum(t.statements[0].data.origin.raw.size for t in found) == len(content)  # type: ignore[union-attr]


def test_memory_does_not_grow_with_the_number_of_records() -> None:
    """Beside the content itself: records are read and given one by one."""
    compiled = mapping(rows())
    line = b"2026-03-02 06:00:00;B1;OK\n"

    def peak(count: int) -> int:
        content = line * count
        tracemalloc.start()
        for _ in read_bytes(compiled, content, "a.csv", adapter="test", modified=MODIFIED):
            pass
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return top

    peak(100)
    assert peak(5_000) < 2 * peak(1_500)
    assert peak(5_000) < 2 * 2**20


@pytest.mark.parametrize(
    "pack", [lambda raw: raw, gzip.compress, zstandard.compress], ids=["plain", "gzip", "zstd"]
)
def test_content_is_unpacked_up_to_a_limit(pack: Any) -> None:
    raw = bytes(range(256)) * 1000
    assert decompressed(pack(raw), len(raw)) == raw
    with pytest.raises(ContentTooLarge):
        decompressed(pack(raw), len(raw) - 1)


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.compress], ids=["gzip", "zstd"])
def test_compressed_content_that_ends_early_or_is_damaged_is_unfinished(pack: Any) -> None:
    packed = pack(bytes(range(256)) * 1000)
    for cut in (6, len(packed) // 2, len(packed) - 1):
        with pytest.raises(Unfinished):
            decompressed(packed[:cut], 10**6)
    assert decompressed(pack(b"a") + pack(b"b"), 10) == b"ab", "members joined, as tools write them"


@given(st.binary(max_size=60), st.sampled_from([b"", b"\x1f\x8b\x08", b"\x28\xb5\x2f\xfd"]))
def test_any_bytes_unpack_or_say_why_not(data: bytes, magic: bytes) -> None:
    with contextlib.suppress(ContentTooLarge, Unfinished):
        decompressed(magic + data, 10**6)


def test_names_lose_their_compression() -> None:
    assert [plain_name(name) for name in ("a.csv.gz", "a.csv.ZST", "a.gz.csv", "gz")] == [
        "a.csv",
        "a.csv",
        "a.gz.csv",
        "gz",
    ]


def test_a_generation_is_a_hash_of_the_content_and_of_what_is_used_of_the_name() -> None:
    digest = hashlib.sha256(b"x").hexdigest()
    assert reading(rows(), b"x").generation == digest[:32]
    assert generation_of(digest, {"a": "1", "b": "2"}) == generation_of(digest, {"b": "2", "a": "1"})
    assert generation_of(digest, {"a": "1"}) != generation_of(digest, {"a": "2"})

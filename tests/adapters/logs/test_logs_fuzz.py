"""The fuzzer of tools/fuzz for a few seconds: no reader or mapping gives anything but records and errors of ours."""

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "tools" / "fuzz"))

from fuzz_logs import MODIFIED, READERS, TABLE, dialects, mutated, tried

from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.adapters.logs.protocol.readers import READERS as ALL
from broker_bridge.adapters.logs.protocol.record import digest_of
from broker_bridge.adapters.logs.protocol.settings import ReaderSettings

DIALECTS = dialects()


@pytest.mark.parametrize(("name", "mapping", "contents"), DIALECTS, ids=[name for name, _, _ in DIALECTS])
def test_mutated_contents_give_records_or_errors_of_ours(
    name: str, mapping: object, contents: list[bytes]
) -> None:
    rng = random.Random(name)
    for _ in range(60):
        table = mutated(rng, TABLE)
        companion = CompanionFile("reels", digest_of(table), MODIFIED, table)
        tried(mapping, mutated(rng, rng.choice(contents)), [companion])  # type: ignore[arg-type]


def test_every_reader_is_tried_and_its_content_is_read() -> None:
    kinds: set[type[ReaderSettings]] = {type(mapping.file.reader) for _, mapping, _ in DIALECTS}
    assert kinds == set(ALL)
    for name, mapping, (content, *_) in DIALECTS:
        found = tried(mapping, content, [])
        if name in READERS:
            assert found["board.departed"] >= 1, name


@pytest.mark.parametrize(
    "encoding", ["UQF-8", "rot13", "hex", "undefined", "utf-7", "idna", "shift_jis", "big5"]
)
def test_an_xml_encoding_that_cannot_be_read_is_refused(encoding: str) -> None:
    """Found by the fuzzer."""
    (mapping,) = [mapping for name, mapping, _ in DIALECTS if name == "xml"]
    content = f'<?xml version="1.0" encoding="{encoding}"?><run><board><code>B\x811</code></board></run>'
    assert set(tried(mapping, content.encode("latin-1"), [])) <= {"source.rejected", "board.departed"}

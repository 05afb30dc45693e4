"""What a mapping, as it is now, makes of a file: the words of `preview`, nothing is written. And how it reads one."""

from datetime import datetime
from typing import Final

from broker_bridge.config import FilesAdapter
from broker_bridge.errors import BridgeError
from broker_bridge.web.pages.raw_place import Layout

_FIRST: Final = 8
_REJECTED: Final = 20
_WIDTH: Final = 110


def layout(adapter: FilesAdapter) -> Layout:
    """How the adapter's mapping reads its files, as far as it says; nothing of a mapping that does not load."""
    from broker_bridge.adapters.logs import load_mapping
    from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited
    from broker_bridge.adapters.logs.protocol.quoting import BLANKS

    try:
        reader = load_mapping(adapter.mapping).file.reader
    except BridgeError:
        return Layout()
    sign = reader.delimiter if isinstance(reader, Delimited) and reader.delimiter != BLANKS else None
    return Layout(getattr(reader, "encoding", None), sign)  # XML states its own in each document


def trial(adapter: FilesAdapter, name: str, raw: bytes, now: datetime) -> tuple[str, ...]:
    """Lines as the terminal has them. Raises ConfigError for a mapping that does not load, UsageError for what cannot be read."""
    from broker_bridge.adapters.logs import load_mapping
    from broker_bridge.adapters.logs.adapter.companions import CompanionFolder
    from broker_bridge.adapters.logs.adapter.content import (
        Unreadable,
        decompressed,
        plain_name,
    )
    from broker_bridge.adapters.logs.adapter.folder import Folder
    from broker_bridge.adapters.logs.adapter.observed import ObservedReading
    from broker_bridge.adapters.logs.adapter.reading import shown
    from broker_bridge.adapters.logs.mapping.takings import Place
    from broker_bridge.adapters.logs.preview.statistics import Statistics
    from broker_bridge.errors import UsageError
    from broker_bridge.words.preview import words

    mapping = load_mapping(adapter.mapping)
    statistics = Statistics(
        mapping,
        adapter.mapping.read_text(encoding="utf-8"),
        adapter.mapping.name,
        shown=_FIRST,
        rejected_shown=_REJECTED,
    )
    called = shown(name)
    try:
        content = decompressed(raw, int(adapter.max_file_mb * 1_000_000))
    except Unreadable as error:
        raise UsageError(f"{called}: {error}") from None
    companions = []
    if mapping.lookups:
        files = Folder(adapter.folder, "*", None)
        beside = CompanionFolder(mapping, files, int(adapter.max_file_mb * 1_000_000))
        beside.take_out(files.list())
        companions = beside.of(plain_name(called))
    statistics.begin(called, content)
    place = Place(adapter.name, adapter.station, adapter.equipment, adapter.lane)
    reading = ObservedReading(mapping, content, called, place=place, modified=now, companions=companions)
    reading.observer = statistics.record
    for taking in reading:
        statistics.taking(taking)
    statistics.end(reading.generation, reading.counters, complete=reading.complete)
    return tuple(words(statistics.view(), _WIDTH))

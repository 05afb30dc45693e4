"""Paste values come back as they were measured, or not at all."""

from pathlib import Path

import pytest
from memory_store import MemoryStore
from told import Told, board, recorded

from broker_bridge.errors import RecordDamaged
from broker_bridge.events.columns import block_hash, pack_numbers, pack_texts
from broker_bridge.queries.boards import board as ask
from broker_bridge.queries.paste import paste
from broker_bridge.queries.record import Record, open_with

VOLUMES = [101.5, None, 98.25]
COLUMNS = (pack_texts("designator", ["R1", "R1", "U7"]), pack_numbers("volume", VOLUMES, "%"))


def measured(folder: Path, block: str, pads: int = 3) -> Record:
    told = Told()
    told.inspects("spi", "10:00:00", "10:00:20", board("A"), method="paste", position=1, events=2)
    told.say(
        "reading.paste_measured", "10:00:20", board("A"), station="spi", pads=pads, block=block, columns=COLUMNS,
        position=1, ordinal=1, events=2,
    )  # fmt: skip
    store = MemoryStore()
    recorded(store, told.facts)
    return open_with(store.reader, folder / "i.db")


def test_values_come_back_exactly_with_their_units(tmp_path: Path) -> None:
    record = measured(tmp_path, block_hash(COLUMNS))
    (values,) = paste(record, ask(record, "A"))
    assert values.columns == {"designator": ["R1", "R1", "U7"], "volume": VOLUMES}
    assert values.units == {"volume": "%"}
    assert (values.inspection.station, values.evidence.id) == ("spi", "gen.1.1.1")
    record.close()


@pytest.mark.parametrize(
    ("block", "pads", "told"), [("0" * 64, 3, "hash"), (block_hash(COLUMNS), 4, "4 pads")]
)
def test_a_block_that_is_not_what_it_says_is_not_used(
    tmp_path: Path, block: str, pads: int, told: str
) -> None:
    record = measured(tmp_path, block, pads)
    with pytest.raises(RecordDamaged, match=told):
        list(paste(record, ask(record, "A")))
    record.close()


def test_a_board_without_paste_has_none(tmp_path: Path) -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:20", board("A"))
    store = MemoryStore()
    recorded(store, told.facts)
    record = open_with(store.reader, tmp_path / "i.db")
    assert list(paste(record, ask(record, "A"))) == []
    record.close()

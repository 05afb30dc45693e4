"""Writes record-v1.db as version 1 of the schema did. Not to be run again once version 2 is released.

PYTHONPATH=.:tests python tests/store/data/make_record_v1.py
"""

import asyncio
import itertools
from pathlib import Path

from contracts.arrivals import EPOCH, SOURCE, arrival, gap, run_of
from contracts.store_contract import refusal

from broker_bridge.store.base import Heard
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader


async def main(target: Path) -> None:
    work = target.with_suffix(".work")
    store = await SqliteStore.open(work, "record", now=itertools.count(1_790_000_000_000_000).__next__)
    await store.commit(run_of(1, 5))
    await store.commit([arrival(6, position=100, board="HW-OTHER")])
    await store.commit([arrival(10, data=gap(EPOCH, 7, 8))])
    await store.commit([arrival(9), arrival(2, generation="twin")], heard=[Heard(SOURCE, EPOCH, 12, b"{}")])
    await store.commit(refusals=[refusal()])
    await store.close()
    target.unlink(missing_ok=True)
    reader = SqliteReader(work)
    reader.backup(target)
    reader.close()
    for name in (work.name, work.name + ".mark", work.name + ".lock"):
        work.with_name(name).unlink()


if __name__ == "__main__":
    asyncio.run(main(Path(__file__).with_name("record-v1.db")))

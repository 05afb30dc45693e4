"""The record in memory."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from contracts.store_contract import Driven, StoreContract
from memory_store import MemoryStore


async def opened() -> MemoryStore:
    return MemoryStore()


class TestMemoryStore(StoreContract):
    @pytest.fixture
    def driven(self, tmp_path: Path) -> Iterator[Driven]:
        driven = Driven(opened(), lambda writer: writer.reader)
        yield driven
        driven.close()

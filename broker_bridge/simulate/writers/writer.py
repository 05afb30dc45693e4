"""What a dialect is: records of one machine in, the text of a file out."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from broker_bridge.simulate.clocks import MachineClock
from broker_bridge.simulate.model.records import Statement

Clocks = Mapping[str, MachineClock]
"""The clock of each station."""


@dataclass(frozen=True, slots=True)
class Written:
    """What one record becomes: a file of its own, or the next lines of a log that grows.

    `header` starts every new file of a growing log; a file of its own has it in `data`.
    """

    name: str
    data: bytes
    growing: bool
    header: bytes = b""


class Writer(Protocol):
    """A dialect. One instance a station: it may count its files."""

    def write(self, record: Statement, clocks: Clocks) -> Written: ...

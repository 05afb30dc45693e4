"""What a kind of fault is to a campaign."""

import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ClassVar

from plant import BROKERS, Plant, Way
from roles import Habits


class Kind:
    """One kind of fault. Its docstring's first line stands in the result table."""

    brokers: ClassVar[tuple[str, ...]] = BROKERS
    each: ClassVar[int] = 10
    """Rounds in one life of a plant, unless told otherwise."""

    sweep: ClassVar[bool] = False
    """The seed is the number of the operation that fails: seeds follow each other until a life without a hit."""

    def __init__(self, folder: Path, broker: str, seed: int, short: bool) -> None:
        """`short`: as the test suite runs it, in seconds."""
        self.folder = folder
        self.broker = broker
        self.seed = seed
        self.chance = random.Random(f"{type(self).__name__} {broker} {seed}")
        self.short = short

    @contextmanager
    def ready(self) -> Iterator[Way]:
        """Make what the plant is built with."""
        yield Way(habits=Habits(hurried=self.short))

    def strike(self, plant: Plant) -> None:
        """One round: machines work, something is struck."""
        raise NotImplementedError

    def ended(self, plant: Plant) -> None:
        """After the last round: the plant has to recover without a hand."""
        plant.finish(online=not self.short)

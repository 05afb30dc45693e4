"""Power cuts: everything that was not synced is gone, of record, outbox, archive and the broker's own store."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from disk import Mounted
from kind import Kind
from plant import ROLES, Plant, Way
from roles import Habits


class Power(Kind):
    """power cut of the whole machine: unsynced writes forgotten, torn or kept as it comes"""

    each = 5

    @contextmanager
    def ready(self) -> Iterator[Way]:
        """Everything of ours on the forgetful disk; a strict one in every other life."""
        folder = self.folder / "disk"
        with Mounted(folder, self.folder / "disk.log", self.seed, strict=self.seed % 2 == 0) as self._disk:
            yield Way(
                habits=Habits(any_disk=True),
                data=folder / "data",
                store=folder / "broker",
                # The machine's file is gone once the edge has it: then nothing could be read again.
                after="delete",
            )

    def strike(self, plant: Plant) -> None:
        """Cut the power at any moment, and hold the receipts that were given against the record that is left."""
        plant.work(self.chance.randint(5, 60))
        time.sleep(self.chance.uniform(0.05, 0.6 if self.short else 1.5))
        if self.chance.random() < 0.5:
            plant.work(self.chance.randint(1, 20))
        for name in ("broker", *ROLES):
            plant.victim(name).kill()
        self._wait_gone(plant)
        _, receipted = plant.outbox()
        self._disk.lose_power(gently=self.chance.random() < 0.3)
        plant.struck("power cut")
        recorded = {
            event["data"]["program"]["name"] for event in plant.events() if "program" in event["data"]
        }
        lacking = sorted(receipted - recorded)
        plant.expect("receipted before the power cut", not lacking, f"not in the record: {lacking[:5]}")
        plant.receipted_at_cuts += len(receipted)
        plant.start("broker", *ROLES)

    def _wait_gone(self, plant: Plant) -> None:
        """The embedded broker's program ends a moment after its role."""
        pid = plant.server_pid()
        deadline = time.monotonic() + 20
        while pid is not None and Path(f"/proc/{pid}").exists() and time.monotonic() < deadline:
            time.sleep(0.01)

"""Power cuts: everything that was not synced is gone, of record, outbox, archive and the broker's own store."""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from brokers import alive, until
from disk import Mounted
from kind import Kind
from plant import ROLES, Plant, Way
from roles import Habits

from broker_bridge.bus import kept_store


class Power(Kind):
    """power cut of the whole machine: unsynced writes forgotten, torn or kept as it comes"""

    each = 5

    @contextmanager
    def ready(self) -> Iterator[Way]:
        """Everything of ours on the forgetful disk; a strict one in every other life."""
        folder = self.folder / "disk"
        self._boot = self.folder / "boot_id"
        self._boot.write_text("boot 0\n", encoding="ascii")
        with Mounted(folder, self.folder / "disk.log", self.seed, strict=self.seed % 2 == 0) as self._disk:
            yield Way(
                habits=Habits(any_disk=True, hurried=self.short, before=self._in_this_boot),
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
            until(lambda: plant.outbox()[1], 30, "a receipt")
            plant.work(self.chance.randint(1, 20))
        for name in ("broker", *ROLES):
            plant.victim(name).freeze()
        self._kill_program(plant)
        for name in ("broker", *ROLES):
            plant.victim(name).kill()
        _, receipted = plant.outbox()
        self._boot.write_text(f"boot {sum(plant.strikes.values()) + 1}\n", encoding="ascii")
        self._disk.lose_power(gently=self.chance.random() < 0.3)
        plant.struck("power cut")
        recorded = {
            event["data"]["program"]["name"] for event in plant.events() if "program" in event["data"]
        }
        lacking = sorted(receipted - recorded)
        plant.expect("receipted before the power cut", not lacking, f"not in the record: {lacking[:5]}")
        plant.receipted_at_cuts += len(receipted)
        plant.start("broker", *ROLES)

    def _in_this_boot(self) -> None:
        """The kernel gives each start of a machine a name; ours gives one to each power cut."""
        kept_store.BOOT_ID = self._boot  # type: ignore[misc]

    def _kill_program(self, plant: Plant) -> None:
        """The embedded broker's own program: when its role has died it would end in order, and sync."""
        pid = plant.server_pid()
        if pid is None:
            return
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        until(lambda: not alive(pid), 20, "the broker's program is gone")

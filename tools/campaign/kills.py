"""Every role, and the broker, killed with -9 or frozen, at any moment of its life."""

import os
import signal
import time
from typing import Final

from kind import Kind
from plant import Plant

VICTIMS: Final = ("broker", "recorder", "edge", "projector")
WEIGHTS: Final = (3, 4, 4, 1)


class Kills(Kind):
    """kill -9 or SIGSTOP of broker, recorder, edge or projector"""

    each = 25

    def strike(self, plant: Plant) -> None:
        """One kill or freeze: while a role starts, at work, or while another one is away."""
        chance, short = self.chance, self.short
        plant.work(chance.randint(2, 10))
        (name,) = chance.choices(VICTIMS, WEIGHTS)
        victim = plant.victim(name)
        time.sleep(chance.uniform(0.0, 0.1 if short else 0.5))
        if chance.random() < 0.25:
            victim.freeze()
            plant.struck(f"freeze {name}")
            # Longer than the embedded broker waits before it delivers again.
            time.sleep(
                chance.uniform(0.05, 0.2) if short else chance.choice((0.1, 0.5, 1.0, 6.0)) * chance.random()
            )
            victim.thaw()
            return
        if name == "broker" and chance.random() < 0.3 and (pid := plant.server_pid()) is not None:
            plant.struck("kill broker's program")
            try:
                os.kill(pid, signal.SIGKILL)  # its role has to start it again
            except ProcessLookupError:
                return
            return
        victim.kill()
        plant.struck(f"kill {name}")
        if chance.random() < 0.3:
            plant.work(3)
            time.sleep(chance.uniform(0.0, 0.1 if short else 0.6))
        victim.start()
        while chance.random() < 0.15:
            time.sleep(chance.uniform(0.0, 0.2))
            victim.kill()
            plant.struck(f"kill starting {name}")
            victim.start()
        plant.revive()
        victim.wait_ready()

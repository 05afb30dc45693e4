"""What is kept is stalled, put back from a backup, or gone: record and outbox; and clocks that step."""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime

from brokers import until
from kind import Kind
from plant import Plant, Way
from roles import Habits

from broker_bridge.queries.keeping import back_up, put_back


def _url(plant: Plant) -> str:
    return f"sqlite:////{str(plant.record).lstrip('/')}"


class Stall(Kind):
    """the store takes nothing for 60 s: another process holds the record's write lock"""

    each = 1

    def strike(self, plant: Plant) -> None:
        """Hold the lock while machines go on; look at what is said."""
        plant.work(20)
        until(lambda: plant.count() > 5, 30, "something recorded")
        seconds = 3.0 if self.short else 60.0
        with closing(sqlite3.connect(plant.record, isolation_level=None, timeout=30)) as other:
            other.execute("BEGIN IMMEDIATE")
            held = plant.count()
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                plant.work(5)
                time.sleep(0.25)
            told = [one for one in plant.states().values() if "record" in one]
            plant.expect("store stalled", plant.count() == held, "the record grew although its lock was held")
            plant.expect(
                "store stalled",
                any(one.get("condition") == "waiting" for one in told),
                f"the record says {told}",
            )
            other.execute("ROLLBACK")
        plant.struck(f"stalled for {seconds:.0f} s")


class Restored(Kind):
    """the record is put back from a backup made while it was written"""

    each = 3

    def strike(self, plant: Plant) -> None:
        """Back up, go on, lose the record, put the backup in its place."""
        plant.work(self.chance.randint(10, 60))
        until(lambda: plant.count() > 0, 30, "something recorded")
        backup = self.folder / f"backup-{sum(plant.strikes.values())}.db"
        back_up(_url(plant), backup)
        plant.work(self.chance.randint(10, 80))
        time.sleep(self.chance.uniform(0.2, 1.0 if self.short else 3.0))
        plant.victim("recorder").kill()
        plant.victim("projector").kill()
        put_back(backup, _url(plant), now=datetime.now(UTC))
        plant.struck("restored")
        plant.work(self.chance.randint(0, 20))
        plant.start("recorder", "projector")
        time.sleep(1.1)  # what was there is set aside under a name that counts seconds


class OutboxLost(Kind):
    """the outbox is gone while it holds what no record has; files that were taken in are deleted"""

    each = 3

    @contextmanager
    def ready(self) -> Iterator[Way]:
        """In every other life the machine's files are gone once they are taken in."""
        yield Way(habits=Habits(hurried=self.short), after="delete" if self.seed % 2 else "leave")

    def strike(self, plant: Plant) -> None:
        """Let events wait behind a dead broker or recorder, kill the edge, take its outbox away, at times its clock too."""
        plant.work(self.chance.randint(10, 40))
        for machine in (plant.dropper, plant.logger):
            machine.work(3)
        until(
            lambda: {plant.dropper.source, plant.logger.source} <= plant.heard(), 30, "both sources are known"
        )
        stopped = self.chance.choice(("broker", "recorder", None))
        if stopped is not None:
            plant.victim(stopped).kill()
        plant.work(self.chance.randint(5, 30))
        time.sleep(self.chance.uniform(0.2, 0.8))
        edge = plant.roles["edge"]
        edge.kill()
        held, receipted = plant.outbox()
        # Where its list of epochs goes too, nothing but a record can know that there was one.
        everything = self.chance.random() < 0.3 and plant.knows_epochs({epoch for epoch, _ in held.values()})
        for path in plant.data.glob("outbox.db*"):
            if everything or path.suffix != ".epochs":
                path.unlink()
        plant.struck(f"outbox lost, {stopped or 'nothing else'} away")
        plant.lose(held, receipted)
        if everything:
            edge.clock.step(0)  # with the list gone and a clock behind there is an alarm, and no gap
        elif self.chance.random() < 0.25:
            edge.clock.step(-3600 * (1 + sum(plant.strikes.values())))
            plant.struck("clock back at the birth of the next")
        plant.start(*([stopped] if stopped else []), "edge")

    def ended(self, plant: Plant) -> None:
        """With a right clock again."""
        plant.roles["edge"].clock.step(0)
        super().ended(plant)


class Clocks(Kind):
    """the wall clocks of edge and recorder step forth and back by seconds to years"""

    each = 8

    def strike(self, plant: Plant) -> None:
        """Step one clock; at times kill its role as well, so that it starts in another time."""
        plant.work(self.chance.randint(5, 30))
        name = self.chance.choice(("edge", "recorder"))
        role = plant.roles[name]
        role.clock.step(
            self.chance.choice((-1, 1)) * self.chance.choice((2, 3600, 86_400, 30 * 86_400, 400 * 86_400))
        )
        plant.struck(f"step {name}")
        time.sleep(self.chance.uniform(0.1, 0.5))
        if self.chance.random() < 0.3:
            role.kill()
            plant.struck(f"kill {name}")
            plant.start(name)

    def ended(self, plant: Plant) -> None:
        """With right clocks again."""
        for role in plant.roles.values():
            role.clock.step(0)
        super().ended(plant)

"""Between roles and broker: half-open connections, a broker that forgets, lost sessions, a second client of one name."""

import asyncio
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from brokers import alive, until
from kind import Kind
from plant import SITE, Plant, Way
from proxy import Proxy
from roles import Habits

from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.topics import Topics
from broker_bridge.edge.forwarder import receipt_filters
from broker_bridge.errors import BridgeError
from broker_bridge.recorder.recorder import filters


class _Proxied(Kind):
    @contextmanager
    def ready(self) -> Iterator[Way]:
        """The roles reach the broker through a proxy, and do not wait long for a silent one."""
        with Proxy(self.folder / "proxy.log", self.seed) as self.proxy:
            yield Way(habits=Habits(keepalive_s=2, hurried=self.short), through=self.proxy.listen)


class Cuts(_Proxied):
    """connections cut, closed, slowed, or half open: sent into a hole that no side hears of"""

    each = 10

    def strike(self, plant: Plant) -> None:
        """One of them while machines work."""
        plant.work(self.chance.randint(5, 40))
        time.sleep(self.chance.uniform(0.0, 0.3))
        what = self.chance.choices(("cut", "close", "slow", "hole"), (3, 2, 1, 2))[0]
        plant.struck(what)
        self.proxy.order(what, seconds=0.05)
        if what in ("slow", "hole"):
            plant.work(self.chance.randint(5, 40))
            # A hole is noticed after one and a half keepalives; some end before that.
            time.sleep(self.chance.uniform(0.2, 1.0) if self.short else self.chance.uniform(0.5, 8.0))
        self.proxy.order("heal")


class Forgets(_Proxied):
    """a broker that acknowledges events and forgets them"""

    each = 5

    def strike(self, plant: Plant) -> None:
        """Deceive for a while."""
        self.proxy.order("swallow", share=self.chance.choice((0.1, 0.5, 1.0)))
        plant.work(self.chance.randint(10, 40))
        time.sleep(self.chance.uniform(0.2, 0.6) if self.short else self.chance.uniform(0.5, 20.0))
        plant.struck("deceived for a while")
        counts = self.proxy.order("heal")
        plant.strikes["publishes acknowledged and forgotten"] = counts.get("acknowledged and forgotten", 0)
        plant.work(2)


class Sessions(Kind):
    """the broker is killed and comes back without any session, queue or retained message"""

    each = 5

    def strike(self, plant: Plant) -> None:
        """Kill it, lose its store, look at what `check` says, start it again."""
        plant.work(self.chance.randint(5, 40))
        time.sleep(self.chance.uniform(0.0, 0.5))
        plant.broker.kill()
        pid = plant.server_pid()
        until(lambda: pid is None or not alive(pid), 20, "the broker's program is gone")
        plant.struck("session lost")
        if self.chance.random() < (1.0 if self.short else 0.3):
            said = plant.check()
            plant.expect("broker dead", any(one.level == "unreachable" for one in said), f"check says {said}")
        for path in plant.store.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        plant.work(self.chance.randint(0, 10))
        plant.start("broker")


class Twins(Kind):
    """a second client under the client id of recorder or edge, which takes its session and its messages"""

    each = 3

    def strike(self, plant: Plant) -> None:
        """Let it connect again and again, read and acknowledge what is meant for the other, for a while."""
        plant.work(self.chance.randint(5, 30))
        victim = self.chance.choice(("record", "edge"))
        clean = self.chance.random() < 0.5
        topics = Topics(plant.settings.plant.topic_root)
        ours = (
            filters(topics)
            if victim == "record"
            else receipt_filters(
                topics, [plant.dropper.source, plant.logger.source], plant.settings.record.name
            )
        )
        seconds = self.chance.uniform(1.0, 2.0) if self.short else self.chance.uniform(2.0, 15.0)
        stolen = asyncio.run(_impersonate(plant, f"{SITE}-{victim}", ours, clean, seconds))
        plant.struck(f"second {victim}")
        plant.strikes["messages stolen"] = plant.strikes.get("messages stolen", 0) + stolen
        plant.work(3)


async def _impersonate(plant: Plant, client_id: str, ours: list[str], clean: bool, seconds: float) -> int:
    stolen = 0
    deadline = time.monotonic() + seconds
    twin = Client(
        host="127.0.0.1",
        port=plant.broker_port,
        client_id=client_id,
        clean=clean,
        filters=ours,
        back_off=(0.1, 0.5),
    )
    async with twin:
        while time.monotonic() < deadline:
            plant.work(2)
            with suppress(BridgeError):
                while (message := await twin.next(0.2)) is not None:
                    stolen += not message.retain
                    twin.ack([message])
    return stolen

"""A small plant to be struck: two machines, a broker, the roles, and what can be read of them from outside."""

import asyncio
import json
import os
import random
import time
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple

from brokers import Mosquitto, free_port, until
from checker import Gap, Number, Order, Recorded, Verdict, Written, in_order, judge
from machines import MAPPING, Dropper, Logger
from roles import Habits, Role, RoleEnded, ending

from broker_bridge.bootstrap import connect
from broker_bridge.bus.topics import Topics
from broker_bridge.config import Settings, load
from broker_bridge.db import open_reader
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import KIND, place
from broker_bridge.errors import BridgeError, NotFound, StoreUnavailable
from broker_bridge.health.checkup import checkup
from broker_bridge.health.finding import Finding
from broker_bridge.projector.schema import index_path
from broker_bridge.store.sqlite_reader import SqliteReader

SITE: Final = "harbour-works"
ROLES: Final = ("recorder", "edge", "projector")
BROKERS: Final = ("embedded", "mosquitto")
MEMORY_KB: Final = 400_000
"""No role may ever need more: what waits has to wait on disk."""
LEVELS: Final = ("problem", "unreachable", "damaged")


class Untrue(NamedTuple):
    """A role, `check` or a state said something that was not so."""

    when: str
    said: str


class Way(NamedTuple):
    """What differs between campaigns in how the plant is built."""

    habits: Habits = Habits()
    data: Path | None = None
    """Folder of record, outbox and archive, when not below the plant's own."""
    through: Callable[[int], int] | None = None
    """Gives the port of a proxy before the broker's port: the roles connect there."""
    after: str = "leave"
    """What the edge does with a dropped file that is safe."""
    ceiling_mb: float = 4096
    settings: str = ""
    """Further lines for [edge]."""
    store: Path | None = None
    """Folder of the broker's own data, when not below the plant's own."""
    may_end: bool = False
    """A role may end by itself and is then started again, as a service manager does."""


class Plant:
    """Folder, machines, broker and roles. Use as `with Plant(...) as plant`; all end with the block."""

    def __init__(self, folder: Path, broker: str, chance: random.Random, way: Way) -> None:
        self.folder = folder
        self.chance = chance
        self.kind = broker
        self.way = way
        self.data = way.data or folder / "data"
        self.untrue: list[Untrue] = []
        self.strikes: dict[str, int] = {}
        self.receipted_at_cuts = 0
        """Receipts that were held against the record right after a power cut."""
        self.lost_epochs: set[int] = set()
        self._gone: dict[str, tuple[int, int]] = {}
        self.stated: set[str] = set()
        """Truth ids that the record lacks and that a stated gap covers."""
        self.acknowledged: set[str] = set()
        self.given: dict[Number, bytes] = {}
        """All that was ever seen in an outbox."""
        self.dropper = Dropper(folder / "drop", f"/{SITE}/smt/line-1/drop-files", chance)
        self.logger = Logger(folder / "logs", f"/{SITE}/smt/line-1/log-files", chance)
        self.sources = (self.dropper.source, self.logger.source)
        (folder / "mapping.toml").write_text(MAPPING, encoding="utf-8")
        self.broker: Mosquitto | Role
        own = folder / "broker.toml"
        self.store = way.store or folder / "broker"
        if broker == "mosquitto":
            self.broker = Mosquitto(folder / "mosquitto", self.store)
            self._configure(own, f'kind = "external"\nport = {self.broker.port}')
        else:
            self._configure(own, f"port = {free_port()}\nstore = {json.dumps(str(self.store))}")
            self.broker = Role("broker", own, folder / "broker.log", way.habits)
        self.broker_port = load(own).broker.port
        self.config = folder / "plant.toml"
        port = self.broker_port if way.through is None else way.through(self.broker_port)
        self._configure(self.config, f'kind = "external"\nport = {port}')
        self.roles = {name: Role(name, self.config, folder / f"{name}.log", way.habits) for name in ROLES}
        self.settings: Settings = load(self.config)

    def _configure(self, path: Path, broker: str) -> None:
        adapters = "".join(
            f"""
[[adapters]]
kind = "files"
name = "{name}"
area = "smt"
line = "line-1"
station = "{station}"
folder = "{folder}"
mapping = "mapping.toml"
poll_s = 0.05
{more}
"""
            for name, station, folder, more in (
                ("drop-files", "aoi-1", "drop", f'after = "{self.way.after}"'),
                ("log-files", "aoi-2", "logs", 'pickup = "growing"'),
            )
        )
        path.write_text(
            f"data = {json.dumps(str(self.data))}\n[plant]\nsite = \"{SITE}\"\n[broker]\n{broker}\n"
            f"[edge]\nceiling_mb = {self.way.ceiling_mb}\n{self.way.settings}\n{adapters}",
            encoding="utf-8",
        )  # fmt: skip

    # -- life ---------------------------------------------------------------------------------------------

    @contextmanager
    def running(self) -> Iterator["Plant"]:
        """Broker and roles, started; stopped cleanly at the end, and never left behind."""
        try:
            with ending([*self.roles.values(), *([self.broker] if isinstance(self.broker, Role) else [])]):
                self.start("broker", *ROLES)
                yield self
                for role in ("edge", "projector", "recorder"):
                    self.roles[role].stop()
                self.broker.stop()
        finally:
            if isinstance(self.broker, Mosquitto):
                self.broker.kill()

    def victim(self, name: str) -> Role | Mosquitto:
        """A role, or "broker"."""
        return self.broker if name == "broker" else self.roles[name]

    def start(self, *names: str) -> None:
        """Start these and wait until they work."""
        for name in names:
            self.victim(name).start()
            for _ in range(20):
                try:
                    self.victim(name).wait_ready()
                    break
                except RoleEnded:
                    self._start_again(name)

    def server_pid(self) -> int | None:
        """The embedded broker's own program."""
        with suppress(OSError, ValueError):
            pid = json.loads((self.store / "broker.json").read_text(encoding="utf-8"))["server_pid"]
            return int(pid) if pid else None
        return None

    def work(self, records: int) -> None:
        """Let the machines write about so many raw records."""
        share = self.chance.randint(0, records)
        self.dropper.work(share)
        self.logger.work(records - share)

    def struck(self, what: str) -> None:
        """Count a strike."""
        self.strikes[what] = self.strikes.get(what, 0) + 1

    def expect(self, when: str, true: bool, said: object) -> None:
        """Note what was said when it is not true."""
        if not true:
            self.untrue.append(Untrue(when, str(said)))

    def revive(self) -> None:
        """What a service manager does: start again what ended by itself."""
        for name in ("broker", *ROLES):
            if self.victim(name).ended():
                self._start_again(name)

    def _start_again(self, name: str) -> None:
        self.expect("at work", self.way.may_end, f"{name} ended by itself")
        self.struck(f"{name} ended and was started again")
        self.victim(name).start()

    # -- looking ------------------------------------------------------------------------------------------

    @property
    def written(self) -> dict[str, Written]:
        """The machines' own list."""
        return self.dropper.written | self.logger.written

    @property
    def record(self) -> Path:
        """The record's file."""
        return self.settings.record.path

    def events(self) -> list[dict[str, Any]]:
        """All events of the record; empty while there is none."""
        return [json.loads(body) for body in self.bodies()]

    def bodies(self) -> list[bytes]:
        """The same as the record keeps them, in its order."""
        try:
            reader = SqliteReader(self.record)
        except (NotFound, StoreUnavailable):
            return []
        try:
            found: list[bytes] = []
            number = 0
            while facts := reader.after(number, 2000):
                found += [reader.body(fact.number) for fact in facts]
                number = facts[-1].number
            return found
        finally:
            reader.close()

    def count(self) -> int:
        """Events in the record."""
        with suppress(NotFound, StoreUnavailable):
            reader = SqliteReader(self.record)
            try:
                return reader.head().number
            finally:
                reader.close()
        return 0

    def heard(self) -> set[str]:
        """The sources of which the record has something."""
        return {event["source"] for event in self.events()}

    def knows_epochs(self, epochs: Set[int]) -> bool:
        """Whether the record has heard of these epochs from every source."""
        reader = SqliteReader(self.record)
        try:
            known = {(one.source, one.epoch) for one in reader.progress()}
        finally:
            reader.close()
        return {(source, epoch) for source in self.sources for epoch in epochs} <= known

    def unstated_epochs(self) -> set[tuple[str, int]]:
        """Source and epoch of every outbox that was lost, of which no gap speaks."""
        told = {
            (event["source"], event["data"].get("of_epoch"))
            for event in self.events()
            if event["type"] == "source.gap"
        }
        return {(source, epoch) for source in self.sources for epoch in self.lost_epochs} - told

    def holes(self) -> list[str]:
        """Numbers the record knows of and lacks."""
        reader = SqliteReader(self.record)
        try:
            return [f"{one.source} epoch {one.epoch}: {first} to {last}"
                    for one in reader.progress() for first, last in one.missing()]  # fmt: skip
        finally:
            reader.close()

    def outbox(self) -> tuple[dict[str, tuple[int, int]], set[str]]:
        """Truth id to (epoch, number) of all the outbox holds, and those that are receipted. Notes the acknowledged."""
        held: dict[str, tuple[int, int]] = {}
        receipted: set[str] = set()
        try:
            connection = open_reader(self.settings.edge.outbox, KIND)
        except NotFound:
            return held, receipted
        try:
            connection.execute("BEGIN")
            (epoch,) = connection.execute("SELECT value FROM meta WHERE key = 'epoch'").fetchone() or (0,)
            for number, source, done in connection.execute(
                "SELECT source_no, source, receipted FROM sources"
            ).fetchall():
                base = place(number, 0)
                for at, body in connection.execute(
                    "SELECT place, body FROM events WHERE place BETWEEN ? AND ?",
                    (base, place(number + 1, 0) - 1),
                ):
                    before = self.given.setdefault(Number(source, int(epoch), at - base), body)
                    self.expect(
                        "outbox", before == body, f"{source} number {at - base} was {before!r}, is {body!r}"
                    )
                    if (truth := _truth(json.loads(body))) is not None:
                        held[truth] = int(epoch), at - base
                        if at - base <= done:
                            receipted.add(truth)
        finally:
            connection.close()
        self.acknowledged |= held.keys()
        return held, receipted

    def lose(self, held: Mapping[str, tuple[int, int]], receipted: Set[str]) -> None:
        """The outbox is gone with these: what its machine's files no longer tell either may be lost, if a gap says so."""
        self.lost_epochs |= {epoch for epoch, _ in held.values()}
        self._gone.update({truth: where for truth, where in held.items() if truth not in receipted})

    def _note_gaps(self, events: Sequence[dict[str, Any]]) -> None:
        recorded = {_truth(event) for event in events}
        gaps = [
            (event["source"], event["data"])
            for event in events
            if event["type"] == "source.gap" and event["data"].get("of_epoch") is not None
        ]
        self.stated = {
            truth
            for truth, (epoch, number) in self._gone.items()
            if truth not in recorded
            and any(
                source == self.written[truth].source
                and data["of_epoch"] == epoch
                and data["first"] <= number <= (data.get("last") or number)
                for source, data in gaps
            )
        }

    def backlog(self) -> int:
        """Events that no record has yet."""
        held, receipted = self.outbox()
        return len(held.keys() - receipted)

    def check(self, *, offline: bool = False) -> list[Finding]:
        """What `broker-bridge check` finds now."""
        return checkup(self.settings, offline=offline, progress=lambda _: None)

    def troubles(self, *, offline: bool = False) -> list[Finding]:
        """Those findings that need a hand."""
        return [finding for finding in self.check(offline=offline) if finding.level in LEVELS]

    def states(self) -> dict[str, dict[str, Any]]:
        """The retained states by their topic's last levels, asked of the broker itself."""
        return asyncio.run(_states(self.settings))

    # -- the end ------------------------------------------------------------------------------------------

    def complete(self) -> bool:
        """Whether the record has everything that was written, or says that it lacks it, and every receipt was given."""
        if self.count() < len(self.written) - len(self._gone):
            return False
        events = self.events()
        self._note_gaps(events)
        truths = {truth for event in events if (truth := _truth(event)) is not None}
        missing = self.written.keys() - truths - self.stated
        return not missing and not self.unstated_epochs() and not self.holes() and not self.backlog()

    def finish(self, patience_s: float = 120.0, *, online: bool = True) -> None:
        """Let the machines end, and wait until the record is complete, without a hand. `check` finds nothing then; `online`: it
        asks the broker too.

        Raises TimeoutError when it takes longer.
        """
        self.dropper.finish()
        self.logger.finish()
        wait_s, deadline = 0.05, time.monotonic() + patience_s
        while not self.complete():
            self.revive()
            if time.monotonic() > deadline:
                raise TimeoutError(
                    f"the record holds {self.count()} events of {len(self.written)} raw records after {patience_s:.0f} s;"
                    f" missing: {self.holes()}; waiting in the outbox: {self.backlog()}; see the logs in {self.folder}"
                )
            time.sleep(wait_s)
            wait_s = min(0.5, wait_s * 1.5)
        # States are told every ten seconds; what they said during the strike may still stand there.
        until(
            lambda: not self.troubles(offline=not online),
            75,
            lambda: f"check is quiet again; it finds {self.troubles(offline=not online)}",
        )
        self.expect("at the end", self._index_follows(), "the index does not follow the record")

    def _index_follows(self) -> bool:
        until(lambda: index_path(self.record).exists(), 20, "there is an index")
        with suppress(TimeoutError):
            until(lambda: any(f.subject == "index" and f.level == "fine" and f"commit {self._commit():,}" in f.text
                              for f in self.check(offline=True)), 20, "the index is up to date")  # fmt: skip
            return True
        return False

    def _commit(self) -> int:
        reader = SqliteReader(self.record)
        try:
            return reader.head().commit
        finally:
            reader.close()

    def order(self) -> Order:
        """Hold the record's numbers against those of its outboxes."""
        self.outbox()
        gaps = [
            Gap(event["source"], event["data"]["of_epoch"], event["data"]["first"], event["data"].get("last"))
            for event in self.events()
            if event["type"] == "source.gap" and event["data"].get("of_epoch") is not None
        ]
        return in_order(self.given, self.bodies(), gaps)

    def verdict(self) -> Verdict:
        """Judge the record as it is now; the roles need not run. Also proves its bytes, and looks at memory."""
        _, receipted = self.outbox()
        recorded = [one for event in self.events() if (one := _recorded(event)) is not None]
        reader = SqliteReader(self.record)
        try:
            for finding in reader.verify():
                self.expect("verify", finding is None, finding)
        finally:
            reader.close()
        archive = Archive(self.settings.edge.archive)
        for event in self.events():
            digest = event["data"].get("origin", {}).get("raw", {}).get("archived")
            self.expect(
                "archive", digest is None or archive.get(digest) is not None, f"{digest} is not there"
            )
        for name in ("broker", *ROLES):
            peak = self.victim(name).peak_kb
            self.expect("memory", peak < MEMORY_KB, f"{name} needed {peak} kB")
        return judge(self.written, self.acknowledged, receipted, recorded, self.stated)


def _truth(event: dict[str, Any]) -> str | None:
    if event["type"] != "inspection.completed":
        return None
    truth: str = event["data"]["program"]["name"]
    return truth


def _recorded(event: dict[str, Any]) -> Recorded | None:
    truth = _truth(event)
    if truth is None:
        return None
    data = event["data"]
    return Recorded(
        truth=truth,
        source=event["source"],
        epoch=int(event["epoch"]),
        sequence=int(event["sequence"]),
        board=data["boards"][0]["identifiers"][0]["value"],
        outcome=data["outcome"],
        raw_hash=data["origin"]["raw"]["hash"].removeprefix("sha256:"),
    )


async def _states(settings: Settings) -> dict[str, dict[str, Any]]:
    topics = Topics(settings.plant.topic_root)
    found: dict[str, dict[str, Any]] = {}
    client = await connect(
        settings, client_id=f"{SITE}-campaign-{os.getpid()}", filters=[topics.all_states()], clean=True
    )
    with suppress(BridgeError, TimeoutError):
        async with client, asyncio.timeout(5):
            await client.wait_connected()
            while (message := await client.next(0.5)) is not None:
                client.ack([message])
                if message.retain:
                    found[message.topic] = json.loads(message.payload)
    return found

"""Settings to running objects: the only place that wires.

Each role can run in this process or in one of its own, on this machine or another; they meet at the broker and
at the record's file, never in memory.
"""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.adapters.registry import build
from broker_bridge.bus.access import WATCH, adapter_login, edge_login, record_login
from broker_bridge.bus.broker import EmbeddedBroker, address
from broker_bridge.bus.credentials import authority, has_own, id_secret, login
from broker_bridge.bus.mqtt import Client, Login
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import EdgeState, RecordState, dump
from broker_bridge.config import Broker, Settings
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.forwarder import Forwarder, receipt_filters
from broker_bridge.edge.outbox import Outbox, now_utc
from broker_bridge.edge.persons import Persons
from broker_bridge.edge.supervisor import Supervisor
from broker_bridge.errors import BridgeError, BusUnavailable, ConfigError
from broker_bridge.outlets.delivery import deliver
from broker_bridge.outlets.metrics.commits import OF_THIS_PROCESS, TimedWriter
from broker_bridge.projector.projector import follow
from broker_bridge.queries.settling import settle_some
from broker_bridge.recorder.recorder import Recorder, filters
from broker_bridge.store.sqlite import SqliteStore

log = logging.getLogger(__name__)

_MB: Final = 1_000_000
_EXPIRE_S: Final = 3600.0
_AGAIN_S: Final = 60.0
_OUT: Final = frozenset({"outlets", "web"})
"""Roles that only lead out of the record."""
_BACK_OFF_S: Final = (0.2, 5.0)
"""First and longest wait before connecting anew: a plant has tens of clients, not thousands."""


async def run_roles(
    settings: Settings,
    roles: Sequence[str],
    ready: Callable[[str], None] | None = None,
    now: Callable[[], datetime] = now_utc,
    refused: Callable[[str], None] | None = None,
) -> None:
    """Run these roles until cancelled; `ready` is called with the name of each role that has started.

    `now`: the wall clock, UTC. It may step: nothing waits by it.

    Raises the first error that ends a role: ConfigError when something cannot start as configured,
    RecordDamaged when the record is not what was written. Outlets, pages and figures that cannot start end nothing that
    records: `refused` is told once which, and they are tried again.
    """
    tell = _Told(ready or (lambda role: log.info("%s: started", role)), refused or (lambda role: None))
    tell.patient = not set(roles) <= _OUT
    async with contextlib.AsyncExitStack() as stack:
        if "broker" in roles:
            await stack.enter_async_context(_broker(settings))
            tell("broker")
        try:
            async with asyncio.TaskGroup() as group:
                for role, starter in _STARTERS.items():
                    if role in roles:
                        group.create_task(starter(settings, tell, now), name=role)
                if settings.metrics is not None:
                    group.create_task(_metrics(settings, roles, tell), name="metrics")
                if roles and set(roles) <= {"broker"}:
                    await asyncio.Event().wait()
        except* BridgeError as errors:
            raise _first(errors) from None


class _Told:
    """Told of each role that has started, and of the clients by which it reaches the broker."""

    def __init__(self, ready: Callable[[str], None], refused: Callable[[str], None]) -> None:
        self._ready = ready
        self.refused = refused
        self.patient = False
        """Something records in this process: what leads out of the record must not end it."""
        self._clients: list[tuple[str, Client]] = []
        self.started: list[str] = []

    def __call__(self, role: str) -> None:
        self.started.append(role)
        self._ready(role)

    def speaks(self, role: str, client: Client) -> None:
        """A role reaches the broker by this client."""
        self._clients.append((role, client))

    def troubles(self) -> list[str]:
        """Which roles do not reach the broker now, or are refused by it, and why."""
        return [f"{role}: {trouble}" for role, client in self._clients if (trouble := client.trouble)]


def _first(group: BaseExceptionGroup[BridgeError]) -> BridgeError:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    assert isinstance(error, BridgeError)
    return error


@contextlib.asynccontextmanager
async def _broker(settings: Settings) -> AsyncIterator[None]:
    if settings.broker.kind != "embedded":
        raise ConfigError(
            'role "broker" needs [broker] kind = "embedded"; an external broker is run by others'
        )
    broker = EmbeddedBroker(settings.broker)
    await broker.start()
    keeper = asyncio.create_task(broker.wait(), name="broker")
    try:
        yield
    finally:
        await broker.stop()
        await keeper


async def _edge(settings: Settings, tell: _Told, now: Callable[[], datetime]) -> None:
    adapters = build(settings)
    topics = Topics(settings.plant.topic_root)
    edge = settings.edge
    outbox = await Outbox.open(
        edge.outbox,
        archive=Archive(edge.archive),
        ceiling_bytes=int(edge.ceiling_mb * _MB),
        clock=now,
        persons=Persons(edge.persons),
        site=settings.plant.site,
    )
    try:
        for source in adapters:
            await outbox.writer(source)
        async with contextlib.AsyncExitStack() as stack:
            forwarders = await _forwarders(settings, outbox, topics, list(adapters), stack, tell)
            supervisor = Supervisor(outbox, adapters)
            async with asyncio.TaskGroup() as group:
                for forwarder in forwarders:
                    group.create_task(forwarder.run(), name="forwarder")
                group.create_task(supervisor.run(), name="supervisor")
                group.create_task(_expire(outbox.archive, edge.archive_days, now), name="archive")
                tell("edge")
    finally:
        await outbox.close()


async def _forwarders(
    settings: Settings,
    outbox: Outbox,
    topics: Topics,
    sources: Sequence[str],
    stack: contextlib.AsyncExitStack,
    tell: _Told,
) -> list[Forwarder]:
    """The edge's forwarder, and one of its own for each adapter that logs in by itself."""
    edge, site, record = settings.edge, settings.plant.site, settings.record.name
    alone = [source for source in sources if has_own(settings.broker, adapter_login(source))]
    # Without its login nobody speaks for an adapter that is no longer configured; what waits of it is told.
    together = [] if alone else outbox.sources()
    forwarders: list[Forwarder] = []

    async def add(spoken_for: Sequence[str], name: str, client_id: str, speaks: bool) -> None:
        gone = EdgeState(edge=edge.name, alive=False, issued=outbox.clock())
        client = await connect(
            settings,
            client_id=client_id,
            name=name,
            filters=receipt_filters(topics, spoken_for, record),
            will=(topics.edge_state(site, edge.name), dump(gone)) if speaks else None,
        )
        tell.speaks("edge", client)
        forwarders.append(
            Forwarder(
                outbox,
                await stack.enter_async_context(client),
                topics,
                site=site,
                edge=edge.name,
                record=record,
                keep=timedelta(days=edge.keep_days),
                sources=spoken_for,
                others=tuple(forwarders) if speaks else None,
            )
        )

    for source in alone:
        name = source.rpartition("/")[2]
        await add([source], adapter_login(source), f"{site}-{edge.name}-{name}", False)
    await add(together, edge_login(edge.name), f"{site}-{edge.name}", True)
    return forwarders


async def _expire(archive: Archive, days: float, now: Callable[[], datetime]) -> None:
    while True:
        try:
            removed = await asyncio.to_thread(archive.expire, now(), days)
        except OSError as error:
            log.warning("old months of the raw archive stay for now: %s", error)
        else:
            if removed:
                log.info(
                    "%d months of the raw archive are older than %.0f days and were removed", removed, days
                )
        await asyncio.sleep(_EXPIRE_S)


async def _recorder(settings: Settings, tell: _Told, now: Callable[[], datetime]) -> None:
    topics = Topics(settings.plant.topic_root)
    site, name = settings.plant.site, settings.record.name
    store = await SqliteStore.open(settings.record.path, name, now=lambda: int(now().timestamp() * 1_000_000))
    try:
        head = await store.head()
        gone = RecordState(
            record=name,
            incarnation=head.incarnation,
            events=head.number,
            commit=head.commit,
            condition="gone",
            detail="the recorder ended without a word",
            issued=now(),
        )
        client = await connect(
            settings,
            client_id=f"{site}-{name}",
            name=record_login(name),
            filters=filters(topics),
            will=(topics.record_state(site, name), dump(gone)),
        )
        tell.speaks("recorder", client)
        async with client:
            recorder = Recorder(
                client,
                TimedWriter(store, OF_THIS_PROCESS),
                topics,
                site=site,
                window=settings.record.window,
                now=now,
            )
            tell("recorder")
            await recorder.run()
    finally:
        await store.close()


async def _projector(settings: Settings, tell: _Told, now: Callable[[], datetime]) -> None:
    tell("projector")
    await follow(settings.record.path, settle_some)


async def _outlets(settings: Settings, tell: _Told, now: Callable[[], datetime]) -> None:
    await deliver(settings, lambda: tell("outlets"), patient=tell.patient)


async def _web(settings: Settings, tell: _Told, now: Callable[[], datetime]) -> None:
    def at(address: str) -> None:
        log.info("pages and interface: %s", address)
        tell("web")

    url = f"sqlite:////{str(settings.record.path).lstrip('/')}"
    await _tried("web", lambda: service()(settings.web, url, now=now, settings=settings, ready=at), tell)


async def _metrics(settings: Settings, roles: Sequence[str], tell: _Told) -> None:
    from broker_bridge.outlets.metrics.server import serve

    await _tried(
        "metrics", lambda: serve(settings, roles, tell.started, OF_THIS_PROCESS, tell.troubles), tell
    )


async def _tried(name: str, serve: Callable[[], Awaitable[None]], tell: _Told) -> None:
    """Serve; what cannot start is told and tried again where something else has to go on."""
    told = ""
    while True:
        try:
            return await serve()
        except ConfigError as error:
            if not tell.patient:
                raise
            if str(error) != told:
                told = str(error)
                log.error("%s cannot start: %s; it is tried again every %.0f s", name, error, _AGAIN_S)
                tell.refused(name)
        await asyncio.sleep(_AGAIN_S)


def service() -> "Callable[..., Awaitable[None]]":
    """What serves pages and interface (web.server.serve). Raises ConfigError where its packages are not installed."""
    try:
        from broker_bridge.web.server import serve
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("broker_bridge"):
            raise
        raise ConfigError(
            f"the role web needs the package {error.name}: pip install 'broker-bridge[web]'"
        ) from error
    return serve


_STARTERS: Final = {
    "recorder": _recorder, "projector": _projector, "edge": _edge, "outlets": _outlets, "web": _web,
}  # fmt: skip


async def connect(
    settings: Settings,
    *,
    client_id: str,
    name: str = WATCH,
    filters: Sequence[str] = (),
    will: tuple[str, bytes] | None = None,
    clean: bool = False,
) -> Client:
    """A client of the configured broker, not yet entered. Waits for the address of an embedded broker.

    `name`: whose login it uses, one of the access list's. Raises ConfigError when its secret cannot be read.
    """

    def who() -> Login:
        return Login(*login(settings.broker, name), id_secret(settings.broker, name))

    host, port = await _address(settings.broker)
    return Client(
        host=host,
        port=port,
        client_id=client_id,
        login=who,
        ca_file=authority(settings.broker),
        filters=filters,
        will=will,
        clean=clean,
        back_off=_BACK_OFF_S,
    )


async def _address(broker: Broker) -> tuple[str, int]:
    told = False
    while True:
        try:
            return address(broker)
        except BusUnavailable as error:
            if not told:
                log.info("waiting: %s", error)
                told = True
            await asyncio.sleep(0.2)

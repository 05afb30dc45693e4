"""The role that keeps outlets delivering: one that fails does not stop the others."""

import asyncio
import logging
import random
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

from broker_bridge.config import AnyOutlet, Settings
from broker_bridge.errors import BridgeError, ConfigError, NotFound, StoreUnavailable, UsageError
from broker_bridge.outlets.base import Outlet
from broker_bridge.outlets.courier import Courier
from broker_bridge.outlets.cursor import Cursor
from broker_bridge.outlets.registry import build, choice
from broker_bridge.projector.projector import replaced
from broker_bridge.store.sqlite_reader import SqliteReader

log = logging.getLogger(__name__)

_LOOK_S: Final = 0.2
_FIRST_WAIT_S: Final = 1.0
_LONGEST_WAIT_S: Final = 60.0


async def deliver(settings: Settings, ready: Callable[[], None], *, patient: bool) -> None:
    """Run every configured outlet until cancelled.

    One that cannot start as configured raises ConfigError or UsageError; with `patient` it is told and tried again now and
    then, so that the other outlets, and whatever else runs in this process, go on.
    """
    if not patient:
        for config in settings.outlets:
            build(settings, config)
    async with asyncio.TaskGroup() as group:
        for config in settings.outlets:
            group.create_task(_keep(settings, config, patient), name=f"outlet {config.name}")
        ready()
        await asyncio.Event().wait()


async def _keep(settings: Settings, config: AnyOutlet, patient: bool) -> None:
    wait = _FIRST_WAIT_S
    told = ""
    while True:
        began = asyncio.get_running_loop().time()
        try:
            outlet = build(settings, config)
            reader = await _open(settings.record.path)
            with closing(reader):
                await _run(settings, config, outlet, reader)
            continue
        except (ConfigError, UsageError) as error:
            if not patient:
                raise
            wait = _LONGEST_WAIT_S
            if str(error) != told:
                told = str(error)
                log.error(
                    "outlet %s cannot start: %s; it is tried again every %.0f s", config.name, error, wait
                )
        except BridgeError as error:
            log.error("outlet %s: %s; again in %.0f s", config.name, error, wait)
        except Exception:
            # Whatever it is, the other outlets and roles must go on; the traceback is for us.
            log.exception("outlet %s failed, starting it again in %.0f s", config.name, wait)
        if asyncio.get_running_loop().time() - began > _LONGEST_WAIT_S:
            wait = _FIRST_WAIT_S
        await asyncio.sleep(wait * random.uniform(0.5, 1.0))
        wait = min(wait * 2, _LONGEST_WAIT_S)


async def _run(settings: Settings, config: AnyOutlet, outlet: Outlet, reader: SqliteReader) -> None:
    """Deliver from one file of the record, until another lies in its place."""
    cursor = await Cursor.open(settings.position(config))
    try:
        courier = Courier(
            config.name,
            outlet,
            cursor,
            reader,
            choice(config),
            at_end=config.start == "end",
            ceiling=config.dead_letters,
        )
        running = asyncio.ensure_future(courier.run())
        other = asyncio.ensure_future(replaced(settings.record.path))
        try:
            await asyncio.wait([running, other], return_when=asyncio.FIRST_COMPLETED)
        finally:
            other.cancel()
            running.cancel()
            await asyncio.wait([running, other])
        if not running.cancelled() and (error := running.exception()) is not None:
            await cursor.told("failed", f"{type(error).__name__}: {error}")
            raise error
    finally:
        await cursor.close()


async def _open(record: Path) -> SqliteReader:
    told = False
    while True:
        try:
            reader = SqliteReader(record)
        except (NotFound, StoreUnavailable) as error:
            if not told:
                log.info("outlets wait: %s", error)
                told = True
            await asyncio.sleep(_LOOK_S)
            continue
        try:
            reader.head()
        except StoreUnavailable:
            reader.close()
            await asyncio.sleep(_LOOK_S)
            continue
        return reader

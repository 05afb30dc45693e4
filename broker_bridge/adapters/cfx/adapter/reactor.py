"""A container of proton in a thread of its own, and the one way in and out of it.

Proton has no asyncio and its objects belong to one thread. So nothing of it leaves that thread: what happens is handed
to the event loop as plain values, what is wanted is handed in as a function to call. Nothing here polls: the thread sleeps
until a socket or a wish wakes it.
"""

import asyncio
import logging
import os
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from broker_bridge.adapters.cfx.adapter.trust import check_authority, explained
from broker_bridge.config import AmqpServer
from broker_bridge.errors import ConfigError, UsageError
from broker_bridge.secret import read_secret

log = logging.getLogger(__name__)

IDLE_S: Final = 30.0
"""Silence after which a connection is given up; half of it is asked of the peer, as AMQP 1.0 (section 2.4.5) advises."""
MAX_FRAME: Final = 250_000
_STOP_S: Final = 2.0


def proton() -> Any:
    """The library. Raises UsageError where the extra is not installed."""
    try:
        import proton as found
        import proton.handlers
        import proton.reactor
    except ImportError:
        raise UsageError(
            "CFX needs python-qpid-proton: pip install 'broker-bridge[cfx]' (it is built from source: a C compiler,"
            " cmake and OpenSSL's headers have to be there)"
        ) from None
    logging.getLogger("proton").setLevel(logging.CRITICAL)  # what it has to say is raised or reported here
    return found


@dataclass(frozen=True, slots=True)
class Login:
    """How to reach a broker."""

    url: str
    virtual_host: str | None
    username: str | None
    password: str | None
    ca_file: Path | None

    def options(self, container_id: str) -> dict[str, Any]:
        """What a connection is made with."""
        library = proton()
        options: dict[str, Any] = {
            "url": self.url,
            "reconnect": False,
            "heartbeat": IDLE_S / 2,
            "max_frame_size": MAX_FRAME,
            "sasl_enabled": True,
            "allow_insecure_mechs": True,
            "allowed_mechs": "PLAIN" if self.username else "ANONYMOUS",
        }
        if self.username:
            options |= {"user": self.username, "password": self.password}
        if self.virtual_host:
            options["virtual_host"] = self.virtual_host
        if self.url.startswith("amqps"):
            domain = library.SSLDomain(library.SSLDomain.MODE_CLIENT)
            domain.set_trusted_ca_db(str(self.ca_file) if self.ca_file else _system_authorities())
            domain.set_peer_authentication(library.SSLDomain.VERIFY_PEER_NAME)
            options["ssl_domain"] = domain
            # Without it proton would hold the certificate against the virtual host's name.
            options["sni"] = urlsplit(self.url).hostname
        return options

    async def explained(self, why: str) -> str:
        """Why a connection to it ended, in words that tell what to do."""
        return await explained(why, self.url, self.ca_file)


def login(server: AmqpServer, name: str) -> Login:
    """The login of a configured broker. `name`: its key, for errors. Raises ConfigError."""
    password = None
    if server.password_file is not None:
        password = read_secret(server.password_file, f"{name}.password_file")
    elif server.password_env is not None:
        password = os.environ.get(server.password_env)
        if password is None:
            raise ConfigError(f"{name}.password_env = {server.password_env!r}: no such environment variable")
    if server.ca_file is not None:
        if not server.ca_file.is_file():
            raise ConfigError(f"{name}.ca_file = {server.ca_file}: no such file")
        check_authority(server.ca_file, f"{name}.ca_file")
    return Login(server.url, server.virtual_host, server.username, password, server.ca_file)


def _system_authorities() -> str:
    import ssl

    paths = ssl.get_default_verify_paths()
    return paths.cafile or paths.openssl_cafile


@cache
def _bells() -> Any:
    """What wakes the thread; made when proton is first needed: its base class is proton's."""
    library = proton()

    class Bell(library.reactor.EventInjector):  # type: ignore[misc, name-defined]
        """Silent once the thread is through: the number of a closed pipe may be another file's by then."""

        def __init__(self) -> None:
            super().__init__()
            self._lock = threading.Lock()
            self._broken = False

        def trigger(self, event: Any) -> None:
            with self._lock:
                if not self._broken:
                    super().trigger(event)

        def close(self) -> None:
            with self._lock:
                if not self._broken:
                    super().close()

        def break_off(self) -> None:
            with self._lock:
                if not self._broken:
                    self._broken = True
                    for end in self.pipe:
                        os.close(end)

    return Bell


class Reactor:
    """Runs one handler until it ends or is stopped. Make it in a running event loop."""

    def __init__(self, handler: Any, container_id: str, name: str) -> None:
        """`handler`: of proton; gets `on_start` in the thread, and `on_stop(event)` when it is to close what it has."""
        library = proton()
        self._loop = asyncio.get_running_loop()
        self._wishes: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._bell = _bells()()
        self._event = library.reactor.ApplicationEvent
        self._handler = handler
        self._container_id = container_id
        self._stopping = False
        self._deaf = False
        self.ended: asyncio.Future[str] = self._loop.create_future()
        """Why it ended; set once the thread is through."""
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.container: Any = None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def tell(self, function: Callable[..., None], *values: Any) -> None:
        """From the thread: call a function in the event loop."""
        try:
            self._loop.call_soon_threadsafe(function, *values)
        except RuntimeError:
            log.debug("the event loop is closed")

    def call(self, wish: Callable[[], None]) -> None:
        """From the event loop: call a function in the thread."""
        if self.ended.done():
            return
        self._wishes.put(wish)
        self._bell.trigger(self._event("wish"))

    async def stop(self) -> None:
        """Close what is open, let the peer answer for a moment, and end the thread."""
        self._stopping = True
        try:
            await self._stop()
        finally:
            if self.ended.done() and self._thread.is_alive():
                self._thread.join(1.0)  # it has nothing left to do but to return

    async def _stop(self) -> None:
        self.call(self._handler.shut)
        try:
            async with asyncio.timeout(_STOP_S):
                await asyncio.shield(self.ended)
        except TimeoutError:
            self.call(self._let_go)
            try:
                async with asyncio.timeout(2 * _STOP_S):
                    await asyncio.shield(self.ended)
            except TimeoutError:
                log.warning("%s did not end", self._thread.name)

    def grant(self) -> None:
        """In the thread: do what was wished for."""
        while True:
            try:
                wish = self._wishes.get_nowait()
            except queue.Empty:
                return
            wish()

    def close_wishes(self) -> None:
        """In the thread: no more wishes are heard, so that the container can end."""
        if not self._deaf:
            self._deaf = True
            self._bell.close()

    def _let_go(self) -> None:
        if self.container is not None:
            self.container.stop()

    def _run(self) -> None:
        why = ""
        try:
            library = proton()
            self.container = library.reactor.Container(self._handler)
            self.container.container_id = self._container_id
            self.container.selectable(self._bell)
            self.container.run()
            why = self._handler.why
        except Exception as error:
            why = f"{type(error).__name__}: {error}"
            if not self._stopping and not isinstance(error, OSError):
                log.exception("%s ended", self._thread.name)
        finally:
            self._bell.break_off()
            self.tell(self._ended, why or "it was closed")

    def _ended(self, why: str) -> None:
        if not self.ended.done():
            self.ended.set_result(why)


def told(condition: Any) -> str:
    """An AMQP error condition in words."""
    if condition is None:
        return ""
    return f"{condition.name}: {condition.description}" if condition.description else str(condition.name)

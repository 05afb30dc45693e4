"""The MQTT client: QoS 1, fixed client id, kept session, acknowledgement by hand. MQTT 3.1.1 on the wire.

A client lives through any number of connections (bus.link), one after the other.

What MQTT and its brokers do to the careless, and what stands against it here:

- A PUBACK says that the broker has the message, not that it is safe, nor that anybody may read it (an access
  list that forbids the topic acknowledges too). `publish` promises no more; outbox and receipts do the rest.
- The packet number is no identity beyond its connection: messages carry the number of their connection and
  acknowledgements of an older one are dropped, since the same number may by now stand for another message.
- Acknowledgements leave in the order of arrival (MQTT-4.6.0-2), whatever order the reader commits in.
- Some brokers deliver again inside a connection what is not acknowledged in time. That copy is dropped while the
  first one is in hand: a second PUBACK could hit a new message with the same number.
- Others deliver again only on a new connection. Who cannot commit keeps the messages and tries again, or leaves
  the `async with` block: nothing that was not acknowledged is lost.
- Order holds within one subscription at most: what matches another filter, or comes again, may overtake. Sequence
  numbers put it right.
- The window of unacknowledged messages at the broker may be small (20 with some): commit on idle or by a timer,
  never "when N have come".
- A payload that nobody can read is a message like any other here. The reader quarantines it and acknowledges it.
- A library's outgoing queue lives in memory and resends on its own. None is used: a publish without a connection
  is refused, and one that a lost connection left open raises BusUnavailable; the outbox sends it again.
- A network thread dies of an exception in a callback while the library still says "connected", and a PUBACK may
  come to it before `publish` has returned. There is no thread; whatever a packet does to the parser costs that
  connection only; `connected` looks at the last byte.
- Subscriptions are made again on every connection, kept session or not; a session the broker no longer had is
  counted. The client id is the caller's and fixed: a random one would leave its session behind.
- Two clients with one id throw each other out for ever: seen by the number of losses, told in `trouble`.
- QoS 2 is not used: paho answers it before the reader has seen the message.
- A will may come late or never, and never after a clean end: it complements a heartbeat, it replaces none.
- Shared subscriptions strand messages with an absent member: none is used.
- Retained messages come again with every subscription: `Message.retain` tells them from live ones.
"""

import asyncio
import logging
import random
import ssl
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Final

from broker_bridge.bus.inbox import Inbox, Message
from broker_bridge.bus.link import Delivery, Link, Login, Options
from broker_bridge.bus.wire import MAX_PAYLOAD
from broker_bridge.errors import BusError, BusUnavailable, ConfigError

__all__ = ["Client", "Delivery", "Login", "Message"]

HANDSHAKE_S: Final = 30.0
"""Seconds from the first packet to the acknowledged subscriptions: a broker that restores a session takes some."""
REACH_S: Final = 10.0
STEADY_S: Final = 10.0
"""Seconds a connection must last to count as one; shorter ones keep the back-off growing."""
FLAPS: Final = 5
"""Connections lost within FLAP_S seconds that make a trouble."""
FLAP_S: Final = 60.0

_log = logging.getLogger(__name__)


class Client:
    """One client of a broker, for use in one event loop as `async with Client(...) as client`.

    It connects and reconnects for ever; a lost connection is no error but a state (`connected`, `trouble`).
    Leaving the block disconnects cleanly: the broker keeps the session and what was not acknowledged.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        client_id: str,
        id_secret: str = "",
        username: str | None = None,
        password: str | None = None,
        login: Callable[[], Login] | None = None,
        ca_file: Path | None = None,
        clean: bool = False,
        keepalive: int = 30,
        window: int = 50,
        window_bytes: int = 2 * MAX_PAYLOAD,
        inbox: int = 2000,
        inbox_bytes: int = 8 * MAX_PAYLOAD,
        will: tuple[str, bytes] | None = None,
        filters: Sequence[str] = (),
        back_off: tuple[float, float] = (0.5, 30.0),
        on_connected: Callable[[int, bool], None] | None = None,
    ) -> None:
        """`ca_file`: present means TLS with the host name verified; read anew for every connection. `clean`: keep no session.

        `login`: asked before every connection, in place of `username`, `password` and `id_secret`: a password that was put
        right is used without a start. A ConfigError it raises is a trouble, not an end.

        `keepalive`, `back_off` (first and longest) in seconds. `window`: publishes, or their bytes, that wait for
        the broker's acknowledgement at most. `will`: retained. `filters`: subscribed with QoS 1 on every
        connection. `on_connected` is called in the event loop with the connection's number and whether the broker
        had kept the session. Raises ConfigError when `ca_file` cannot be used, or what `login` raises.
        """
        who = Login(username, password, id_secret) if login is None else login()
        self._login = login
        self._ca_file = ca_file
        self.connection = 0
        """Number of the present or last connection, 0 before the first."""
        self.session_present: bool | None = None
        """Whether the broker still had the session at the last connection; None before the first."""
        self.sessions_lost = 0
        """Reconnections at which the broker had lost the session: what waited there for us may be gone."""
        self._options = Options(
            host=host,
            port=port,
            client_id=client_id,
            username=who.username,
            password=who.password,
            tls=None if ca_file is None else _tls(ca_file),
            clean=clean,
            keepalive=keepalive,
            window=window,
            window_bytes=window_bytes,
            will=will,
            filters=tuple(filters),
            id_secret=who.id_secret,
        )
        self.refused = False
        """Whether the broker was reached at the last attempt and it is login, certificate or port that keep us apart: then
        `trouble` says what to do, and starting the broker anew would not help."""
        self._back_off = back_off
        self._on_connected = on_connected
        self._inbox = Inbox(inbox, inbox_bytes, self._resume)
        self._link: Link | None = None
        self._up = asyncio.Event()
        self._reason = f"not connected to {host}:{port} yet"
        self._losses: deque[float] = deque(maxlen=FLAPS)
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> "Client":
        self._task = asyncio.create_task(self._run(), name=f"mqtt {self.client_id}")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait({self._task})
        self._reason = "disconnected"

    async def watch(self) -> None:
        """Returns never; raises BusError when the client has ended by itself, which it must not: end the role then."""
        assert self._task is not None
        await asyncio.wait({self._task})
        error = None if self._task.cancelled() else self._task.exception()
        self._reason = f"the client {self.client_id!r} has ended by itself: {error!r}; start its role again"
        raise BusError(self._reason)

    @property
    def host(self) -> str:
        """The broker's host."""
        return self._options.host

    @property
    def port(self) -> int:
        """The broker's port."""
        return self._options.port

    @property
    def client_id(self) -> str:
        """The name this client has, for people; at the broker its secret stands behind it."""
        return self._options.client_id

    @property
    def connected(self) -> bool:
        """Whether the connection is up, subscribed, and heard of within one and a half keepalives."""
        link = self._link
        return link is not None and link.up and link.silence < 1.5 * self._options.keepalive

    @property
    def trouble(self) -> str:
        """What a person should know and do; empty when all is well."""
        if len(self._losses) == FLAPS and time.monotonic() - self._losses[0] < FLAP_S:
            return (
                f"the connection to {self._options.where} was lost {FLAPS} times within a minute: probably another "
                f"client uses the client id {self.client_id!r} too; give each its own name"
            )
        if self._link is not None and self.connected:
            return self._link.refused
        return self._reason

    @property
    def waiting(self) -> int:
        """Messages received and not taken yet."""
        return len(self._inbox)

    @property
    def unacknowledged(self) -> int:
        """Messages of this connection that were received and not acknowledged yet."""
        return 0 if self._link is None else len(self._link.unacknowledged)

    async def wait_connected(self) -> int:
        """Wait until connected and subscribed; the number of the connection."""
        while self._link is None or not self._link.up:
            self._up.clear()
            await self._up.wait()
        return self.connection

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> Delivery:
        """Hand a message to the broker with QoS 1; waits while the window is full.

        Await the returned delivery to know that the broker has it. Raises BusUnavailable when there is no
        connection (keep the message and send it on the next one) and BusError when the payload is too large.
        """
        if len(payload) > MAX_PAYLOAD:
            raise BusError(
                f"a payload of {len(payload):,} bytes for {topic} is over the limit of {MAX_PAYLOAD:,} bytes; "
                "it was not sent"
            )
        if self._link is None or not self._link.up:
            raise BusUnavailable(self._reason)
        return await self._link.publish(topic, payload, retain)

    async def next(self, timeout: float | None = None) -> Message | None:
        """The oldest received message, None when none comes within `timeout` seconds (None: no limit)."""
        if not self._inbox:
            try:
                async with asyncio.timeout(timeout):
                    await self._inbox.wait_filled()
            except TimeoutError:
                return None
        return self._inbox.pop()

    def next_nowait(self) -> Message | None:
        """The oldest received message, None when there is none now."""
        return self._inbox.pop()

    def ack(self, messages: Iterable[Message]) -> None:
        """Acknowledge: the broker may forget these messages. Call it after they are committed.

        Messages of an earlier connection are passed over: the broker delivers those again. A message is
        acknowledged on the wire once all that came before it are.
        """
        if self._link is not None:
            self._link.ack(messages)

    def _resume(self) -> None:
        if self._link is not None:
            self._link.resume()

    async def _run(self) -> None:
        first, longest = self._back_off
        attempt = 0
        while True:
            # With a full inbox a new connection could only bring more of what cannot be taken.
            await self._inbox.wait_room()
            begun = time.monotonic()
            try:
                reason = await self._connection()
            except Exception as error:  # whatever it is, the client must not end: it is what brings events in
                reason = f"{error!r}"
                _log.exception("%s: unexpected error; connecting anew", self.client_id)
            if reason != self._reason:
                _log.warning("%s: %s", self.client_id, reason)
            self._reason = reason
            attempt = 0 if time.monotonic() - begun >= STEADY_S else attempt + 1
            # Full jitter: after a broker's restart its clients do not come back all at once.
            await asyncio.sleep(random.uniform(0, min(longest, first * 2**attempt)))

    async def _connection(self) -> str:
        """One connection from beginning to end; why it ended."""
        try:
            options = self._options = self._anew()
        except ConfigError as error:
            self.refused = True
            return str(error)
        link = Link(options, self._inbox, self._accepted)
        self.refused = False
        try:
            async with asyncio.timeout(REACH_S):
                await link.open()
            self._link = link
            await asyncio.wait(
                (link.ready, link.lost), timeout=HANDSHAKE_S, return_when=asyncio.FIRST_COMPLETED
            )
            if link.ready.done():
                await self._hold(link)
            elif not link.lost.done():
                link.fail(f"{options.where} accepted the connection but is silent")
            elif options.tls is None and not link.refused_login:
                self.refused = True
                return f"{link.lost.result()} before it answered; if it wants TLS, set broker.credentials or ca_file"
            self.refused = link.refused_login
            return link.lost.result()
        except TimeoutError:
            return f"{options.where} did not answer within {REACH_S:.0f} s"
        except ssl.SSLError as error:
            self.refused = True
            return f"{options.where}: {_tls_trouble(error, self.host)}"
        except OSError as error:
            return f"{options.where} cannot be reached: {error.strerror or error}"
        finally:
            self._link = None
            await link.close()

    def _anew(self) -> Options:
        """What this connection is made with: files that were put right meanwhile count. Raises ConfigError."""
        options = self._options
        who = Login(options.username, options.password, options.id_secret)
        if self._login is not None:
            who = self._login()
        tls = None if self._ca_file is None else _tls(self._ca_file)
        return replace(options, **who._asdict(), tls=tls)

    async def _hold(self, link: Link) -> None:
        """Keep a connection that is ready as long as it can be kept."""
        _log.info("%s: connected to %s", self.client_id, self._options.where)
        self._reason = f"{self._options.where} is silent"
        self._up.set()
        if self._on_connected is not None:
            self._on_connected(self.connection, bool(self.session_present))
        while not link.lost.done():
            await asyncio.wait((link.lost,), timeout=self._options.keepalive / 4)
            link.tend(1.5 * self._options.keepalive)
        self._losses.append(time.monotonic())

    def _accepted(self, session_present: bool) -> int:
        self.connection += 1
        if self.connection > 1 and not session_present and not self._options.clean:
            self.sessions_lost += 1
            _log.warning(
                "%s: the broker has lost the session; what waited there may be lost and is to be asked for again",
                self.client_id,
            )
        self.session_present = session_present
        return self.connection


_EXPIRED, _NOT_YET, _WRONG_NAME, _WRONG_ADDRESS = 10, 9, 62, 64
"""Answers of certificate verification, as OpenSSL numbers them (X509_V_ERR_...)."""


def _tls_trouble(error: ssl.SSLError, host: str) -> str:
    """What is wrong between the broker's certificate and us, and what to do. Never: do not verify."""
    if isinstance(error, ssl.SSLCertVerificationError):
        match error.verify_code:
            case code if code == _EXPIRED:
                return (
                    "the broker's certificate has expired: run `broker-bridge secure CONFIG --renew` on the broker's "
                    "machine and start the broker again"
                )
            case code if code == _NOT_YET:
                return "the broker's certificate does not hold yet: set this machine's clock"
            case code if code in (_WRONG_NAME, _WRONG_ADDRESS):
                return (
                    f"the broker's certificate is not for {host!r}: add that to broker.names on the broker's machine, run "
                    "`broker-bridge secure CONFIG` and start the broker again"
                )
        return (
            f"the broker's certificate is not signed by the authority we know ({error.verify_message}): copy "
            "authority.pem from the broker's machine again, or another program poses as the broker"
        )
    if error.reason in ("WRONG_VERSION_NUMBER", "RECORD_LAYER_FAILURE", "HTTP_REQUEST"):
        return "what listens there speaks no TLS: correct the port, or give the broker its credentials"
    return f"TLS failed: {error.reason or error}; look at the broker's log"


def _tls(ca_file: Path) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(f"{ca_file}: cannot be used as certificate authority: {error}") from error

"""The MQTT client: QoS 1, fixed client id, kept session, acknowledgement by hand. MQTT 3.1.1 on the wire.

asyncio moves the bytes, paho makes and reads the packets: paho gets a `Pipe` in place of its socket, so there
is no thread that could die unseen, no lock, and one wake-up hands over all messages of a read. Every connection
has a paho client of its own, which is what forgets half-sent publishes and packet numbers with the connection
they belong to.

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
- The window of unacknowledged messages at the broker may be small (20 with some): commit on idle or by a timer,
  never "when N have come".
- A payload that nobody can read is a message like any other here. The reader quarantines it and acknowledges it.
- paho's own outgoing queue lives in memory and resends on its own: it is never used, a publish without a
  connection is refused, and one that a lost connection left open raises BusUnavailable.
- Subscriptions are made again on every connection, kept session or not.
- QoS 2 is not used: paho answers it before the reader has seen the message.
- A will may come late or never, and never after a clean end: it complements a heartbeat, it replaces none.
- Shared subscriptions strand messages with an absent member: there is no way to ask for one here.
- Retained messages come again with every subscription: `Message.retain` tells them from live ones.
"""

import asyncio
import logging
import random
import ssl
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from paho.mqtt.client import Client as _PahoClient
from paho.mqtt.client import ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from broker_bridge.bus.inbox import Inbox, Message
from broker_bridge.bus.pipe import Pipe
from broker_bridge.bus.wire import MAX_PAYLOAD
from broker_bridge.errors import BusError, BusUnavailable, ConfigError

__all__ = ["Client", "Delivery", "Message"]

Delivery = asyncio.Future[None]
"""Done when the broker has acknowledged; raises BusUnavailable when the connection was lost before that."""

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
        username: str | None = None,
        password: str | None = None,
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
        """`ca_file`: present means TLS with the host name verified. `clean`: keep no session.

        `keepalive`, `back_off` (first and longest) in seconds. `window`: publishes, or their bytes, that wait for
        the broker's acknowledgement at most. `will`: retained. `filters`: subscribed with QoS 1 on every
        connection. `on_connected` is called in the event loop with the connection's number and whether the broker
        had kept the session. Raises ConfigError when `ca_file` cannot be used.
        """
        self.host = host
        self.port = port
        self.client_id = client_id
        self.connection = 0
        """Number of the present or last connection, 0 before the first."""
        self.session_present: bool | None = None
        """Whether the broker still had the session at the last connection; None before the first."""
        self.sessions_lost = 0
        """Reconnections at which the broker had lost the session: what waited there for us may be gone."""
        self._username = username
        self._password = password
        self._tls = None if ca_file is None else _tls(ca_file)
        self._clean = clean
        self._keepalive = keepalive
        self._window = window
        self._window_bytes = window_bytes
        self._will = will
        self._filters = tuple(filters)
        self._back_off = back_off
        self._on_connected = on_connected
        self._inbox = Inbox(inbox, inbox_bytes, self._resume)
        self._link: _Link | None = None
        self._up = asyncio.Event()
        self._reason = f"not connected to {host}:{port} yet"
        self._refused = ""
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

    @property
    def connected(self) -> bool:
        """Whether the connection is up, subscribed, and heard of within one and a half keepalives."""
        return self._link is not None and self._up.is_set() and self._link.silence < 1.5 * self._keepalive

    @property
    def trouble(self) -> str:
        """What a person should know and do; empty when all is well."""
        now = time.monotonic()
        if len(self._losses) == FLAPS and now - self._losses[0] < FLAP_S:
            return (
                f"the connection to {self.host}:{self.port} was lost {FLAPS} times within a minute: probably "
                f"another client uses the client id {self.client_id!r} too; give each its own name"
            )
        if not self.connected:
            return self._reason
        return self._refused

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
        link = self._link
        if link is None or not self._up.is_set():
            raise BusUnavailable(self._reason)
        return await link.publish(topic, payload, retain)

    async def next(self, timeout: float | None = None) -> Message | None:
        """The oldest received message, None when none comes within `timeout` seconds (None: no limit)."""
        if not self._inbox:
            try:
                async with asyncio.timeout(timeout):
                    await self._inbox.wait_filled()
            except TimeoutError:
                return None
        taken = self._inbox.take(1)
        return taken[0] if taken else None

    def take_nowait(self, limit: int) -> list[Message]:
        """Up to `limit` received messages, oldest first, without waiting."""
        return self._inbox.take(limit)

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
        loop = asyncio.get_running_loop()
        pipe = Pipe()
        try:
            async with asyncio.timeout(REACH_S):
                await loop.create_connection(lambda: pipe, self.host, self.port, ssl=self._tls)
        except TimeoutError:
            return f"{self.host}:{self.port} did not answer within {REACH_S:.0f} s"
        except ssl.SSLError as error:
            return f"{self.host}:{self.port}: TLS failed: {error}; check ca_file and that the name is the certificate's"
        except OSError as error:
            return f"{self.host}:{self.port} cannot be reached: {error.strerror or error}"
        link = self._link = _Link(self, pipe, self._paho())
        try:
            link.open()
            await asyncio.wait(
                (link.ready, link.lost), timeout=HANDSHAKE_S, return_when=asyncio.FIRST_COMPLETED
            )
            if not link.ready.done():
                link.fail(f"{self.host}:{self.port} accepted the connection but is silent")
                return link.lost.result()
            self._reason = f"the connection to {self.host}:{self.port} is silent"
            self._up.set()
            if self._on_connected is not None:
                self._on_connected(self.connection, bool(self.session_present))
            while not link.lost.done():
                await asyncio.wait({link.lost}, timeout=self._keepalive / 4)
                link.tend(1.5 * self._keepalive)
            self._losses.append(time.monotonic())
            return link.lost.result()
        finally:
            self._up.clear()
            self._link = None
            link.close()
            await pipe.closed()

    def _accepted(self, session_present: bool) -> int:
        self.connection += 1
        if self.connection > 1 and not session_present and not self._clean:
            self.sessions_lost += 1
            _log.warning(
                "%s: the broker has lost the session; what waited there may be lost and is to be asked for again",
                self.client_id,
            )
        self.session_present = session_present
        self._refused = ""
        return self.connection

    def _paho(self) -> "_Paho":
        paho = _Paho(
            CallbackAPIVersion.VERSION2,
            self.client_id,
            clean_session=self._clean,
            protocol=MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        paho.max_inflight_messages = 0  # the window is kept here, by messages and by bytes
        if self._username is not None:
            paho.username_pw_set(self._username, self._password)
        if self._will is not None:
            paho.will_set(*self._will, qos=1, retain=True)
        return paho


class _Link:
    """One connection."""

    def __init__(self, client: Client, pipe: Pipe, paho: "_Paho") -> None:
        loop = asyncio.get_running_loop()
        self.ready: asyncio.Future[None] = loop.create_future()
        self.lost: asyncio.Future[str] = loop.create_future()
        self.unacknowledged: dict[int, Message] = {}
        self._client = client
        self._loop = loop
        self._inbox = client._inbox
        self._number = 0
        self._acked: set[int] = set()
        self._open: dict[int, tuple[Delivery, int]] = {}
        self._open_bytes = 0
        self._turn = asyncio.Lock()
        self._room: asyncio.Future[None] | None = None
        self._pipe = pipe
        self._paho = paho
        pipe.on_data = self._read
        pipe.on_lost = self.fail
        paho.pipe = pipe
        paho.on_connect = self._on_connect
        paho.on_subscribe = self._on_subscribe
        paho.on_message = self._on_message
        paho.on_publish = self._on_publish
        paho.on_socket_register_write = self._on_write

    @property
    def silence(self) -> float:
        """Seconds since the last byte came."""
        return time.monotonic() - self._pipe.heard

    def open(self) -> None:
        client = self._client
        self._paho.connect(client.host, client.port, client._keepalive)

    def close(self) -> None:
        """Say goodbye if that is still possible, and end all that waits for this connection."""
        if not self.lost.done():
            self._paho.disconnect()
            self._write()
        self.fail("disconnected")

    def fail(self, reason: str) -> None:
        """The connection is over."""
        if self.lost.done():
            return
        self.lost.set_result(reason)
        self._pipe.close()
        open_ = [delivery for delivery, _ in self._open.values()]
        self._open.clear()
        for future in [*open_, self._room]:
            if future is not None and not future.done():
                future.set_exception(
                    BusUnavailable(f"{reason}; it is unknown whether the broker has the message")
                )
                future.exception()  # a caller may have stopped waiting: then nobody need hear of it

    def tend(self, limit: float) -> None:
        """Send what keeps the connection alive; give it up after `limit` seconds without a byte."""
        if self.lost.done():
            return
        if self.silence > limit:
            why = "the reader does not keep up" if self._inbox.full else "the broker is silent"
            self.fail(f"{self._where}: nothing was read for {self.silence:.0f} s: {why}")
        elif self._paho.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.fail(f"{self._where} did not answer a ping")

    async def publish(self, topic: str, payload: bytes, retain: bool) -> Delivery:
        client = self._client
        async with self._turn:  # first come, first served
            while self._open and (
                len(self._open) >= client._window or self._open_bytes + len(payload) > client._window_bytes
            ):
                self._room = self._loop.create_future()
                await self._room
        if self.lost.done():
            raise BusUnavailable(self.lost.result())
        delivery: Delivery = self._loop.create_future()
        packet = self._paho.publish(topic, payload, 1, retain).mid
        self._open[packet] = delivery, len(payload)
        self._open_bytes += len(payload)
        return delivery

    def ack(self, messages: Iterable[Message]) -> None:
        number = self._number
        acked = self._acked
        acked.update(m.packet for m in messages if m.connection == number and m.packet in self.unacknowledged)
        due = []
        for packet in self.unacknowledged:
            if packet not in acked:
                break
            due.append(packet)
        for packet in due:
            del self.unacknowledged[packet]
            self._paho.ack(packet, 1)
        acked.difference_update(due)

    def resume(self) -> None:
        self._loop.call_soon(self._read)

    @property
    def _where(self) -> str:
        return f"{self._client.host}:{self._client.port}"

    def _read(self) -> None:
        pipe, inbox, paho = self._pipe, self._inbox, self._paho
        try:
            while pipe.pending() and not inbox.full:
                code = paho.loop_read()
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    self.fail(f"{self._where} broke the MQTT protocol ({code.name})")
                    return
        except Exception as error:
            _log.exception("%s: unexpected error while reading", self._client.client_id)
            self.fail(f"{self._where}: {error!r}")
            return
        pipe.hold(inbox.full)

    def _write(self) -> None:
        self._paho.loop_write()
        self._pipe.flush()

    def _on_write(self, paho: _PahoClient, userdata: Any, sock: Any) -> None:
        self._loop.call_soon(self._write)

    def _on_connect(
        self, paho: _PahoClient, userdata: Any, flags: ConnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        client = self._client
        if reason.is_failure:
            who = f"as {client._username!r}" if client._username is not None else "without a login"
            self.fail(
                f"{self._where} refuses the client id {client.client_id!r} {who}: {reason.getName()}; "
                "check the broker's logins and the settings username, password_file or password_env"
            )
            return
        self._number = client._accepted(flags.session_present)
        if client._filters:
            paho.subscribe([(pattern, 1) for pattern in client._filters])
        else:
            self.ready.set_result(None)

    def _on_subscribe(
        self, paho: _PahoClient, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        client = self._client
        refused = [
            pattern for pattern, code in zip(client._filters, reasons, strict=False) if code.is_failure
        ]
        if refused:
            client._refused = (
                f"{self._where} refuses the subscription to {', '.join(refused)}: nothing arrives from there; "
                "correct the broker's access list"
            )
            _log.error("%s: %s", client.client_id, client._refused)
        if not self.ready.done():
            self.ready.set_result(None)

    def _on_message(self, paho: _PahoClient, userdata: Any, received: MQTTMessage) -> None:
        try:
            topic = received.topic
        except UnicodeDecodeError as error:  # matches no topic of ours, so the reader sets it aside
            topic = error.object.decode("utf-8", "backslashreplace")
        payload = received.payload
        packet = received.mid
        message = Message(
            topic,
            payload if type(payload) is bytes else bytes(payload),
            received.retain,
            received.dup,
            self._number,
            packet,
        )
        if packet:
            held = self.unacknowledged.get(packet)
            if held is not None:
                if (held.topic, held.payload) != (topic, message.payload):
                    self.fail(f"{self._where} gave the packet number {packet} to two messages at once")
                return
            self.unacknowledged[packet] = message
        self._inbox.put(message)

    def _on_publish(self, paho: _PahoClient, userdata: Any, mid: int, reason: Any, properties: Any) -> None:
        delivery, size = self._open.pop(mid, (None, 0))
        self._open_bytes -= size
        if delivery is not None and not delivery.done():
            delivery.set_result(None)
        if self._room is not None and not self._room.done():
            self._room.set_result(None)


class _Paho(_PahoClient):
    """paho over a pipe instead of a socket of its own."""

    pipe: Pipe

    def _create_socket(self) -> Any:
        return self.pipe


def _tls(ca_file: Path) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(f"{ca_file}: cannot be used as certificate authority: {error}") from error

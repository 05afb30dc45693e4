"""One MQTT connection: paho makes and reads the packets, a pipe moves the bytes. The only importer of paho.

Every connection has a paho client of its own, which is what forgets half-sent publishes and packet numbers
together with the connection they belong to. There is no thread that could die unseen, and no lock.
"""

import asyncio
import logging
import ssl
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from paho.mqtt.client import Client as PahoClient
from paho.mqtt.client import ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from broker_bridge.bus.inbox import Inbox, Message
from broker_bridge.bus.pipe import Pipe
from broker_bridge.errors import BusUnavailable

Delivery = asyncio.Future[None]
"""Done when the broker has acknowledged; raises BusUnavailable when the connection was lost before that."""

_log = logging.getLogger(__name__)


class Login(NamedTuple):
    """Who a client is to the broker. Never shown."""

    username: str | None
    password: str | None
    id_secret: str = ""
    """What stands behind the client id; see bus.credentials.id_secret."""


@dataclass(frozen=True, slots=True)
class Options:
    """What is the same for every connection of a client; see bus.mqtt.Client."""

    host: str
    port: int
    client_id: str
    username: str | None
    password: str | None = field(repr=False)
    tls: ssl.SSLContext | None
    clean: bool
    keepalive: int
    window: int
    window_bytes: int
    will: tuple[str, bytes] | None
    filters: tuple[str, ...]
    id_secret: str = field(default="", repr=False)

    @property
    def wire_id(self) -> str:
        """The client id as the broker hears it, and nobody else: who knew it could throw this client out."""
        return f"{self.client_id}-{self.id_secret}" if self.id_secret else self.client_id

    @property
    def where(self) -> str:
        """The broker, for messages to people."""
        return f"{self.host}:{self.port}"


class Link:
    """One connection: `open`, wait for `ready` or `lost`, `tend` now and then, `close`."""

    def __init__(self, options: Options, inbox: Inbox, on_accepted: Callable[[bool], int]) -> None:
        """`on_accepted` is told whether the broker had kept the session and gives the connection its number."""
        loop = asyncio.get_running_loop()
        self.ready: asyncio.Future[None] = loop.create_future()
        """Done when the subscriptions are acknowledged."""
        self.lost: asyncio.Future[str] = loop.create_future()
        """Done when the connection is over: why."""
        self.refused_login = False
        """Whether the broker did not let us in."""
        self.refused = ""
        """What the broker did not let us subscribe to, in words."""
        self.unacknowledged: dict[int, Message] = {}
        """Messages in hand by packet number, in the order they came."""
        self._options = options
        self._inbox = inbox
        self._on_accepted = on_accepted
        self._loop = loop
        self._number = 0
        self._acked: set[int] = set()
        self._open: dict[int, tuple[Delivery, int]] = {}
        self._open_bytes = 0
        self._turn = asyncio.Lock()
        self._room: Delivery | None = None
        self._pipe = Pipe(self._read, lambda why: self._end(f"{options.where}: {why}"))
        self._paho = paho = _paho(options, self._pipe)
        paho.on_connect = self._on_connect
        paho.on_subscribe = self._on_subscribe
        paho.on_message = self._on_message
        paho.on_publish = self._on_publish
        paho.on_socket_register_write = self._on_write

    @property
    def up(self) -> bool:
        """Whether it is ready and not over."""
        return self.ready.done() and not self.lost.done()

    @property
    def silence(self) -> float:
        """Seconds since the last byte came."""
        return time.monotonic() - self._pipe.heard

    async def open(self) -> None:
        """Connect and greet. Raises OSError."""
        options = self._options
        await self._loop.create_connection(lambda: self._pipe, options.host, options.port, ssl=options.tls)
        self._paho.connect(options.host, options.port, options.keepalive)

    async def close(self) -> None:
        """Say goodbye if that is still possible, and end all that waits for this connection."""
        if self.lost.done():
            return
        self._paho.disconnect()
        self._write()
        self._end("disconnected")
        await self._pipe.goodbye()

    def fail(self, reason: str) -> None:
        """The connection is over."""
        self._end(reason)
        self._pipe.abort()

    def _end(self, reason: str) -> None:
        if self.lost.done():
            return
        self.lost.set_result(reason)
        waiting = [self._room, *(delivery for delivery, _ in self._open.values())]
        self._open.clear()
        for future in waiting:
            if future is not None and not future.done():
                future.set_exception(
                    BusUnavailable(f"{reason}; it is unknown whether the broker has the message")
                )
                future.exception()  # who no longer waits need not hear of it

    def tend(self, limit: float) -> None:
        """Send what keeps the connection alive; give it up after `limit` seconds without a byte."""
        if self.lost.done():
            return
        if self.silence > limit:
            why = "the reader does not keep up" if self._inbox.full else "the broker is silent"
            self.fail(f"{self._options.where}: nothing was read for {self.silence:.0f} s: {why}")
        elif self._paho.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.fail(f"{self._options.where} did not answer a ping")

    async def publish(self, topic: str, payload: bytes, retain: bool) -> Delivery:
        """See bus.mqtt.Client.publish."""
        async with self._turn:  # first come, first served
            while self._crowded(len(payload)):
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
        """See bus.mqtt.Client.ack."""
        number, acked, held = self._number, self._acked, self.unacknowledged
        acked.update(m.packet for m in messages if m.connection == number and m.packet in held)
        due = []
        for packet in held:
            if packet not in acked:
                break
            due.append(packet)
        for packet in due:
            del held[packet]
            self._paho.ack(packet, 1)
        acked.difference_update(due)

    def resume(self) -> None:
        """The inbox has room again."""
        self._loop.call_soon(self._read)

    def _crowded(self, size: int) -> bool:
        """Whether one more has to wait; a single one never does, whatever its size."""
        options = self._options
        return bool(self._open) and (
            len(self._open) >= options.window or self._open_bytes + size > options.window_bytes
        )

    def _read(self) -> None:
        pipe, inbox, paho = self._pipe, self._inbox, self._paho
        try:
            while pipe.pending() and not inbox.full and not self.lost.done():
                code = paho.loop_read()
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    self.fail(f"{self._options.where} broke the MQTT protocol ({code.name})")
        except Exception as error:  # a packet nobody thought of costs this connection, not the program
            _log.exception("%s: unexpected error while reading", self._options.client_id)
            self.fail(f"{self._options.where}: {error!r}")
        pipe.hold(inbox.full)

    def _write(self) -> None:
        self._paho.loop_write()
        self._pipe.flush()

    def _on_write(self, paho: PahoClient, userdata: Any, sock: Any) -> None:
        self._loop.call_soon(self._write)

    def _on_connect(
        self, paho: PahoClient, userdata: Any, flags: ConnectFlags, reason: ReasonCode, properties: Any
    ) -> None:
        options = self._options
        if reason.is_failure:
            self.refused_login = True
            who = "without a login" if options.username is None else f"as {options.username!r}"
            self.fail(
                f"{options.where} refuses the client id {options.client_id!r} {who}: {reason.getName()}; the broker "
                "does not know this login or its password: run `broker-bridge secure CONFIG` there, start it again, and "
                "copy the password here (it is read again by itself); without credentials, correct username and password_file or password_env"
            )
            return
        self._number = self._on_accepted(flags.session_present)
        if options.filters:
            paho.subscribe([(pattern, 1) for pattern in options.filters])
        else:
            self.ready.set_result(None)

    def _on_subscribe(
        self, paho: PahoClient, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        answers = zip(self._options.filters, reasons, strict=False)
        refused = [pattern for pattern, reason in answers if reason.is_failure]
        if refused:
            self.refused = (
                f"{self._options.where} refuses the subscription to {', '.join(refused)}: nothing comes from there; "
                "correct the broker's access list, or subscribe to fewer topics"
            )
            _log.error("%s: %s", self._options.client_id, self.refused)
        if not self.ready.done():
            self.ready.set_result(None)

    def _on_message(self, paho: PahoClient, userdata: Any, received: MQTTMessage) -> None:
        try:
            topic = received.topic
        except UnicodeDecodeError as error:  # matches no topic of ours, so the reader sets it aside
            topic = error.object.decode("utf-8", "backslashreplace")
        packet = received.mid
        message = Message(topic, bytes(received.payload), received.retain, received.dup, self._number, packet)
        if packet:
            held = self.unacknowledged.get(packet)
            if held is not None:
                if (held.topic, held.payload) != (topic, message.payload):
                    self.fail(
                        f"{self._options.where} gave the packet number {packet} to two messages at once"
                    )
                return
            self.unacknowledged[packet] = message
        self._inbox.put(message)

    def _on_publish(self, paho: PahoClient, userdata: Any, mid: int, reason: Any, properties: Any) -> None:
        delivery, size = self._open.pop(mid, (None, 0))
        self._open_bytes -= size
        if delivery is not None and not delivery.done():
            delivery.set_result(None)
        if self._room is not None and not self._room.done():
            self._room.set_result(None)


class _Paho(PahoClient):
    """paho over a pipe in place of a socket of its own."""

    pipe: Pipe

    def _create_socket(self) -> Any:
        return self.pipe

    def _handle_on_message(self, message: MQTTMessage) -> None:
        # All messages have one callback: looking for another by topic, behind locks, is felt at every message. A paho that has no
        # such method calls it by its own way.
        if self.on_message is not None:
            self.on_message(self, self._userdata, message)


def _paho(options: Options, pipe: Pipe) -> _Paho:
    paho = _Paho(
        CallbackAPIVersion.VERSION2,
        options.wire_id,
        clean_session=options.clean,
        protocol=MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
        manual_ack=True,
    )
    paho.pipe = pipe
    paho.max_inflight_messages = 0  # the window is kept here, by messages and by bytes
    if options.username is not None:
        paho.username_pw_set(options.username, options.password)
    if options.will is not None:
        paho.will_set(*options.will, qos=1, retain=True)
    return paho

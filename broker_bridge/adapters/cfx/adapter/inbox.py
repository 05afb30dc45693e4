"""Messages from a broker's queue, or from machines that connect to us, each accepted when it is safe and not before.

Credit is given for `window` messages at a time and given again for what was settled, so that what is under way is bounded
whatever the peer does. What was not accepted when the connection ends comes again.
"""

import asyncio
import logging
from collections.abc import Iterable
from functools import cache
from itertools import count
from typing import Any, NamedTuple, Self

from broker_bridge.adapters.cfx.adapter.reactor import IDLE_S, Login, Reactor, proton, told
from broker_bridge.config import AmqpListener
from broker_bridge.errors import ConfigError, SourceUnavailable

log = logging.getLogger(__name__)


class Delivered(NamedTuple):
    """One AMQP message."""

    number: int
    """By which it is settled, in this inbox."""
    body: bytes
    encoding: str | None
    """content-encoding as stated."""
    peer: str
    """container-id of who sent it."""
    reply_to: str | None = None
    """Where the sender of a request waits for its answer."""
    problem: str | None = None
    """Why `body` is the whole AMQP message rather than its body: it has none that can be read."""


class Inbox:
    """An open way in. Enter it; `next` until it raises SourceUnavailable; leave it and open another."""

    def __init__(
        self, handler: Any, container_id: str, name: str, login: Login | None = None, ready_s: float = 10.0
    ) -> None:
        self._arrived: asyncio.Queue[Delivered] = asyncio.Queue()
        self._ready: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        self._ready_s = ready_s
        self._handler = handler
        self._login = login
        handler.inbox = self
        self._reactor = Reactor(handler, container_id, name)
        handler.reactor = self._reactor
        self.peers: set[str] = set()
        """Who is connected (when listening)."""

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return self._ready.result()

    async def __aenter__(self) -> Self:
        self._reactor.start()
        try:
            async with asyncio.timeout(self._ready_s):
                either: list[asyncio.Future[Any]] = [self._ready, self._reactor.ended]
                await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        except TimeoutError:
            await self._reactor.stop()
            raise SourceUnavailable(f"no answer within {self._ready_s:g} s") from None
        except BaseException:
            await self._reactor.stop()
            raise
        if not self._ready.done():
            why = self._reactor.ended.result()
            raise SourceUnavailable(why if self._login is None else await self._login.explained(why))
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._reactor.stop()

    async def next(self, most: int) -> list[Delivered]:
        """Some messages, as soon as there is one. Raises SourceUnavailable when the way in has ended."""
        if self._arrived.empty():
            waiting = asyncio.ensure_future(self._arrived.get())
            try:
                either: list[asyncio.Future[Any]] = [waiting, self._reactor.ended]
                await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            finally:
                if not waiting.done():
                    waiting.cancel()
            if not waiting.done() or waiting.cancelled():
                raise SourceUnavailable(self._reactor.ended.result())
            found = [waiting.result()]
        else:
            found = []
        if self._reactor.ended.done():
            raise SourceUnavailable(self._reactor.ended.result())
        while len(found) < most and not self._arrived.empty():
            found.append(self._arrived.get_nowait())
        return found

    def accept(self, numbers: Iterable[int]) -> None:
        """They are safe."""
        done = list(numbers)
        self._reactor.call(lambda: self._handler.accept(done))

    def answer(self, number: int, reply: bytes, properties: dict[str, Any]) -> None:
        """Answer a request, where its sender listens for an answer."""
        self._reactor.call(lambda: self._handler.answer(number, reply, properties))

    # -- called in the event loop -------------------------------------------------------------------------

    def is_ready(self, port: int) -> None:
        """The way in is open."""
        if not self._ready.done():
            self._ready.set_result(port)

    def arrived(self, message: Delivered) -> None:
        """A message came."""
        self._arrived.put_nowait(message)

    def connected(self, peer: str) -> None:
        """Somebody connected."""
        self.peers.add(peer)

    def disconnected(self, peer: str) -> None:
        """Somebody went."""
        self.peers.discard(peer)


def from_queue(login: Login, address: str, window: int, container_id: str) -> Inbox:
    """The inbox of a queue at a broker. Raises UsageError where the extra is not installed."""
    handler = _handlers()[0](login, address, window, container_id)
    return Inbox(handler, container_id, f"cfx {address}", login)


def listening(config: AmqpListener, window: int, container_id: str) -> Inbox:
    """The inbox machines connect to. Raises ConfigError for certificates that cannot be used."""
    domain = None
    if config.cert_file is not None and config.key_file is not None:
        library = proton()
        for path in (config.cert_file, config.key_file, config.client_ca_file):
            if path is not None and not path.is_file():
                raise ConfigError(f"listen: {path}: no such file")
        domain = library.SSLDomain(library.SSLDomain.MODE_SERVER)
        domain.set_credentials(str(config.cert_file), str(config.key_file), None)
        if config.client_ca_file is not None:
            domain.set_trusted_ca_db(str(config.client_ca_file))
            domain.set_peer_authentication(library.SSLDomain.VERIFY_PEER, str(config.client_ca_file))
    host, port = config.host, config.port
    return Inbox(_handlers()[1](host, port, domain, window), container_id, f"cfx listening on {host}:{port}")


@cache
def _handlers() -> tuple[Any, Any]:
    """A consumer and an acceptor, made when proton is first needed: their base classes are its own."""
    library = proton()
    delivery_type, endpoint = library.Delivery, library.Endpoint

    class Base(library.handlers.MessagingHandler):  # type: ignore[misc, name-defined]
        """What both ways in have in common."""

        inbox: Inbox
        reactor: Reactor

        def __init__(self, window: int) -> None:
            super().__init__(prefetch=0, auto_accept=False, auto_settle=True, peer_close_is_error=True)
            # Its own reading of deliveries raises for what is no AMQP message, which would end the container.
            self.handlers: list[Any] = [one for one in self.handlers if not hasattr(one, "auto_accept")]
            self.window = window
            self.why = ""
            self._numbers = count(1)
            self._open: dict[int, Any] = {}
            self._connections: list[Any] = []
            self._stopping = False

        def on_wish(self, event: Any) -> None:
            self.reactor.grant()

        def on_delivery(self, event: Any) -> None:
            delivery = event.delivery
            link = delivery.link
            if not link.is_receiver or not delivery.readable or delivery.partial:
                return
            if delivery.aborted:
                delivery.settle()
                link.flow(1)
                return
            number = next(self._numbers)
            data = link.recv(delivery.pending)
            link.advance()
            self._open[number] = delivery
            peer = link.connection.remote_container or ""
            self.reactor.tell(self.inbox.arrived, _delivered(library, number, bytes(data or b""), peer))

        def accept(self, numbers: list[int]) -> None:
            for number in numbers:
                delivery = self._open.pop(number, None)
                if delivery is None or not delivery.link.state & endpoint.LOCAL_ACTIVE:
                    continue
                link = delivery.link
                delivery.update(delivery_type.ACCEPTED)
                delivery.settle()
                link.flow(1)

        def answer(self, number: int, reply: bytes, properties: dict[str, Any]) -> None:
            """Only who connects to us directly asks; see Acceptor."""

        def shut(self) -> None:
            """Close what is open; the container ends once the last connection is closed."""
            self._stopping = True
            for connection in self._connections:
                if connection.state & endpoint.LOCAL_ACTIVE:
                    connection.close()
            if not self._connections:
                self.reactor.close_wishes()

        def on_transport_closed(self, event: Any) -> None:
            connection = event.connection
            self._connections = [one for one in self._connections if one != connection]
            for number in [n for n, one in self._open.items() if one.link.connection == connection]:
                del self._open[number]
            self.gone(event)
            if self._stopping and not self._connections:
                self.reactor.close_wishes()

        def gone(self, event: Any) -> None:
            """A connection has ended."""

        def end(self, why: str) -> None:
            """Give everything up, for this reason."""
            if not self._stopping:
                self.why = why
                self.shut()

    class Consumer(Base):
        """A receiver at a broker."""

        def __init__(self, login: Login, address: str, window: int, container_id: str) -> None:
            super().__init__(window)
            self._login = login
            self._address = address
            self._container_id = container_id

        def on_start(self, event: Any) -> None:
            connection = event.container.connect(**self._login.options(self._container_id))
            self._connections.append(connection)
            receiver = event.container.create_receiver(connection, self._address, name=self._address)
            receiver.source.durability = library.Terminus.CONFIGURATION
            receiver.rcv_settle_mode = library.Link.RCV_FIRST

        def on_link_opened(self, event: Any) -> None:
            if event.link.is_receiver:
                if event.link.remote_source.address is None:
                    return  # an error follows
                event.link.flow(self.window)
                self.reactor.tell(self.inbox.is_ready, 0)

        def on_link_error(self, event: Any) -> None:
            self.end(f"{self._address}: {told(event.link.remote_condition) or 'the broker closed the link'}")

        def on_session_error(self, event: Any) -> None:
            # RabbitMQ ends the session where a queue or exchange does not exist.
            self.end(
                f"{self._address}: {told(event.session.remote_condition) or 'the broker ended the session'}"
            )

        def on_connection_error(self, event: Any) -> None:
            self.end(told(event.connection.remote_condition) or "the broker closed the connection")

        def on_connection_remote_close(self, event: Any) -> None:
            self.end(told(event.connection.remote_condition) or "the broker closed the connection")

        def on_transport_error(self, event: Any) -> None:
            self.end(told(event.transport.condition) or "the connection broke")

        def gone(self, event: Any) -> None:
            self.end(told(event.transport.condition) or "the connection broke")

    class Acceptor(Base):
        """A listener: machines open connections and links to us."""

        def __init__(self, host: str, port: int, domain: Any, window: int) -> None:
            super().__init__(window)
            self._host, self._port, self._domain = host, port, domain
            self._acceptor: Any = None

        def on_start(self, event: Any) -> None:
            host = f"[{self._host}]" if ":" in self._host else self._host
            self._acceptor = event.container.listen(f"{host}:{self._port}", ssl_domain=self._domain)
            port = (
                self._acceptor._selectable._delegate.getsockname()[1]
                if hasattr(self._acceptor, "_selectable")
                else 0
            )
            self.reactor.tell(self.inbox.is_ready, port)

        def on_connection_bound(self, event: Any) -> None:
            event.transport.idle_timeout = IDLE_S

        def on_connection_opening(self, event: Any) -> None:
            self._connections.append(event.connection)
            self.reactor.tell(self.inbox.connected, event.connection.remote_container or "")

        def on_link_opening(self, event: Any) -> None:
            link = event.link
            link.source.copy(link.remote_source)
            link.target.copy(link.remote_target)
            if link.is_receiver:
                link.flow(self.window)

        def gone(self, event: Any) -> None:
            if event.connection is not None and event.connection.remote_container:
                self.reactor.tell(self.inbox.disconnected, event.connection.remote_container)

        def on_link_error(self, event: Any) -> None:
            log.info("a machine closed its link: %s", told(event.link.remote_condition))

        on_session_error = on_connection_error = on_transport_error = lambda self, event: None

        def answer(self, number: int, reply: bytes, properties: dict[str, Any]) -> None:
            delivery = self._open.get(number)
            if delivery is None:
                return
            connection = delivery.link.connection
            link = connection.link_head(endpoint.LOCAL_ACTIVE | endpoint.REMOTE_ACTIVE)
            while link is not None:
                wanted = properties["address"]
                if link.is_sender and wanted in (link.remote_target.address, link.remote_source.address):
                    link.send(
                        library.Message(
                            body=reply, inferred=True, address=wanted, content_type=properties["content_type"],
                            correlation_id=properties["correlation_id"],
                        )
                    )  # fmt: skip
                    return
                link = link.next(endpoint.LOCAL_ACTIVE | endpoint.REMOTE_ACTIVE)

        def shut(self) -> None:
            if self._acceptor is not None:
                self._acceptor.close()
            super().shut()

    return Consumer, Acceptor


def _delivered(library: Any, number: int, data: bytes, peer: str) -> Delivered:
    message = library.Message()
    try:
        message.decode(data)
        body = message.body
        encoding = message.content_encoding
        reply_to = message.reply_to
    except Exception as error:  # whatever a sender sends must not end the thread
        return Delivered(number, data, None, peer, problem=f"is no AMQP message: {error}")
    if isinstance(body, str):
        return Delivered(number, body.encode("utf-8", "surrogatepass"), encoding, peer, reply_to)
    if isinstance(body, bytes | bytearray | memoryview):
        return Delivered(number, bytes(body), encoding, peer, reply_to)
    return Delivered(
        number, data, None, peer, problem=f"its body is a {type(body).__name__}, not bytes or text"
    )

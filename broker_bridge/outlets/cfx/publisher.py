"""A sender in proton's thread: many messages under way, an answer for each.

A broker's word that it has taken a message may say nothing of where it went: RabbitMQ 3 accepts what no queue takes. With
`proof`, the queue behind the exchange's alternate exchange, a marker is sent behind each lot of messages to that queue, over
the same session, where order is kept; what is found there before the marker was routed nowhere.
"""

import asyncio
import logging
from collections.abc import Sequence
from functools import cache
from typing import Any, Final, Literal, NamedTuple, Self
from uuid import uuid4

from broker_bridge.adapters.cfx.adapter.reactor import Login, Reactor, proton, told
from broker_bridge.adapters.cfx.protocol.writing import CONTENT_TYPE, Sending
from broker_bridge.errors import OutletUnavailable

log = logging.getLogger(__name__)

_MARKER: Final = "broker-bridge-marker"


class Answer(NamedTuple):
    """What became of one message."""

    outcome: Literal["taken", "refused", "unroutable", "later"]
    reason: str = ""


TAKEN: Final = Answer("taken")
_NOWHERE: Final = Answer(
    "unroutable",
    "no queue takes it: bind one to the exchange for this subject, then send the dead letter again",
)


class Publisher:
    """An open way out. Enter it (raises OutletUnavailable); leave it and open another once it has ended."""

    def __init__(
        self, login: Login, address: str, proof: str | None, container_id: str, answer_s: float
    ) -> None:
        """Raises UsageError where the extra is not installed."""
        self._answer_s = answer_s
        self._login = login
        self._where = f"{login.url} {address}"
        self._handler = _sender()(login, address, proof, container_id)
        self._reactor = Reactor(self._handler, container_id, f"cfx to {address}")
        self._handler.reactor = self._reactor
        self._ready: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._handler.is_ready = self._is_ready

    async def __aenter__(self) -> Self:
        self._reactor.start()
        try:
            async with asyncio.timeout(self._answer_s):
                either: list[asyncio.Future[Any]] = [self._ready, self._reactor.ended]
                await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        except TimeoutError:
            await self._reactor.stop()
            raise OutletUnavailable(f"{self._where}: no answer within {self._answer_s:g} s") from None
        except BaseException:
            await self._reactor.stop()
            raise
        if not self._ready.done():
            raise OutletUnavailable(
                f"{self._where}: {await self._login.explained(self._reactor.ended.result())}"
            )
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._reactor.stop()

    @property
    def ended(self) -> bool:
        """Whether another one has to be opened."""
        return self._reactor.ended.done()

    async def publish(self, messages: Sequence[Sending]) -> list[Answer]:
        """Send these, in order, and wait for an answer to each. Raises OutletUnavailable when one does not come."""
        if not messages:
            return []
        answered: asyncio.Future[list[Answer]] = asyncio.get_running_loop().create_future()

        def give(answers: list[Answer]) -> None:
            if not answered.done():
                answered.set_result(answers)

        self._reactor.call(lambda: self._handler.publish(list(messages), give))
        try:
            async with asyncio.timeout(self._answer_s):
                either: list[asyncio.Future[Any]] = [answered, self._reactor.ended]
                await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        except TimeoutError:
            raise OutletUnavailable(
                f"{self._where}: {len(messages)} messages are not answered within {self._answer_s:g} s"
            ) from None
        if not answered.done():
            raise OutletUnavailable(f"{self._where}: {self._reactor.ended.result()}")
        return answered.result()

    def _is_ready(self) -> None:
        if not self._ready.done():
            self._ready.set_result(None)


class _Lot:
    """Messages that are answered together. In proton's thread only."""

    def __init__(self, messages: list[Sending], give: Any, marker: str | None) -> None:
        self.messages = messages
        self.give = give
        self.answers: dict[str, Answer] = {}
        self.marker = marker
        """Waited for; None once it came, or where there is no proof."""
        self.marked = False
        self.unsent = list(messages)

    @property
    def done(self) -> bool:
        """Whether all is known."""
        return self.marker is None and len(self.answers) == len(self.messages)


@cache
def _sender() -> Any:
    """The handler, made when proton is first needed: its base class is its own."""
    library = proton()
    endpoint = library.Endpoint

    class Sender(library.handlers.MessagingHandler):  # type: ignore[misc, name-defined]
        """A sender, and with `proof` a second one and a receiver, on one session."""

        reactor: Reactor
        is_ready: Any

        def __init__(self, login: Login, address: str, proof: str | None, container_id: str) -> None:
            super().__init__(prefetch=0, auto_accept=True, auto_settle=True, peer_close_is_error=True)
            self._login = login
            self._address = address
            self._proof = proof
            self._container_id = container_id
            self.why = ""
            self._connection: Any = None
            self._out: Any = None
            self._mark: Any = None
            self._back: Any = None
            self._opened: set[str] = set()
            self._lots: list[_Lot] = []
            self._tags: dict[Any, tuple[_Lot, str]] = {}
            self._stopping = False

        def on_wish(self, event: Any) -> None:
            self.reactor.grant()

        def on_start(self, event: Any) -> None:
            container = event.container
            self._connection = container.connect(**self._login.options(self._container_id))
            session = self._connection.session()
            session.open()
            self._out = session.sender(f"{self._container_id} out")
            self._out.target.address = self._address
            links = [self._out]
            if self._proof is not None:
                self._mark = session.sender(f"{self._container_id} marker")
                self._mark.target.address = self._proof
                self._back = session.receiver(f"{self._container_id} proof")
                self._back.source.address = self._proof
                self._back.source.durability = library.Terminus.CONFIGURATION
                links += [self._mark, self._back]
            for link in links:
                link.open()

        def on_link_opened(self, event: Any) -> None:
            link = event.link
            if link.is_sender and link.remote_target.address is None:
                return  # an error follows
            if link.is_receiver:
                if link.remote_source.address is None:
                    return
                link.flow(500)
            self._opened.add(link.name)
            if len(self._opened) == (1 if self._proof is None else 3):
                self.reactor.tell(self.is_ready)

        # -- sending --------------------------------------------------------------------------------------

        def publish(self, messages: list[Sending], give: Any) -> None:
            """Send a lot; `give` gets the answers, in order, in the event loop."""
            marker = f"{_MARKER}-{uuid4()}" if self._proof is not None else None
            self._lots.append(_Lot(messages, give, marker))
            self._send()

        def on_sendable(self, event: Any) -> None:
            self._send()

        def _send(self) -> None:
            for lot in self._lots:
                while lot.unsent:
                    if self._out.credit <= 0:
                        return
                    sending = lot.unsent.pop(0)
                    tag = self._out.send(_message(library, sending))
                    self._tags[tag.tag] = (lot, sending.message_id)
                if lot.marker is not None and not lot.marked:
                    if self._mark.credit <= 0:
                        return
                    message = library.Message(body=b"marker", inferred=True, id=lot.marker, durable=False)
                    self._mark.send(message)
                    lot.marked = True

        def on_delivery(self, event: Any) -> None:
            delivery = event.delivery
            if delivery.link == self._back or not delivery.link.is_sender or not delivery.updated:
                return
            if delivery.link == self._mark:
                delivery.settle()
                return
            found = self._tags.pop(delivery.tag, None)
            if found is None:
                return
            lot, message_id = found
            state = delivery.remote_state
            if state == library.Delivery.ACCEPTED:
                answer = TAKEN
            elif state == library.Delivery.REJECTED:
                answer = Answer("refused", told(delivery.remote.condition) or "the broker rejected it")
            elif state == library.Delivery.RELEASED:
                answer = _NOWHERE
            else:
                answer = Answer("later", "the broker gave it back")
            lot.answers.setdefault(message_id, answer)
            delivery.settle()
            self._give()

        def on_message(self, event: Any) -> None:
            """Something in the queue of what was routed nowhere."""
            self._back.flow(1)
            found = str(event.message.id)
            for lot in self._lots:
                if lot.marker == found:
                    lot.marker = None
                elif any(sending.message_id == found for sending in lot.messages):
                    lot.answers[found] = _NOWHERE
            self._give()

        def _give(self) -> None:
            while self._lots and self._lots[0].done:
                lot = self._lots.pop(0)
                answers = [lot.answers[sending.message_id] for sending in lot.messages]
                self.reactor.tell(lot.give, answers)

        # -- the end --------------------------------------------------------------------------------------

        def shut(self) -> None:
            """Close what is open."""
            self._stopping = True
            if self._connection is None:
                self.reactor.close_wishes()
            elif self._connection.state & endpoint.LOCAL_ACTIVE:
                self._connection.close()

        def end(self, why: str) -> None:
            """Give everything up, for this reason."""
            if not self._stopping:
                self.why = why
                self.shut()

        def on_link_error(self, event: Any) -> None:
            self.end(told(event.link.remote_condition) or "the broker closed the link")

        def on_session_error(self, event: Any) -> None:
            # RabbitMQ ends the session where an exchange or queue does not exist.
            self.end(told(event.session.remote_condition) or "the broker ended the session")

        def on_connection_error(self, event: Any) -> None:
            self.end(told(event.connection.remote_condition) or "the broker closed the connection")

        def on_connection_remote_close(self, event: Any) -> None:
            self.end(told(event.connection.remote_condition) or "the broker closed the connection")

        def on_transport_error(self, event: Any) -> None:
            self.end(told(event.transport.condition) or "the connection broke")

        def on_transport_closed(self, event: Any) -> None:
            self.end(told(event.transport.condition) or "the connection broke")
            self.reactor.close_wishes()

    return Sender


def _message(library: Any, sending: Sending) -> Any:
    return library.Message(
        body=sending.body,
        inferred=True,
        durable=True,
        id=sending.message_id,
        subject=sending.subject,
        reply_to=sending.reply_to,
        content_type=CONTENT_TYPE,
        creation_time=sending.created.timestamp(),
        properties=dict(sending.properties),
    )

"""One supervisor's connection to a machine, without any socket: bytes in, answers out.

The machine never speaks first: it answers the supervisor's SupervisoryServiceDescription with its own, and from then on
tells about boards if the supervisor announced FeatureBoardTracking. It answers a CheckAlive of type 1 and a
SendWorkOrderInfo, ignores what it does not know, and ends the connection on anything malformed.
"""

from datetime import datetime
from xml.etree import ElementTree

from broker_bridge.simulate.peers.messages import (
    FATAL,
    PROTOCOL_ERROR,
    describe,
    notify,
    pong,
    reply_work_order,
)

LONGEST = 65_536  # bytes of one message, IPC-HERMES-9852

ACCEPTED_AND_QUEUED = 2


class Session:
    """Feed it with `receive`. `closing` says that the connection must end after the answer is sent."""

    def __init__(self, station: str) -> None:
        self.closing = False
        self.features: frozenset[str] = frozenset()  # that the supervisor announced
        self._station = station
        self._described = False
        self._buffer = b""

    @property
    def tracks(self) -> bool:
        """Whether this supervisor gets BoardArrived and BoardDeparted."""
        return "FeatureBoardTracking" in self.features and not self.closing

    def receive(self, data: bytes, moment: datetime) -> bytes:
        """Take bytes in any portions; return what to send back at `moment` (the machine's local time)."""
        self._buffer += data
        answers = b""
        while not self.closing and (message := self._next_message()) is not None:
            try:
                answers += self._answer(message, moment)
            except (ElementTree.ParseError, ValueError) as error:
                answers += self._refuse(moment, str(error))
        if not self.closing and len(self._buffer) > LONGEST:
            answers += self._refuse(moment, f"message longer than {LONGEST} bytes")
        return answers

    def _next_message(self) -> bytes | None:
        """From `<Hermes` to the `>` after the next `</Hermes`; what stands before is skipped."""
        start = self._buffer.find(b"<Hermes")
        if start < 0:
            self._buffer = self._buffer[-len(b"<Hermes") :]
            return None
        end = self._buffer.find(b"</Hermes", start)
        close = self._buffer.find(b">", end) if end >= 0 else -1
        if close < 0:
            self._buffer = self._buffer[start:]
            return None
        message, self._buffer = self._buffer[start : close + 1], self._buffer[close + 1 :]
        return message

    def _answer(self, message: bytes, moment: datetime) -> bytes:
        if len(message) > LONGEST:
            raise ValueError(f"message longer than {LONGEST} bytes")
        root = ElementTree.fromstring(message)
        if len(root) == 0:
            raise ValueError("a message needs one element inside Hermes")
        element = root[0]
        match element.tag:
            case "SupervisoryServiceDescription":
                return self._describe(element, moment)
            case "CheckAlive" if element.get("Type") == "1":
                return pong(moment, element.get("Id"))
            case "SendWorkOrderInfo" if self._described and "FeatureReplyWorkOrderInfo" in self.features:
                order = element.get("WorkOrderId")
                if order:
                    return reply_work_order(moment, order, element.get("BatchId"), ACCEPTED_AND_QUEUED)
        return b""

    def _describe(self, element: ElementTree.Element, moment: datetime) -> bytes:
        features = element.find("SupportedFeatures")
        if element.get("SystemId") is None or element.get("Version") is None or features is None:
            raise ValueError("SupervisoryServiceDescription needs SystemId, Version and SupportedFeatures")
        if self._described:
            raise ValueError("SupervisoryServiceDescription was already exchanged")
        self._described = True
        self.features = frozenset(feature.tag for feature in features)
        return describe(moment, self._station)

    def _refuse(self, moment: datetime, why: str) -> bytes:
        self.closing = True
        self._buffer = b""
        return notify(moment, PROTOCOL_ERROR, FATAL, why)

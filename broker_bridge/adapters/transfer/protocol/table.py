"""The one table of messages: name, value class, version, clause, and a row for each field."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from broker_bridge.adapters.transfer.protocol import messages
from broker_bridge.adapters.transfer.protocol.fields import (
    Field,
    Items,
    Names,
    Version,
    fields_of,
)


@dataclass(frozen=True, slots=True)
class MessageType:
    """One message of the standard. `clause` is empty where the sources at hand name none."""

    name: str
    type: type[messages.Message]
    since: Version
    clause: str
    fields: tuple[Field, ...]


def _row(
    cls: type[messages.Message], since: Version, clause: str, inherited: Version | None = None
) -> MessageType:
    return MessageType(cls.__name__, cls, since, clause, fields_of(cls, since, inherited or since))


_ROWS: Final = (
    # both channels
    _row(messages.CheckAlive, (1, 0), "3.3"),
    _row(messages.Notification, (1, 0), "3.5"),
    _row(messages.Command, (1, 4), "3.28"),
    # horizontal
    _row(messages.ServiceDescription, (1, 0), "3.4"),
    _row(messages.BoardAvailable, (1, 0), "3.6"),
    _row(messages.RevokeBoardAvailable, (1, 0), "3.7"),
    _row(messages.MachineReady, (1, 0), "3.8", inherited=(1, 1)),  # 1.0 had nothing but FailedBoard
    _row(messages.RevokeMachineReady, (1, 0), "3.9"),
    _row(messages.StartTransport, (1, 0), "3.10"),
    _row(messages.StopTransport, (1, 0), "3.11"),
    _row(messages.TransportFinished, (1, 0), "3.12"),
    _row(messages.BoardForecast, (1, 1), "3.16"),
    _row(messages.QueryBoardInfo, (1, 1), "3.17"),
    _row(messages.SendBoardInfo, (1, 1), "3.18"),
    # vertical
    _row(messages.SupervisoryServiceDescription, (1, 2), "3.22"),
    _row(messages.BoardArrived, (1, 2), "3.23"),
    _row(messages.BoardDeparted, (1, 2), "3.24"),
    _row(messages.QueryWorkOrderInfo, (1, 2), "3.25"),
    _row(messages.SendWorkOrderInfo, (1, 2), "3.26"),
    _row(messages.ReplyWorkOrderInfo, (1, 4), "3.27"),
    _row(messages.QueryHermesCapabilities, (1, 4), "6"),
    _row(messages.SendHermesCapabilities, (1, 4), "6"),
    # remote configuration, since 1.2 on the vertical channel as well
    _row(messages.GetConfiguration, (1, 0), ""),
    _row(messages.SetConfiguration, (1, 0), ""),
    _row(messages.CurrentConfiguration, (1, 0), ""),
)

MESSAGES: Final = {row.name: row for row in _ROWS}
"""Every message by the name of its element."""


def younger_parts(message: messages.Message, version: Version) -> tuple[str, ...]:
    """Name what in `message` a party at `version` cannot know: the message itself or parts it carries."""
    row = MESSAGES[type(message).__name__]
    if row.since > version:
        return (row.name,)
    return tuple(f"{row.name}/{part}" for part in _younger(message, row.fields, version))


def _younger(value: Any, rows: tuple[Field, ...], version: Version) -> Iterator[str]:
    for row in rows:
        part = getattr(value, row.name)
        if part is None or part == () or part == frozenset():
            continue
        if row.since > version:
            yield row.spelling
        elif isinstance(row.kind, Names):
            yield from (f"{row.spelling}/{name}" for name in part if row.kind.since[name] > version)
        elif isinstance(row.kind, Items):
            for item in part:
                inside = _younger(item, row.kind.rows, version)
                yield from (f"{row.spelling}/{row.kind.tag}/{name}" for name in inside)

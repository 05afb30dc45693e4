"""Every error this package raises on purpose, ordered by what the catcher does about it.

    BridgeError
    ├─ UsageError             stop: the command line asks for something that cannot be; exit code 2
    │  └─ Taken               a name that is given away: choose another one
    ├─ ConfigError            stop: refuse to start; names file, key, offending value and what is allowed
    │  └─ TokensDamaged       let nobody in, and tell a person
    ├─ SourceError
    │  ├─ SourceUnavailable   retry with back-off; the source is reported as disconnected
    │  ├─ ProtocolError       (abstract)
    │  │  ├─ RemoteProtocolError   the machine broke the protocol: keep the raw bytes, close, reconnect
    │  │  └─ LocalProtocolError    we broke it: our bug, stop
    │  └─ MappingError        keep the raw record as rejected, carry on with the next one
    ├─ BusError
    │  ├─ BusUnavailable      retry with back-off; the outbox grows meanwhile
    │  └─ WireError           quarantine the payload, acknowledge it, carry on
    ├─ StoreError
    │  ├─ StoreUnavailable    retry; do not acknowledge
    │  │  └─ IndexBehind      the index is being made anew: ask again in a moment
    │  ├─ StoreVersionError   stop: the database is newer than the program
    │  └─ RecordDamaged       stop and tell a person: stored bytes are not what was committed; exit code 5
    ├─ OutletUnavailable      retry that outlet only, with back-off; its position does not move
    ├─ OutboxFull             wait: leave files where they are, state a gap for what cannot wait
    └─ NotFound               the asked-for board, lot or station is not in the record; exit code 1
       ├─ Ambiguous           it names several things: ask for one of the candidates
       └─ NoDatabase          the file itself is not there; exit code 4

Messages say what is wrong, where, the offending value, and what to do. Anything else that escapes
a pure core is a bug of ours.
"""

from collections.abc import Sequence


class BridgeError(Exception):
    """Base of every error raised on purpose."""


class UsageError(BridgeError):
    """The command line asks for something that cannot be."""


class Taken(UsageError):
    """A name is given away already, and what has it is never written over. Choose another one."""


class ConfigError(BridgeError):
    """A configuration or mapping file cannot be used. The message names file, key and value."""


class TokensDamaged(ConfigError):
    """The table of tokens cannot be used: nobody is let in until a person has mended it."""


class SourceError(BridgeError):
    """Something is wrong with a machine's output or with the way to it."""


class SourceUnavailable(SourceError):
    """The machine, folder or share cannot be reached now. Retry with back-off."""


class ProtocolError(SourceError):
    """Abstract: raise one of the two below, so that whose fault it is stands in the type."""

    def __init__(self, message: str, raw: bytes = b"") -> None:
        if type(self) is ProtocolError:
            raise TypeError("raise RemoteProtocolError or LocalProtocolError")
        super().__init__(message)
        self.raw = raw


class RemoteProtocolError(ProtocolError):
    """The peer broke the protocol. `raw` holds the bytes; keep them, close, reconnect."""


class LocalProtocolError(ProtocolError):
    """We tried to break the protocol. A bug of ours."""


class MappingError(SourceError):
    """A raw record cannot become events. `place` says where in it (line, column, field)."""

    def __init__(self, message: str, place: str = "") -> None:
        super().__init__(message)
        self.place = place


class BusError(BridgeError):
    """Something is wrong between us and the broker."""


class BusUnavailable(BusError):
    """The broker cannot be reached now. Retry with back-off."""


class WireError(BusError):
    """A payload on the bus is not a valid event. Quarantine it, acknowledge it, carry on."""


class StoreError(BridgeError):
    """Something is wrong with a database of ours."""


class StoreUnavailable(StoreError):
    """The database cannot be written or read now. Retry; acknowledge nothing meanwhile."""


class IndexBehind(StoreUnavailable):
    """The index has not read what would have to be known for an answer. Ask again in a moment."""


class StoreVersionError(StoreError):
    """The database was made by a newer program than this one, or by something else."""


class RecordDamaged(StoreError):
    """Stored bytes are not the bytes that were committed."""


class OutletUnavailable(BridgeError):
    """A plant system does not take events now. Retry with back-off, from what it has confirmed on.

    `confirmed`: the number of the last event up to which all are delivered; 0: nothing can be said. `wait_s`: how
    long the receiver asks to be left alone, if it does.
    """

    def __init__(self, message: str, confirmed: int = 0, wait_s: float = 0.0) -> None:
        super().__init__(message)
        self.confirmed = confirmed
        self.wait_s = wait_s


class OutboxFull(BridgeError):
    """The outbox reached its ceiling. Leave files where they are; nothing was written."""


class NotFound(BridgeError):
    """What was asked for is not in the record."""


class NoDatabase(NotFound):
    """There is no database at that path: nothing was asked yet."""


class Ambiguous(NotFound):
    """An identifier names several things, and none of them for sure."""

    def __init__(self, message: str, candidates: Sequence[tuple[str, str, int | None]]) -> None:
        super().__init__(message)
        self.candidates = tuple(candidates)
        """Kind and value to ask for, and the position where the value is a panel's."""

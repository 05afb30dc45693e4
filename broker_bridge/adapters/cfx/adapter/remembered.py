"""What is kept of messages and transactions beside the outbox, each under a key of its own: pure."""

import base64
import json
import zlib
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from broker_bridge.adapters.cfx.mapping import Known

SEEN: Final = "seen/"
TRANSACTION: Final = "transaction/"
REJECTED: Final = "rejected/"


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message about boards that nobody has named yet."""

    key: str
    raw: bytes
    taken: datetime
    revision: int
    told: tuple[str, ...]
    """What its transaction had told of inspections before it."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One transaction of one machine."""

    number: int
    handle: str
    known: Known = field(default_factory=Known)
    waiting: tuple[Waiting, ...] = ()

    def dump(self) -> bytes:
        """As it is kept."""
        kept = {
            "number": self.number,
            "handle": self.handle,
            "known": self.known.dump(),
            "waiting": [
                {
                    "key": one.key,
                    "raw": base64.b64encode(zlib.compress(one.raw)).decode("ascii"),
                    "taken": one.taken.isoformat(),
                    "revision": one.revision,
                    "told": list(one.told),
                }
                for one in self.waiting
            ],
        }
        return json.dumps(kept).encode("utf-8")

    @classmethod
    def load(cls, kept: bytes) -> "Entry":
        """What `dump` gave."""
        fields = json.loads(kept)
        waiting = tuple(
            Waiting(
                one["key"],
                zlib.decompress(base64.b64decode(one["raw"])),
                datetime.fromisoformat(one["taken"]),
                one["revision"],
                tuple(one["told"]),
            )
            for one in fields["waiting"]
        )
        return cls(fields["number"], fields["handle"], Known.load(fields["known"]), waiting)


@dataclass(frozen=True, slots=True)
class Seen:
    """A message that was taken."""

    number: int
    time: str
    content: str

    def dump(self) -> bytes:
        """As it is kept."""
        return f"{self.number} {self.time} {self.content}".encode("ascii")

    @classmethod
    def load(cls, kept: bytes) -> "Seen":
        """What `dump` gave."""
        number, time, content = kept.decode("ascii").split()
        return cls(int(number), time, content)


@dataclass(frozen=True, slots=True)
class Rejected:
    """A message that was rejected; its key is the generation of its event.

    A plant adds a machine, a limit is raised, a later version knows more messages: then its bytes may be read again.
    """

    number: int
    digest: str
    """SHA-256 of its bytes, by which the raw archive has them."""
    taken: datetime
    rawname: str
    revision: int
    """The revision that tells of the rejection."""
    encoding: str | None = None
    """content-encoding as stated, where the bytes are still packed."""

    def dump(self) -> bytes:
        """As it is kept."""
        kept = [
            self.number, self.digest, self.taken.isoformat(), self.rawname, self.revision, self.encoding,
        ]  # fmt: skip
        return json.dumps(kept).encode("utf-8")

    @classmethod
    def load(cls, kept: bytes) -> "Rejected":
        """What `dump` gave."""
        number, digest, taken, rawname, revision, encoding = json.loads(kept)
        return cls(number, digest, datetime.fromisoformat(taken), rawname, revision, encoding)

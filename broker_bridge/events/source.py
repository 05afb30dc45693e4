"""Sources: what the bridge says about its own ears."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from broker_bridge.events.base import Data, LongText, Model, Slug, Text, Time

Number = Annotated[int, Field(ge=0, lt=2**63)]


class _SourceData(Data):
    STATUS: ClassVar[Literal["final", "draft"]] = "final"


class SourceConnected(_SourceData):
    """The adapter hears its source (again)."""

    TYPE = "source.connected"
    peer: Text | None = None
    """The name the machine gave itself."""
    detail: LongText | None = None


class SourceDisconnected(_SourceData):
    """The adapter no longer hears its source."""

    TYPE = "source.disconnected"
    detail: LongText | None = None


class SourceGap(_SourceData):
    """Statements of this source are missing, or may be: an openly stated hole."""

    TYPE = "source.gap"
    cause: Literal[
        "away", "outbox_full", "outbox_lost", "range_not_held", "truncated", "file_missing", "other"
    ]
    """away: a live channel without replay was not connected. outbox_lost: a new epoch without a clean close of
    the old. range_not_held: the edge no longer holds a range the recorder misses. truncated: a log was cut
    with possibly unread bytes. file_missing: a number in file names is missing."""
    start: Time | None = None
    """No statement was lost before this time. Absent: not known."""
    end: Time | None = None
    """Nor after this one. Absent: not known, or still open."""
    of_epoch: Number | None = None
    first: Number | None = None
    """First missing sequence number of `of_epoch`."""
    last: Number | None = None
    """Last missing sequence number. Absent with `first` present: everything from `first` on may be missing."""
    detail: LongText | None = None


class SourceRejected(_SourceData):
    """A raw record could not become events. Its bytes are in the origin; nothing is guessed."""

    TYPE = "source.rejected"
    reason: LongText
    place: Text | None = None
    """Line, column, field or path in the raw record."""
    value: LongText | None = None
    """The offending value, shortened to 256 characters."""
    code: Slug = "unmapped"
    """Kind of refusal: encoding, header, field, range, oversize, unknown_kind ..."""


class SourceKept(_SourceData):
    """A valid record of which the schema has no words: nothing is stated, its bytes are kept in the origin."""

    TYPE = "source.kept"
    STATUS = "draft"
    native: Text
    """What kind of record it is, as its source calls it."""


class SourceRetracted(_SourceData):
    """At this revision the raw record gives no events: those of lower revisions no longer hold."""

    TYPE = "source.retracted"
    reason: LongText | None = None


class WorkOrderAnswer(Model):
    """What a machine was told of a board."""

    word: Literal["good", "failed", "unknown"]
    """FailedBoard of IPC-HERMES-9852 in words."""
    order: Text | None = None
    part: Text | None = None


class SourceAnswered(_SourceData):
    """The bridge answered a machine's question from the record. It says nothing about a board that the record did not say
    before: it is no evidence."""

    TYPE = "source.answered"
    STATUS = "draft"
    barcode: Text | None = None
    """What was asked about."""
    query: Text | None = None
    """The machine's own number of the question."""
    answer: WorkOrderAnswer | None = None
    """Absent: the standard's not-found."""
    why: LongText | None = None
    """Why the answer is no better, or why there is none."""
    record: Text | None = None
    commit: Number | None = None
    """As of which commit of `record` it was answered."""
    took_ms: Annotated[int, Field(ge=0)]
    allowed_by: Text
    """Pseudonym of the person who switched on that this machine is answered."""


TYPES: tuple[type[Data], ...] = (
    SourceConnected, SourceDisconnected, SourceGap, SourceRejected, SourceKept, SourceRetracted, SourceAnswered,
)  # fmt: skip

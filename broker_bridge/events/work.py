"""Work done on boards at a station: start and end, orders, prints, washes, batches."""

from typing import Annotated, Literal

from pydantic import Field

from broker_bridge.events.base import Data, Material, Measurement, Program, Text, Time, Tool


class WorkStarted(Data):
    """A station began to process the boards."""

    TYPE = "work.started"
    program: Program | None = None


class WorkCompleted(Data):
    """A station finished processing the boards."""

    TYPE = "work.completed"
    started: Time | None = None
    ended: Time | None = None
    program: Program | None = None
    outcome: Literal["completed", "failed", "aborted", "skipped", "unknown"]
    values: tuple[Measurement, ...] = ()
    tools: tuple[Tool, ...] = ()
    materials: tuple[Material, ...] = ()
    """Chemistry in use, where the station states no amounts: solder, flux, coating."""


class WorkOrderAssigned(Data):
    """Boards belong to a work order from this time on; `order` names it."""

    TYPE = "work.order_assigned"
    quantity: Annotated[int, Field(ge=0)] | None = None
    parent: Text | None = None
    """The order this one was split from or reworks."""


class WorkPrintAttempted(Data):
    """Paste was printed on a panel. A second attempt after a wash voids the values of the first."""

    TYPE = "work.print_attempted"
    attempt: Annotated[int, Field(ge=1)] | None = None
    """Number of this print on this side of the panel, from 1."""
    program: Program | None = None
    stencil: Text | None = None
    stroke: Literal["front_to_rear", "rear_to_front"] | None = None
    prints_since_cleaning: Annotated[int, Field(ge=0)] | None = None
    paste: Material | None = None
    """The paste last put on the stencil; earlier ones may be mixed in until all of it is cleaned off."""
    tools: tuple[Tool, ...] = ()
    outcome: Literal["completed", "failed", "aborted", "unknown"] = "unknown"
    values: tuple[Measurement, ...] = ()


class WorkWashed(Data):
    """Paste was washed off a panel: earlier paste values and top-ups of that side are void."""

    TYPE = "work.washed"
    attempt: Annotated[int, Field(ge=1)] | None = None
    """Number of the print that was washed off."""
    reason: Text | None = None


class WorkStencilCleaned(Data):
    """A stencil was cleaned."""

    TYPE = "work.stencil_cleaned"
    stencil: Text | None = None
    method: Literal["wiped", "washed", "unknown"] = "unknown"
    """Wiped from below between prints, or taken out and washed."""
    paste_removed: bool | None = None
    """True where all paste came off: what was on it before is in no later print."""


class WorkBatchStarted(Data):
    """Boards went together into an oven load, wash, bake, cure or burn-in; `boards` are its members."""

    TYPE = "work.batch_started"
    batch: Text
    process: Text | None = None
    program: Program | None = None
    tools: tuple[Tool, ...] = ()
    materials: tuple[Material, ...] = ()
    """Chemistry in use."""


class WorkBatchEnded(Data):
    """A batch came out."""

    TYPE = "work.batch_ended"
    batch: Text
    outcome: Literal["completed", "failed", "aborted", "unknown"]
    values: tuple[Measurement, ...] = ()


TYPES: tuple[type[Data], ...] = (
    WorkStarted, WorkCompleted, WorkOrderAssigned, WorkPrintAttempted, WorkWashed, WorkStencilCleaned,
    WorkBatchStarted, WorkBatchEnded,
)  # fmt: skip

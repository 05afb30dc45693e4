"""The vertical channel of IPC-HERMES-9852 from the machine's side: its messages as bytes.

Written for the simulated machines alone, so that what reads them elsewhere is not tested against itself. One message is one
`<Hermes>` element, UTF-8, with the sender's local time without zone, and ends with a line feed.
"""

from datetime import datetime
from functools import lru_cache
from xml.sax import saxutils

from broker_bridge.simulate.clocks import MachineClock
from broker_bridge.simulate.model.records import LOADED, UNLOADED, Transfer
from broker_bridge.simulate.products import BOTTOM
from broker_bridge.simulate.stations import LANE

quoteattr = lru_cache(4096)(saxutils.quoteattr)  # the same few names stand in message after message

VERSION = "1.4"
FEATURES = (
    "FeatureBoardTracking",
    "FeatureCheckAliveResponse",
    "FeatureSendWorkOrderInfo",
    "FeatureReplyWorkOrderInfo",
)

PROTOCOL_ERROR, SHUTDOWN = 1, 5  # notification codes
FATAL, INFORMATION = 1, 4  # severities


def envelope(moment: datetime, body: str) -> bytes:
    """One message; `moment` is the sender's local time."""
    stamp = moment.replace(tzinfo=None).isoformat(timespec="milliseconds")
    return f'<Hermes Timestamp="{stamp}">{body}</Hermes>\n'.encode()


def describe(moment: datetime, station: str) -> bytes:
    """SupervisoryServiceDescription: the machine's answer to a supervisor's."""
    features = "".join(f"<{feature}/>" for feature in FEATURES)
    return envelope(
        moment,
        f"<SupervisoryServiceDescription SystemId={quoteattr(station)} Version={quoteattr(VERSION)}>"
        f"<SupportedFeatures>{features}</SupportedFeatures></SupervisoryServiceDescription>",
    )


def notify(moment: datetime, code: int, severity: int, text: str) -> bytes:
    return envelope(
        moment,
        f'<Notification NotificationCode="{code}" Severity="{severity}" Description={quoteattr(text)}/>',
    )


def check_alive(moment: datetime) -> bytes:
    """A plain sign of life: nobody answers it."""
    return envelope(moment, "<CheckAlive/>")


def pong(moment: datetime, identity: str | None) -> bytes:
    """The answer to a CheckAlive of type 1, with the same Id."""
    mark = f" Id={quoteattr(identity)}" if identity is not None else ""
    return envelope(moment, f'<CheckAlive Type="2"{mark}/>')


def reply_work_order(moment: datetime, work_order: str, batch: str | None, status: int) -> bytes:
    """ReplyWorkOrderInfo; status 2: accepted and queued."""
    part = f" BatchId={quoteattr(batch)}" if batch is not None else ""
    return envelope(
        moment, f'<ReplyWorkOrderInfo WorkOrderId={quoteattr(work_order)}{part} Status="{status}"/>'
    )


def track(transfer: Transfer, clock: MachineClock) -> bytes:
    """BoardArrived or BoardDeparted. Positions of sub-boards are those of the marker, which first named them."""
    if transfer.arrived:
        name, lane, in_magazine = "BoardArrived", "UpstreamLaneId", transfer.how == LOADED
    else:
        name, lane, in_magazine = "BoardDeparted", "DownstreamLaneId", transfer.how == UNLOADED
    length, width = transfer.size_mm
    head = f'<{name} MachineId={quoteattr(transfer.station)} {lane}="{LANE}"'
    if in_magazine and transfer.magazine:
        head += f' MagazineId={quoteattr(transfer.magazine)} SlotId="{transfer.slot}"'
    head += (
        f' BoardTransfer="{transfer.how}" BoardId="{transfer.transfer_id}"'
        f' BoardIdCreatedBy={quoteattr(transfer.created_by)} FailedBoard="{transfer.failed}"'
        f" ProductTypeId={quoteattr(transfer.part)}"
        f' FlippedBoard="{2 if transfer.side == BOTTOM else 1}"'
    )
    if transfer.code:
        head += f" TopBarcode={quoteattr(transfer.code)}"
    head += f' Length="{length:.1f}" Width="{width:.1f}" WorkOrderId={quoteattr(transfer.work_order)}'
    if transfer.batch:
        head += f" BatchId={quoteattr(transfer.batch)}"
    if not transfer.sub_boards:
        return envelope(clock.local(transfer.at), head + "/>")
    boards = "".join(
        f'<SB Pos="{position}" Bc={quoteattr(code)} St="{state}"/>'
        if code
        else f'<SB Pos="{position}" St="{state}"/>'
        for position, code, state in transfer.sub_boards
    )
    return envelope(clock.local(transfer.at), f"{head}><SubBoards>{boards}</SubBoards></{name}>")

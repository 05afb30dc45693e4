"""The state tables, checked against a second writing of them.

Source: IPC-HERMES-9852, horizontal and vertical state machines, as restated in the project's fact sheet
(sections 5 and 6). "tolerated" rows: what the sheet says a receiver accepts though no sender sends it.
"""

import pytest

from broker_bridge.adapters.transfer.protocol.codes import Feature, Role
from broker_bridge.adapters.transfer.protocol.diagram import diagram
from broker_bridge.adapters.transfer.protocol.states import HORIZONTAL, VERTICAL, Channel, State, Step
from broker_bridge.adapters.transfer.protocol.table import MESSAGES

SHORT = {
    "OPEN": State.SOCKET_CONNECTED,
    "SDD": State.SERVICE_DESCRIPTION_DOWNSTREAM,
    "NANR": State.NOT_AVAILABLE_NOT_READY,
    "BA": State.BOARD_AVAILABLE,
    "MR": State.MACHINE_READY,
    "AAR": State.AVAILABLE_AND_READY,
    "TR": State.TRANSPORTING,
    "TS": State.TRANSPORT_STOPPED,
    "TF": State.TRANSPORT_FINISHED,
    "SD": State.SUPERVISOR_DESCRIBED,
    "CON": State.CONNECTED,
}
ROLES = {"up": Role.UPSTREAM, "down": Role.DOWNSTREAM, "machine": Role.MACHINE, "sup": Role.SUPERVISOR}

# message | sender | legal | tolerated
HORIZONTAL_ROWS = """
ServiceDescription   | down | OPEN>SDD         |
ServiceDescription   | up   | SDD>NANR         |
BoardAvailable       | up   | NANR>BA MR>AAR   | TR>TR TS>TS
RevokeBoardAvailable | up   | BA>NANR AAR>MR   | TR>TR TS>TS
MachineReady         | down | NANR>MR BA>AAR   |
RevokeMachineReady   | down | MR>NANR AAR>BA   |
StartTransport       | down | AAR>TR           | MR>TR
StopTransport        | down | TR>TS TF>NANR    |
TransportFinished    | up   | TR>TF TS>NANR    |
BoardForecast        | up   | NANR>NANR MR>MR  | TR>TR TS>TS
QueryBoardInfo       | down | NANR BA MR AAR TR TS TF | OPEN SDD
SendBoardInfo        | up   | NANR BA MR AAR TR TS TF | OPEN SDD
Command              | up   | NANR BA MR AAR TR TS TF | OPEN SDD
Command              | down | NANR BA MR AAR TR TS TF | OPEN SDD
Notification         | up   | OPEN SDD NANR BA MR AAR TR TS TF |
Notification         | down | OPEN SDD NANR BA MR AAR TR TS TF |
CheckAlive           | up   | OPEN SDD NANR BA MR AAR TR TS TF |
CheckAlive           | down | OPEN SDD NANR BA MR AAR TR TS TF |
"""

VERTICAL_ROWS = """
SupervisoryServiceDescription | sup     | OPEN>SD | CON
SupervisoryServiceDescription | machine | SD>CON  | CON
BoardArrived                  | machine | CON | SD
BoardDeparted                 | machine | CON | SD
QueryWorkOrderInfo            | machine | CON | SD
ReplyWorkOrderInfo            | machine | CON | SD
SendHermesCapabilities        | machine | CON | SD
CurrentConfiguration          | machine | CON | SD
SendWorkOrderInfo             | sup     | CON | SD
QueryHermesCapabilities       | sup     | CON | SD
GetConfiguration              | sup     | CON | SD
SetConfiguration              | sup     | CON | SD
Command                       | sup     |     | CON
Command                       | machine |     | CON
Notification                  | sup     | OPEN SD CON |
Notification                  | machine | OPEN SD CON |
CheckAlive                    | sup     | OPEN SD CON |
CheckAlive                    | machine | OPEN SD CON |
"""


def expected(rows: str) -> dict[tuple[State, Role, str], Step]:
    steps = {}
    for line in rows.strip().splitlines():
        message, sender, legal, tolerated = (part.strip() for part in line.split("|"))
        for words, only_tolerated in ((legal, False), (tolerated, True)):
            for word in words.split():
                before, _, after = word.partition(">")
                row = (SHORT[before], ROLES[sender], message)
                steps[row] = Step(SHORT[after or before], only_tolerated)
    return steps


@pytest.mark.parametrize(("channel", "rows"), [(HORIZONTAL, HORIZONTAL_ROWS), (VERTICAL, VERTICAL_ROWS)])
def test_every_state_sender_and_message(channel: Channel, rows: str) -> None:
    steps = expected(rows)
    for state in State:
        for sender in Role:
            for message in MESSAGES:
                row = (state, sender, message)
                assert channel.step(*row) == steps.get(row), row


def test_first_speaker_is_the_client() -> None:
    assert HORIZONTAL.parties == (Role.DOWNSTREAM, Role.UPSTREAM)
    assert VERTICAL.parties == (Role.SUPERVISOR, Role.MACHINE)


def test_every_message_belongs_to_a_channel() -> None:
    assert HORIZONTAL.messages | VERTICAL.messages == set(MESSAGES)


def test_what_needs_a_feature() -> None:
    assert VERTICAL.features == {
        "BoardArrived": Feature.BOARD_TRACKING,
        "BoardDeparted": Feature.BOARD_TRACKING,
        "GetConfiguration": Feature.CONFIGURATION,
        "SetConfiguration": Feature.CONFIGURATION,
    }
    assert HORIZONTAL.features == {}


@pytest.mark.parametrize("channel", [HORIZONTAL, VERTICAL])
def test_no_row_is_legal_and_tolerated_at_once(channel: Channel) -> None:
    assert not channel.legal.keys() & channel.tolerated.keys()


@pytest.mark.parametrize("channel", [HORIZONTAL, VERTICAL])
def test_diagram_shows_every_row_once(channel: Channel) -> None:
    text = diagram(channel)
    assert text.startswith("stateDiagram-v2\n    [*] --> SocketConnected: TCP connect\n")
    drawn = set()
    for line in text.splitlines()[2:]:
        if " --> " in line:
            before, _, rest = line.strip().partition(" --> ")
            after, _, label = rest.partition(": ")
            drawn.add((before, after, label))
        elif " in " in line:
            states, _, labels = line.strip().removeprefix("in ").partition(": ")
            for state in states.split(", "):
                drawn |= {(state, state, label + ")") for label in labels.removesuffix(")").split("), ")}
    rows = {
        (state, after, f"{message} ({sender}{remark})")
        for table, remark in ((channel.legal, ""), (channel.tolerated, ", tolerated"))
        for (state, sender, message), after in table.items()
    }
    assert drawn == {(str(before), str(after), label) for before, after, label in rows}


def test_diagram_is_of_the_horizontal_channel_unless_told() -> None:
    assert diagram() == diagram(HORIZONTAL)
    # Mermaid takes one note a state: a second one would replace the first.
    notes = [line for line in diagram().splitlines() if "note right of" in line]
    assert len(notes) == len(set(notes))

"""Connections: the published sequences, crossings, what each side may do, and random legal histories.

Source: IPC-HERMES-9852, as restated in the project's fact sheet (sections 1.1, 2, 5, 6, 7).
"""

from dataclasses import replace
from datetime import UTC, datetime
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from transfer_examples import BOARD, EXAMPLES, OTHER, OWN
from transfer_strategies import cuts

from broker_bridge.adapters.transfer.protocol import (
    CLOSED,
    NEED_DATA,
    BoardArrived,
    BoardAvailable,
    BoardDeparted,
    BoardForecast,
    CheckAlive,
    CheckAliveType,
    Command,
    Feature,
    Flag,
    FlagKind,
    GetConfiguration,
    HorizontalConnection,
    MachineReady,
    Message,
    Notification,
    QueryBoardInfo,
    QueryHermesCapabilities,
    Received,
    RevokeBoardAvailable,
    RevokeMachineReady,
    Role,
    SendBoardInfo,
    SendWorkOrderInfo,
    ServiceDescription,
    SetConfiguration,
    StartTransport,
    State,
    StopTransport,
    SupervisoryServiceDescription,
    TransferState,
    TransportFinished,
    UnknownMessage,
    VerticalConnection,
)
from broker_bridge.adapters.transfer.protocol.states import HORIZONTAL, VERTICAL, Channel
from broker_bridge.adapters.transfer.protocol.table import MESSAGES
from broker_bridge.adapters.transfer.protocol.writer import write_message
from broker_bridge.errors import LocalProtocolError, RemoteProtocolError

AT = datetime(2026, 3, 2, 8, 15, 30, tzinfo=UTC)
ALL_HORIZONTAL = frozenset(
    {
        Feature.CHECK_ALIVE_RESPONSE,
        Feature.BOARD_FORECAST,
        Feature.QUERY_BOARD_INFO,
        Feature.SEND_BOARD_INFO,
        Feature.COMMAND,
    }
)
HELLO = ServiceDescription(machine_id="M", lane_id=1, version="1.6", supported_features=ALL_HORIZONTAL)
OFFER = BoardAvailable(board_id=BOARD, board_id_created_by="M", failed_board=1, flipped_board=1)
READY = MachineReady(failed_board=0)
START = StartTransport(board_id=BOARD)
ARRIVED = BoardArrived(
    machine_id="M",
    upstream_lane_id=1,
    board_transfer=1,
    board_id=BOARD,
    board_id_created_by="M",
    failed_board=1,
    flipped_board=1,
)


def stop(state: TransferState = TransferState.COMPLETE, board: str = BOARD) -> StopTransport:
    return StopTransport(transfer_state=state, board_id=board)


def finished(state: TransferState = TransferState.COMPLETE, board: str = BOARD) -> TransportFinished:
    return TransportFinished(transfer_state=state, board_id=board)


class Pair:
    """Two connections joined in memory; what is sent waits until it is delivered."""

    def __init__(self, first, second) -> None:  # type: ignore[no-untyped-def]
        self.ends = {first.role: first, second.role: second}
        self.wire = {first.role: b"", second.role: b""}  # sent by this role, not delivered yet
        self.flags: list[Flag] = []

    def send(self, sender: Role, message: Message) -> None:
        self.wire[sender] += self.ends[sender].send(message, AT)

    def deliver(self, sender: Role, size: int | None = None) -> list[Message | UnknownMessage]:
        data, self.wire[sender] = self.wire[sender][:size], self.wire[sender][len(self.wire[sender][:size]) :]
        receiver = self.ends[self.ends[sender].peer]
        if data:
            receiver.receive_data(data)
        messages = []
        while isinstance(received := receiver.next_message(), Received):
            messages.append(received.message)
            self.flags += received.flags
        return messages

    def say(self, sender: Role, *messages: Message) -> None:
        """Send and deliver at once."""
        for message in messages:
            self.send(sender, message)
        assert self.deliver(sender) == list(messages)

    @property
    def states(self) -> set[State]:
        return {end.state for end in self.ends.values()}


A, B = Role.UPSTREAM, Role.DOWNSTREAM


def shaken() -> Pair:
    pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
    pair.say(B, HELLO)
    pair.say(A, HELLO)
    assert pair.states == {State.NOT_AVAILABLE_NOT_READY}
    return pair


def moving() -> Pair:
    pair = shaken()
    pair.say(B, READY)
    pair.say(A, OFFER)
    pair.say(B, START)
    assert pair.states == {State.TRANSPORTING}
    return pair


# The sequences of section 6


def test_normal_transfer_downstream_ready_first_and_the_next_round_without_handshake() -> None:
    pair = moving()
    pair.say(A, finished())
    assert pair.states == {State.TRANSPORT_FINISHED}
    pair.say(B, stop(), READY)
    assert pair.states == {State.MACHINE_READY}
    assert pair.flags == []


def test_normal_transfer_upstream_first_and_stop_before_finish() -> None:
    pair = shaken()
    pair.say(A, OFFER)
    pair.say(B, READY)
    pair.say(B, START, stop())
    assert pair.states == {State.TRANSPORT_STOPPED}
    pair.say(A, finished(), replace(OFFER, board_id=OTHER))
    assert pair.states == {State.BOARD_AVAILABLE}
    assert pair.flags == []


def test_stop_and_finish_cross() -> None:
    pair = moving()
    pair.send(A, finished())
    pair.send(B, stop())
    pair.deliver(A)
    pair.deliver(B)
    assert pair.states == {State.NOT_AVAILABLE_NOT_READY}


def test_offer_and_ready_cross() -> None:
    pair = shaken()
    pair.send(A, OFFER)
    pair.send(B, READY)
    pair.deliver(A)
    pair.deliver(B)
    assert pair.states == {State.AVAILABLE_AND_READY}


def test_upstream_revokes_and_offers_another_board() -> None:
    pair = shaken()
    pair.say(A, OFFER, RevokeBoardAvailable(), replace(OFFER, board_id=OTHER))
    pair.say(B, READY)
    pair.say(A, RevokeBoardAvailable())
    assert pair.states == {State.MACHINE_READY}


def test_downstream_revokes() -> None:
    pair = shaken()
    pair.say(B, READY, RevokeMachineReady(), READY)
    pair.say(A, OFFER)
    pair.say(B, RevokeMachineReady())
    assert pair.states == {State.BOARD_AVAILABLE}


def test_start_crosses_revoke_and_the_board_never_moved() -> None:
    pair = shaken()
    pair.say(B, READY)
    pair.say(A, OFFER)
    pair.send(A, RevokeBoardAvailable())
    pair.send(B, START)
    pair.deliver(A)
    pair.deliver(B)
    assert pair.states == {State.TRANSPORTING}
    assert pair.flags == [
        Flag(FlagKind.TOLERATED, "RevokeBoardAvailable", "Transporting"),
        Flag(FlagKind.TOLERATED, "StartTransport", "MachineReady"),
    ]
    pair.say(A, finished(TransferState.NOT_STARTED))
    pair.say(B, stop(TransferState.NOT_STARTED))
    assert pair.states == {State.NOT_AVAILABLE_NOT_READY}


def test_start_crosses_revoke_and_another_offer_and_is_flagged() -> None:
    pair = shaken()
    pair.say(B, READY)
    pair.say(A, OFFER)
    pair.send(A, RevokeBoardAvailable())
    pair.send(A, replace(OFFER, board_id=OTHER))
    pair.send(B, START)
    pair.deliver(B)
    assert pair.flags == [Flag(FlagKind.OTHER_BOARD, "StartTransport/BoardId", f"{BOARD}, not {OTHER}")]
    pair.deliver(A)
    assert pair.states == {State.TRANSPORTING}
    assert pair.ends[B].offered == BOARD  # an offer that is only tolerated offers nothing
    pair.say(A, finished(TransferState.NOT_STARTED))
    pair.say(B, stop(TransferState.NOT_STARTED))


def test_transfer_aborted_while_moving() -> None:
    pair = moving()
    pair.say(B, stop(TransferState.INCOMPLETE))
    pair.say(A, finished(TransferState.INCOMPLETE), OFFER)  # the same board again is legal
    assert pair.states == {State.BOARD_AVAILABLE}


def test_connection_lost_while_moving() -> None:
    pair = moving()
    for end in pair.ends.values():
        end.receive_data(b"")
        assert end.next_message() is CLOSED
    assert pair.states == {State.NOT_CONNECTED}
    with pytest.raises(LocalProtocolError, match="in state NotConnected"):
        pair.send(A, finished())


def test_vertical_sequence() -> None:
    supervisor, machine = VerticalConnection(Role.SUPERVISOR), VerticalConnection(Role.MACHINE)
    pair = Pair(supervisor, machine)
    tracking = frozenset({Feature.BOARD_TRACKING, Feature.CHECK_ALIVE_RESPONSE})
    pair.say(
        Role.SUPERVISOR,
        SupervisoryServiceDescription(system_id="recorder-1", version="1.6", supported_features=tracking),
    )
    assert pair.states == {State.SUPERVISOR_DESCRIBED}
    pair.say(
        Role.MACHINE,
        SupervisoryServiceDescription(system_id="PLACER-1", version="1.6", supported_features=frozenset()),
    )
    pair.say(Role.MACHINE, ARRIVED, CheckAlive(), ARRIVED)
    pair.say(Role.SUPERVISOR, CheckAlive())
    assert pair.states == {State.CONNECTED}
    assert pair.flags == []


# Handshake


@pytest.mark.parametrize("role", [A, Role.MACHINE])
def test_the_server_never_speaks_first(role: Role) -> None:
    server = HorizontalConnection(role) if role is A else VerticalConnection(role)
    hello: Message = HELLO
    if role is Role.MACHINE:
        hello = SupervisoryServiceDescription(system_id="", version="1.6", supported_features=frozenset())
    assert not server.may_send(type(hello))
    with pytest.raises(LocalProtocolError, match="in state SocketConnected"):
        server.send(hello, AT)


def test_nothing_of_the_transfer_goes_before_the_handshake() -> None:
    pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
    for role, message in ((A, OFFER), (B, READY), (B, QueryBoardInfo())):
        with pytest.raises(LocalProtocolError, match="SocketConnected"):
            pair.send(role, message)
    pair.ends[A].receive_data(write_message(READY, AT))
    with pytest.raises(RemoteProtocolError, match="MachineReady from the downstream side is out of order"):
        pair.ends[A].next_message()


def test_second_handshake_on_one_connection_is_out_of_order() -> None:
    pair = shaken()
    pair.ends[A].receive_data(write_message(HELLO, AT))
    with pytest.raises(RemoteProtocolError, match="NotAvailableNotReady"):
        pair.ends[A].next_message()


def test_check_alive_and_notification_work_before_the_handshake() -> None:
    pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
    pair.say(B, CheckAlive(type=CheckAliveType.PING, id="1"))
    pair.say(A, Notification(notification_code=2, severity=2, description="established already"))
    assert pair.states == {State.SOCKET_CONNECTED}


def test_descriptions_are_remembered() -> None:
    pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
    other = replace(HELLO, machine_id="N", lane_id=2)  # lanes of two ends may differ
    pair.say(B, HELLO)
    pair.say(A, other)
    assert (pair.ends[A].own_description, pair.ends[A].peer_description) == (other, HELLO)
    assert (pair.ends[B].own_description, pair.ends[B].peer_description) == (HELLO, other)


def test_role_has_to_be_of_the_channel() -> None:
    with pytest.raises(ValueError, match="machine is no party of the horizontal channel"):
        HorizontalConnection(Role.MACHINE)
    with pytest.raises(ValueError, match="upstream is no party of the vertical channel"):
        VerticalConnection(A)


# Which board


@pytest.mark.parametrize("message", [stop(board=OTHER), finished(board=OTHER)])
def test_end_of_transport_about_another_board_is_a_protocol_error(message: Message) -> None:
    sender, receiver = (B, A) if isinstance(message, StopTransport) else (A, B)
    pair = moving()
    with pytest.raises(LocalProtocolError, match=f"names board {OTHER}, not {BOARD}"):
        pair.send(sender, message)
    raw = write_message(message, AT)
    pair.ends[receiver].receive_data(raw)
    with pytest.raises(RemoteProtocolError, match=f"names board {OTHER}, not {BOARD}") as caught:
        pair.ends[receiver].next_message()
    assert caught.value.raw == raw.strip()
    assert pair.states == {State.TRANSPORTING}  # nothing has changed


def test_start_of_a_board_that_is_not_on_offer_is_not_sent() -> None:
    pair = shaken()
    pair.say(B, READY)
    pair.say(A, OFFER)
    with pytest.raises(LocalProtocolError, match=f"StartTransport names board {OTHER}"):
        pair.send(B, StartTransport(board_id=OTHER))
    assert pair.ends[B].state is State.AVAILABLE_AND_READY


def test_the_peers_id_is_repeated_to_the_letter_and_compared_without_regard_to_case() -> None:
    pair = shaken()
    upper = replace(OFFER, board_id=BOARD.upper())
    pair.say(A, upper)
    pair.say(B, READY)
    with pytest.raises(LocalProtocolError, match="names board"):
        pair.send(B, START)
    pair.say(B, StartTransport(board_id=BOARD.upper()))
    pair.ends[A].receive_data(write_message(stop(), AT))  # lower case
    received = pair.ends[A].next_message()
    assert isinstance(received, Received)
    assert received.flags == ()


def test_an_id_that_is_no_guid_can_be_repeated() -> None:
    taker = HorizontalConnection(B)
    taker.send(HELLO, AT)
    raw = write_message(HELLO, AT) + write_message(OFFER, AT).replace(BOARD.encode(), b"board 7")
    taker.receive_data(raw)
    while taker.next_message() is not NEED_DATA:
        pass
    taker.send(READY, AT)
    assert b'BoardId="board 7"' in taker.send(StartTransport(board_id="board 7"), AT)
    assert b'BoardId="board 7"' in taker.send(stop(board="board 7"), AT)


# Messages to be ignored


def test_unknown_and_misplaced_messages_change_nothing() -> None:
    pair = shaken()
    pair.ends[A].receive_data(b"<Hermes><Novelty/></Hermes>" + write_message(ARRIVED, AT))
    unknown, misplaced = pair.ends[A].next_message(), pair.ends[A].next_message()
    assert isinstance(unknown, Received)
    assert unknown.message == UnknownMessage("Novelty")
    assert isinstance(misplaced, Received)
    assert misplaced.message == UnknownMessage("BoardArrived")
    assert misplaced.flags == (Flag(FlagKind.MISPLACED, "BoardArrived", "on the horizontal channel"),)
    pair.say(B, READY)
    assert pair.states == {State.MACHINE_READY}


def test_a_message_from_the_wrong_side_is_out_of_order() -> None:
    pair = shaken()
    pair.ends[A].receive_data(write_message(OFFER, AT))
    with pytest.raises(RemoteProtocolError, match="BoardAvailable from the downstream side"):
        pair.ends[A].next_message()


def test_reading_goes_on_behind_an_error_with_the_state_as_it_was() -> None:
    pair = shaken()
    pair.ends[A].receive_data(b"<Hermes><MachineReady/></Hermes>" + write_message(READY, AT) + b"<Hermes ")
    with pytest.raises(RemoteProtocolError, match="FailedBoard is required"):
        pair.ends[A].next_message()
    assert isinstance(pair.ends[A].next_message(), Received)
    assert pair.ends[A].state is State.MACHINE_READY
    assert pair.ends[A].next_message() is NEED_DATA
    assert pair.ends[A].rest == b"<Hermes "
    assert pair.ends[A].junk == 0


# Features and versions


def vertical(
    *,
    supervisor: frozenset[Feature] = frozenset(),
    machine: frozenset[Feature] = frozenset(),
    version: str = "1.6",
    features: dict[str, Feature] | None = None,
    may_configure: bool = False,
) -> Pair:
    pair = Pair(
        VerticalConnection(Role.SUPERVISOR, may_configure=may_configure),
        VerticalConnection(Role.MACHINE, features=features),
    )
    for role, announced in ((Role.SUPERVISOR, supervisor), (Role.MACHINE, machine)):
        hello = SupervisoryServiceDescription(system_id="x", version=version, supported_features=announced)
        pair.say(role, hello)
    assert pair.states == {State.CONNECTED}
    return pair


DEPARTED = next(value for _, value in OWN if isinstance(value, BoardDeparted))


@pytest.mark.parametrize("message", [ARRIVED, DEPARTED])
def test_boards_are_told_only_to_a_supervisor_that_announced_tracking(message: Message) -> None:
    pair = vertical()
    assert not pair.ends[Role.MACHINE].may_send(type(message))
    with pytest.raises(LocalProtocolError, match="needs FeatureBoardTracking, which the supervisor side"):
        pair.send(Role.MACHINE, message)
    pair = vertical(supervisor=frozenset({Feature.BOARD_TRACKING}))
    pair.say(Role.MACHINE, message)


def test_a_board_that_is_told_all_the_same_is_taken_and_flagged() -> None:
    pair = vertical()
    pair.ends[Role.SUPERVISOR].receive_data(write_message(ARRIVED, AT))
    received = pair.ends[Role.SUPERVISOR].next_message()
    assert isinstance(received, Received)
    assert received.flags == (Flag(FlagKind.UNANNOUNCED, "BoardArrived", "FeatureBoardTracking"),)


def test_a_board_told_before_the_machines_description_is_not_lost() -> None:
    supervisor = VerticalConnection(Role.SUPERVISOR)
    tracking = frozenset({Feature.BOARD_TRACKING})
    supervisor.send(
        SupervisoryServiceDescription(system_id="x", version="1.6", supported_features=tracking), AT
    )
    supervisor.receive_data(write_message(ARRIVED, AT))
    received = supervisor.next_message()
    assert isinstance(received, Received)
    assert received.flags == (Flag(FlagKind.TOLERATED, "BoardArrived", "SupervisorDescribed"),)
    assert supervisor.state is State.SUPERVISOR_DESCRIBED


def test_the_plant_can_state_further_feature_rules() -> None:
    query = next(value for _, value in OWN if type(value).__name__ == "QueryWorkOrderInfo")
    rule = {"QueryWorkOrderInfo": Feature.QUERY_WORK_ORDER_INFO}
    vertical().say(Role.MACHINE, query)
    with pytest.raises(LocalProtocolError, match="FeatureQueryWorkOrderInfo"):
        vertical(features=rule).send(Role.MACHINE, query)
    vertical(features=rule, supervisor=frozenset({Feature.QUERY_WORK_ORDER_INFO})).say(Role.MACHINE, query)


def test_a_machine_is_configured_only_on_purpose_and_if_it_announced_that() -> None:
    configuration = SetConfiguration(machine_id="M")
    able = frozenset({Feature.CONFIGURATION})
    with pytest.raises(LocalProtocolError, match="not made with may_configure"):
        vertical(machine=able).send(Role.SUPERVISOR, configuration)
    with pytest.raises(LocalProtocolError, match="needs FeatureConfiguration"):
        vertical(may_configure=True).send(Role.SUPERVISOR, configuration)
    vertical(machine=able, may_configure=True).say(Role.SUPERVISOR, configuration)
    vertical(machine=able).say(Role.SUPERVISOR, GetConfiguration())


def test_we_send_nothing_younger_than_the_version_we_announce() -> None:
    pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
    old = replace(HELLO, version="1.0", supported_features=frozenset())
    with pytest.raises(LocalProtocolError, match="SupportedFeatures: not in the Version we announce"):
        pair.send(B, replace(HELLO, version="1.0"))
    pair.say(B, old)
    pair.say(A, old)
    with pytest.raises(LocalProtocolError, match="MachineReady/Length: not in the Version"):
        pair.send(B, MachineReady(failed_board=0, length=1.0))
    with pytest.raises(LocalProtocolError, match="BoardForecast: not in the Version"):
        pair.send(A, BoardForecast(failed_board=0, flipped_board=0))
    pair.say(A, OFFER)


def test_what_is_younger_than_the_version_the_peer_announced_is_taken_and_flagged() -> None:
    pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
    pair.say(B, replace(HELLO, version="1.2", supported_features=frozenset()))
    pair.say(A, HELLO)
    pair.ends[A].receive_data(
        write_message(MachineReady(failed_board=0, batch_id="2"), AT) + write_message(Command(command=1), AT)
    )
    flags = [received.flags for received in (pair.ends[A].next_message(), pair.ends[A].next_message())]  # type: ignore[union-attr]
    assert flags == [
        (Flag(FlagKind.NEWER, "MachineReady/BatchId", "1.2"),),
        (Flag(FlagKind.NEWER, "Command", "1.2"),),
    ]


def test_a_peer_without_a_legal_version_is_not_measured_by_it() -> None:
    taker = HorizontalConnection(B)
    taker.send(HELLO, AT)
    taker.receive_data(write_message(HELLO, AT).replace(b'Version="1.6"', b'Version="new"'))
    received = taker.next_message()
    assert isinstance(received, Received)
    assert [flag.kind for flag in received.flags] == [FlagKind.FORM]
    assert taker.state is State.NOT_AVAILABLE_NOT_READY


def test_a_version_1_0_peer_gets_through_a_whole_transfer() -> None:
    giver = HorizontalConnection(A)
    giver.receive_data(
        b'<Hermes Timestamp="2026-03-02T08:15:30.120"><ServiceDescription MachineId="old" LaneId="1" Version="1.0"/></Hermes>'
    )
    received = giver.next_message()
    assert isinstance(received, Received)
    assert [flag.kind for flag in received.flags] == [FlagKind.MISSING]
    giver.send(HELLO, AT)
    giver.send(OFFER, AT)
    giver.receive_data(write_message(READY, AT) + write_message(START, AT) + write_message(stop(), AT))
    for _ in range(3):
        assert isinstance(giver.next_message(), Received)
    giver.send(finished(), AT)
    assert giver.state is State.NOT_AVAILABLE_NOT_READY


# CheckAlive


def test_a_ping_is_answered_by_whoever_announced_it() -> None:
    ping = CheckAlive(type=CheckAliveType.PING, id="77")
    pair = shaken()
    assert pair.ends[A].answer_to(ping) == CheckAlive(type=CheckAliveType.PONG, id="77")
    assert pair.ends[A].answer_to(CheckAlive()) is None
    assert pair.ends[A].answer_to(READY) is None
    assert pair.ends[A].answer_to(UnknownMessage("CheckAlive")) is None
    assert vertical().ends[Role.MACHINE].answer_to(ping) is None
    assert HorizontalConnection(A).answer_to(ping) is None


# Random histories

SAMPLES = {type(value): value for _, value in EXAMPLES}


def fitting(message: type[Message], end) -> Message:  # type: ignore[no-untyped-def]
    """A message of this type whose content is in order for this end."""
    if message is ServiceDescription:
        return HELLO
    if message is SupervisoryServiceDescription:
        announced = frozenset(VERTICAL.features.values())
        return SupervisoryServiceDescription(system_id="x", version="1.6", supported_features=announced)
    if message is StartTransport:
        return StartTransport(board_id=end.offered)
    if message in (StopTransport, TransportFinished):
        return message(transfer_state=TransferState.COMPLETE, board_id=end.moving)  # type: ignore[call-arg]
    return SAMPLES[message]


def walk(pair: Pair, channel: Channel, chance: Random, steps: int) -> tuple[set[State], set[str]]:
    """Let both ends say whatever is legal, deliver in pieces, and check that all of it arrives as said.

    Returns the states reached and the messages said.
    """
    names = sorted(channel.messages)
    sent: dict[Role, list[Message]] = {role: [] for role in pair.ends}
    taken: dict[Role, list[object]] = {role: [] for role in pair.ends}
    reached: set[State] = set()
    for step in range(steps):
        role = chance.choice(channel.parties)
        end = pair.ends[role]
        legal = [name for name in names if end.may_send(MESSAGES[name].type)]
        # Few messages change the state: without a preference the walk would not get far.
        moves = [name for name in legal if channel.legal[end.state, role, name] is not end.state]
        if legal and chance.random() < 0.5:
            name = chance.choice(moves if moves and chance.random() < 0.7 else legal)
            message = fitting(MESSAGES[name].type, end)
            if isinstance(message, BoardAvailable):
                message = replace(message, board_id=f"00000000-0000-4000-8000-{step:012}")
            pair.send(role, message)
            sent[role].append(message)
        else:
            taken[role] += pair.deliver(role, chance.randrange(1, 900))
        reached |= pair.states
    for role in pair.ends:
        taken[role] += pair.deliver(role)
        assert taken[role] == sent[role]
    assert len(pair.states) == 1
    return reached, {type(message).__name__ for messages in sent.values() for message in messages}


def test_two_horizontal_ends_stay_legal_over_random_histories() -> None:
    reached, said, flags = set(), set(), set()
    for seed in range(30):
        pair = Pair(HorizontalConnection(A), HorizontalConnection(B))
        states, names = walk(pair, HORIZONTAL, Random(seed), 300)
        reached |= states
        said |= names
        flags |= {(flag.kind, flag.place) for flag in pair.flags if flag.kind is not FlagKind.EMPTY}
    # The walk is only worth something if it gets everywhere, through every crossing there is.
    assert reached == {state for state, _, _ in HORIZONTAL.legal}
    assert said == HORIZONTAL.messages
    assert flags == {
        (FlagKind.TOLERATED, "StartTransport"),
        (FlagKind.TOLERATED, "BoardAvailable"),
        (FlagKind.TOLERATED, "RevokeBoardAvailable"),
        (FlagKind.TOLERATED, "BoardForecast"),
        (FlagKind.OTHER_BOARD, "StartTransport/BoardId"),
    }


def test_two_vertical_ends_stay_legal_over_random_histories() -> None:
    reached, said = set(), set()
    for seed in range(10):
        supervisor = VerticalConnection(Role.SUPERVISOR, may_configure=True)
        pair = Pair(supervisor, VerticalConnection(Role.MACHINE))
        states, names = walk(pair, VERTICAL, Random(seed), 200)
        reached |= states
        said |= names
        assert {flag.kind for flag in pair.flags} <= {FlagKind.EMPTY, FlagKind.TOLERATED}
    assert reached == {state for state, _, _ in VERTICAL.legal}
    assert said == VERTICAL.messages - {"Command"}  # which is only tolerated here


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_any_bytes_are_messages_or_protocol_errors_in_any_state(data: st.DataObject) -> None:
    scraps = st.one_of(
        st.sampled_from(EXAMPLES).map(lambda example: example[0].encode()),
        st.binary(max_size=30),
        st.sampled_from([b"<Hermes>", b"</Hermes>", b"<Hermes><X/></Hermes>", b"<", b"\n"]),
    )
    stream = b"".join(data.draw(st.lists(scraps, max_size=12)))
    role = data.draw(st.sampled_from(list(Role)))
    whole, cut = (
        HorizontalConnection(role) if role in HORIZONTAL.parties else VerticalConnection(role)
        for _ in range(2)
    )
    assert _drain(whole, [stream]) == _drain(cut, data.draw(cuts(stream)))
    assert whole.state is cut.state is State.NOT_CONNECTED


def _drain(connection, pieces: list[bytes]) -> list[object]:  # type: ignore[no-untyped-def]
    said: list[object] = []
    for piece in [piece for piece in pieces if piece] + [b""]:
        connection.receive_data(piece)
        while True:
            try:
                received = connection.next_message()
            except RemoteProtocolError as error:
                said.append((str(error), error.raw))
                continue
            if not isinstance(received, Received):
                break
            said.append(received)
    return said


def test_some_messages_need_no_content_of_the_peers() -> None:
    pair = shaken()
    pair.say(B, QueryBoardInfo(top_barcode="T"))
    pair.say(A, SendBoardInfo(top_barcode="T"))
    other = vertical()
    other.say(Role.SUPERVISOR, SendWorkOrderInfo(work_order_id="W"), QueryHermesCapabilities())

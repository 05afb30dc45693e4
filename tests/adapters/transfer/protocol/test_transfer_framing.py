"""Cutting bytes into messages. IPC-HERMES-9852 clause 3.1, as restated in the project's fact sheet."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from transfer_strategies import cuts

from broker_bridge.adapters.transfer.protocol.framing import JUNK_SAMPLE, MAX_JUNK, Frame, Framer, Pending
from broker_bridge.errors import LocalProtocolError, RemoteProtocolError

LIMIT = 65_536  # clause 3.1


def outcomes(pieces: list[bytes], *, close: bool = True) -> tuple[list[object], Framer]:
    """Everything the framer says to these pieces: frames, and errors as their text and bytes."""
    framer = Framer()
    said: list[object] = []
    for piece in [*pieces, b""] if close else pieces:
        framer.receive_data(piece)
        while True:
            try:
                frame = framer.next_frame()
            except RemoteProtocolError as error:
                said.append((str(error), error.raw))
                continue
            if isinstance(frame, Pending):
                break
            said.append(frame)
        assert len(framer.rest) <= LIMIT + 16  # bounded, whatever comes
    return said, framer


def message(size: int) -> bytes:
    """A message of exactly this many bytes."""
    head, tail = b'<Hermes><M a="', b'"/></Hermes>'
    return head + b"x" * (size - len(head) - len(tail)) + tail


def test_message_is_the_bytes_from_opening_to_closing_tag() -> None:
    said, _ = outcomes([b"<Hermes><M/></Hermes><Hermes a='>'><M/></Hermes \n>"])
    assert said == [Frame(b"<Hermes><M/></Hermes>"), Frame(b"<Hermes a='>'><M/></Hermes \n>")]


def test_names_that_only_begin_like_the_tag_are_no_tag() -> None:
    raw = b"<Hermes><HermesMore></HermesMore></Hermes>"
    assert outcomes([b"<HermesMore>" + raw])[0] == [Frame(raw, b"<HermesMore>")]


def test_blanks_in_the_closing_tag_are_looked_at_up_to_a_limit() -> None:
    """Else a peer that sends one blank at a time makes every byte cost more than the one before."""
    raw = b"<Hermes><M/></Hermes"
    assert outcomes([raw + b" " * 64 + b">"])[0] == [Frame(raw + b" " * 64 + b">")]
    next_one = b"<Hermes><M/></Hermes>"
    said, _ = outcomes([bytes([byte]) for byte in raw + b" " * 65 + b">" + next_one])
    assert said[0][1] == raw + b" " * 65 + b">"  # type: ignore[index]
    assert said[1:] == [Frame(next_one)]


@pytest.mark.parametrize(
    "between",
    [
        b"\n",
        b" \r\n\t ",
        b"\xef\xbb\xbf",
        b'<?xml version="1.0" encoding="utf-8"?>\n',
        b"\xef\xbb\xbf<?xml?>",
    ],
)
def test_blanks_byte_order_mark_and_declaration_between_messages_are_passed_by(between: bytes) -> None:
    raw = b"<Hermes><M/></Hermes>"
    assert outcomes([between + raw + between + raw + between])[0] == [Frame(raw), Frame(raw)]


def test_junk_is_counted_and_shown_with_the_next_message() -> None:
    raw = b"<Hermes><M/></Hermes>"
    said, framer = outcomes([b" <!-- hello --> " + raw + b"lost", raw])
    assert said == [Frame(raw, b"<!-- hello --> "), Frame(raw, b"lost")]
    assert framer.junk == len(b"<!--hello-->lost")


def test_long_junk_is_one_error_and_the_message_behind_it_is_not_lost() -> None:
    raw = b"<Hermes><M/></Hermes>"
    said, framer = outcomes([b"GET /" + b"x" * 2 * MAX_JUNK + raw])
    assert len(said) == 2
    assert said[0][1] == b"GET /" + b"x" * (JUNK_SAMPLE - 5)  # type: ignore[index]
    assert said[1] == Frame(raw, b"GET /" + b"x" * (JUNK_SAMPLE - 5))
    assert framer.junk == len(b"GET/") + 2 * MAX_JUNK


def test_every_stretch_of_long_junk_is_an_error_of_its_own() -> None:
    raw = b"<Hermes><M/></Hermes>"
    said, _ = outcomes([(b"z" * (MAX_JUNK + 1) + raw) * 2])
    assert [isinstance(entry, Frame) for entry in said] == [False, True, False, True]


def test_clause_3_1_message_of_the_largest_size_is_taken() -> None:
    assert outcomes([message(LIMIT)])[0] == [Frame(message(LIMIT))]


@pytest.mark.parametrize("size", [LIMIT + 1, LIMIT + 15, LIMIT + 16, LIMIT + 17, 90_000])
@pytest.mark.parametrize("piece", [1000, 1_000_000])
def test_clause_3_1_larger_message_is_an_error_and_the_next_one_is_taken(size: int, piece: int) -> None:
    raw = message(size) + b"<Hermes><M/></Hermes>"
    pieces = [raw[at : at + piece] for at in range(0, len(raw), piece)]
    said, _ = outcomes(pieces)
    assert said[0][1] == message(size)[:LIMIT]  # type: ignore[index]
    assert "longer than 65536 bytes" in said[0][0]  # type: ignore[index]
    assert isinstance(said[-1], Frame)
    assert said[-1].raw == b"<Hermes><M/></Hermes>"


def test_message_cut_off_by_another_does_not_take_it_along() -> None:
    raw = b"<Hermes><M/></Hermes>"
    said, _ = outcomes([b'<Hermes><M a="1' + raw])
    assert said[0][1] == b'<Hermes><M a="1'  # type: ignore[index]
    assert said[1:] == [Frame(raw)]


def test_close_inside_a_message_is_an_error_with_the_bytes_then_closed() -> None:
    framer = Framer()
    framer.receive_data(b"<Hermes><M")
    assert framer.next_frame() is Pending.NEED_DATA
    assert framer.rest == b"<Hermes><M"
    framer.receive_data(b"")
    with pytest.raises(RemoteProtocolError, match="closed inside a message") as caught:
        framer.next_frame()
    assert caught.value.raw == b"<Hermes><M"
    assert framer.next_frame() is Pending.CLOSED
    assert framer.next_frame() is Pending.CLOSED


def test_close_between_messages_is_no_error_even_behind_half_a_tag() -> None:
    said, framer = outcomes([b"<Herm"])
    assert said == []
    assert framer.junk == 5


def test_data_behind_the_close_are_our_error() -> None:
    framer = Framer()
    framer.receive_data(b"")
    framer.receive_data(b"")
    with pytest.raises(LocalProtocolError, match="after the end"):
        framer.receive_data(b"x")


def test_feeding_without_taking_is_our_error_and_takes_nothing() -> None:
    framer = Framer()
    framer.receive_data(b"x" * (LIMIT + 17))
    with pytest.raises(LocalProtocolError, match="NEED_DATA") as caught:
        framer.receive_data(b"more")
    assert caught.value.raw == b"more"
    assert len(framer.rest) == LIMIT + 17


SCRAPS = st.sampled_from(
    [
        b"<Hermes>",
        b"<Hermes ",
        b"</Hermes>",
        b"</Hermes",
        b" >",
        b" " * 33,
        b"<",
        b"<M/>",
        b"x" * 300,
        b"\n",
        b"\xef\xbb\xbf",
        b"<Herm",
        b"es>",
        b"y" * 40_000,
        b"<Hermes><M/></Hermes>",
        b"\xff\x00",
    ]
)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), scraps=st.lists(SCRAPS, max_size=12))
def test_cutting_any_bytes_anywhere_changes_nothing(data: st.DataObject, scraps: list[bytes]) -> None:
    stream = b"".join(scraps)
    pieces = data.draw(cuts(stream))
    whole, by_whole = outcomes([stream] if stream else [])
    cut, by_cut = outcomes(pieces)
    assert cut == whole
    assert by_cut.junk == by_whole.junk


@pytest.mark.parametrize("tail", [b"", b"<Hermes><M/></Hermes>"])
def test_cutting_at_every_byte_around_the_limit(tail: bytes) -> None:
    stream = message(LIMIT)[:-3] + tail
    whole, _ = outcomes([stream])
    for at in range(LIMIT - 12, len(stream)):
        assert outcomes([stream[:at], stream[at:]])[0] == whole

import asyncio

from broker_bridge.bus.inbox import Inbox, Message


def message(number: int, size: int = 1) -> Message:
    return Message("t", b"x" * size, False, False, 1, number)


def test_messages_leave_in_the_order_they_came() -> None:
    inbox = Inbox(10, 1000, lambda: None)
    for number in range(5):
        inbox.put(message(number))
    assert [m.packet for _ in range(2) if (m := inbox.pop())] == [0, 1]
    assert [m.packet for _ in range(3) if (m := inbox.pop())] == [2, 3, 4]
    assert inbox.pop() is None


def test_it_is_full_at_a_number_of_messages_and_has_room_again_at_half() -> None:
    rooms: list[int] = []
    inbox = Inbox(4, 1000, lambda: rooms.append(len(inbox)))
    for number in range(4):
        assert not inbox.full
        inbox.put(message(number))
    assert inbox.full
    inbox.pop()
    assert inbox.full
    assert rooms == []
    inbox.pop()
    assert not inbox.full
    assert rooms == [2]


def test_it_is_full_at_a_number_of_bytes() -> None:
    inbox = Inbox(100, 1000, lambda: None)
    inbox.put(message(1, 999))
    assert not inbox.full
    inbox.put(message(2, 1))
    assert inbox.full
    inbox.pop()
    assert not inbox.full
    inbox.pop()
    inbox.put(message(3, 999))  # all bytes are given back
    assert not inbox.full


def test_waiting_ends_when_something_comes_and_when_there_is_room() -> None:
    async def story() -> None:
        inbox = Inbox(1, 1000, lambda: None)
        async with asyncio.timeout(5), asyncio.TaskGroup() as group:
            await inbox.wait_room()
            filled = group.create_task(inbox.wait_filled())
            await asyncio.sleep(0)
            assert not filled.done()
            inbox.put(message(1))
            await filled
            room = group.create_task(inbox.wait_room())
            await asyncio.sleep(0)
            assert not room.done()
            inbox.pop()
            await room

    asyncio.run(story())

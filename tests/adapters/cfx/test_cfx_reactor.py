"""The thread of the CFX adapter wakes up when told, and touches nothing that is not its own once it has ended."""

import asyncio
from pathlib import Path

import pytest

from broker_bridge.adapters.cfx.adapter.reactor import Reactor

pytest.importorskip("proton", reason="python-qpid-proton is not installed: pip install 'broker-bridge[cfx]'")


class Idle:
    """A handler that does nothing."""

    why = "it has ended"


def test_a_wish_after_the_end_reaches_no_file_that_has_the_number_of_the_closed_pipe(tmp_path: Path) -> None:
    """The thread ends, and the event loop does not know yet: what it says then must not be written to somebody else."""

    async def life() -> None:
        reactor = Reactor(Idle(), "test", "test")
        reactor.start()
        reactor.close_wishes()
        reactor._thread.join(10)
        assert not reactor._thread.is_alive()
        others = [(tmp_path / f"other-{number}").open("w+b", buffering=0) for number in range(8)]
        assert not reactor.ended.done(), "the event loop has not run since"
        reactor.call(lambda: None)
        reactor.close_wishes()
        for other in others:
            assert other.seek(0, 2) == 0
            other.close()
        assert await asyncio.wait_for(reactor.ended, 5)

    asyncio.run(life())

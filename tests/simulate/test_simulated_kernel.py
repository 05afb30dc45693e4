"""The kernel: virtual time, order at one instant, signals."""

import pytest

from broker_bridge.simulate.model.kernel import Kernel, Process, Signal


def run(kernel: Kernel) -> None:
    while kernel.step():
        pass


def test_processes_hold_for_their_time_and_keep_their_order_at_one_instant() -> None:
    kernel = Kernel()
    seen: list[tuple[float, str]] = []

    def process(name: str, *holds: float) -> Process:
        for hold in holds:
            yield hold
            seen.append((kernel.now, name))

    kernel.start(process("a", 2.0, 1.0))
    kernel.start(process("b", 1.0, 2.0))
    run(kernel)
    assert seen == [(1.0, "b"), (2.0, "a"), (3.0, "b"), (3.0, "a")]  # b asked for 3.0 first


def test_a_signal_wakes_all_who_wait_and_is_not_remembered() -> None:
    kernel = Kernel()
    signal = Signal(kernel)
    woken: list[tuple[float, int]] = []

    def waiter(number: int) -> Process:
        yield signal
        woken.append((kernel.now, number))
        yield signal
        woken.append((kernel.now, number))

    def firer() -> Process:
        yield 5.0
        signal.fire()
        yield 5.0

    kernel.start(waiter(1))
    kernel.start(waiter(2))
    kernel.start(firer())
    run(kernel)
    assert woken == [(5.0, 1), (5.0, 2)]


def test_time_does_not_run_backwards() -> None:
    kernel = Kernel()

    def process() -> Process:
        yield -1.0

    kernel.start(process())
    with pytest.raises(ValueError, match="backwards"):
        kernel.step()

"""A source that runs wild is told; one that catches up is not."""

from broker_bridge.recorder.rates import FLOOD_A_S, WINDOW_S, Rates

A, B = "/harbour-works/smt/line-1/aoi", "/harbour-works/smt/line-1/spi"


def minutes(
    rates: Rates, source: str, a_second: float, count: int = 2, *, epoch: int = 1, start: float = 0.0
) -> float:
    now = start
    for step in range(int(count * WINDOW_S / 10) + 1):
        now = start + 10 * step
        rates.heard(source, epoch, 1 + int(a_second * now), now)
    return now


def test_a_source_above_the_limit_is_told_with_its_rate_until_it_calms_down() -> None:
    rates = Rates()
    minutes(rates, A, 2 * FLOOD_A_S)
    minutes(rates, B, FLOOD_A_S / 2)
    assert rates.floods() == [f"{A} (1,000 a second)"]
    now = 2 * WINDOW_S
    last = 1 + int(2 * FLOOD_A_S * now)
    rates.heard(A, 1, last + 5, now + WINDOW_S)
    assert rates.floods() == []


def test_what_was_numbered_before_anybody_listened_is_no_flood() -> None:
    rates = Rates()
    for second in range(0, 600, 10):  # 1.44 million events waited; they arrive now, none is new
        rates.heard(A, 1, 1_440_000, float(second))
    assert rates.floods() == []


def test_a_new_outbox_counts_from_its_own_beginning() -> None:
    rates = Rates()
    rates.heard(A, 1, 5, 0.0)
    rates.heard(A, 2, 900_000, 61.0)
    rates.heard(A, 1, 10**12, 200.0)  # the older one, which is fenced
    rates.heard(A, 2, 900_100, 122.0)
    assert rates.floods() == []


def test_one_burst_within_a_minute_is_no_flood() -> None:
    rates = Rates()
    rates.heard(A, 1, 0, 0.0)
    rates.heard(A, 1, 20_000, 5.0)
    rates.heard(A, 1, 20_100, WINDOW_S)
    assert rates.floods() == []

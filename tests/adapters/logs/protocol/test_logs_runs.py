"""Long runs of refusals become few."""

from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, digest_of
from broker_bridge.adapters.logs.protocol.runs import SINGLY, joined


def refused(number: int, code: str = "columns") -> Refused:
    return Refused(number * 2, number * 2 + 2, number + 1, "has 1 column", code, b"x\n")


def test_a_run_of_refusals_is_joined_from_the_21st_on() -> None:
    (*single, last) = joined(refused(number) for number in range(1000))
    assert len(single) == SINGLY
    assert isinstance(last, Refused)
    assert (last.position, last.end, last.line) == (2 * SINGLY, 2000, SINGLY + 1)
    assert last.digest == digest_of(b"x\n" * (1000 - SINGLY))
    assert last.reason == f"{1000 - SINGLY} records in a row are refused; the first: has 1 column"


def test_records_and_other_refusals_end_a_run() -> None:
    good = NativeRecord("row", 100, 102, 51, b"a\n", {})
    items = [
        *map(refused, range(50)),
        good,
        *map(refused, range(51, 80)),
        *(refused(n, "nul") for n in range(80, 90)),
    ]
    found = list(joined(items))
    assert found[:SINGLY] == items[:SINGLY]
    assert found[SINGLY + 1] is good
    assert sum(item.size if isinstance(item, Refused) else 2 for item in found) == 2 * len(items)
    assert [item.code for item in found[-10:] if isinstance(item, Refused)] == ["nul"] * 10

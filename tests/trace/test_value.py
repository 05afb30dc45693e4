"""Values behave as the tuples they are."""

import copy
import pickle

import pytest

from broker_bridge.trace.value import Value, once


class Point(Value):
    """For the tests."""

    x: int
    y: int = 7


def test_fields_by_order_by_name_and_by_default() -> None:
    assert Point(1, 2) == Point(x=1, y=2) == Point(1, y=2) == Point(y=2, x=1) == (1, 2)
    assert Point(1) == Point(x=1) == (1, 7)
    assert Point(3).x == 3
    assert Point(3)._replace(y=0) == (3, 0)


@pytest.mark.parametrize("wrong", [((), {}), ((1, 2, 3), {}), ((1,), {"x": 2}), ((1,), {"z": 2})])
def test_wrong_fields_are_refused_by_name(wrong: tuple[tuple[int, ...], dict[str, int]]) -> None:
    with pytest.raises(TypeError, match="Point takes x, y"):
        Point(*wrong[0], **wrong[1])


def test_frozen_hashable_ordered_and_copied() -> None:
    with pytest.raises(AttributeError):
        Point(1).x = 2  # type: ignore[misc]
    assert len({Point(1), Point(1, 7)}) == 1
    assert sorted([Point(2, 0), Point(1, 9)]) == [Point(1, 9), Point(2, 0)]
    assert pickle.loads(pickle.dumps(Point(1, 2))) == copy.copy(Point(1, 2)) == Point(1, 2)
    assert repr(Point(1)) == "Point(x=1, y=7)"


def test_what_is_worked_out_once_is_kept() -> None:
    worked: list[int] = []

    class Sum(Value):
        x: int
        y: int

        @once
        def total(self) -> int:
            """Both."""
            worked.append(1)
            return self.x + self.y

    both = Sum(1, 2)
    assert (both.total, both.total, worked) == (3, 3, [1])
    assert Sum(1, 2) == both == (1, 2)
    assert Sum.total.__doc__ == "Both."

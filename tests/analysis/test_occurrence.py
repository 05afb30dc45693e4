"""Where defects came to be."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.analysis.intervals import Proportion, Refused
from broker_bridge.analysis.occurrence import (
    CANNOT_TELL,
    UNSEEN,
    control_group,
    join,
    points_of_occurrence,
)
from broker_bridge.errors import UsageError


def test_join_keeps_what_is_missing_apart_from_what_is_normal() -> None:
    spot = ("B1", "R1")
    (one, two) = join(
        [spot, ("B2", "R1")], {"paste": {spot: 0.4}, "nozzle": {spot: "N3", ("B2", "R1"): "N1"}}
    )
    assert one.found == {"paste": 0.4, "nozzle": "N3"}
    assert one.missing == ()
    assert (two.found, two.missing) == ({"nozzle": "N1"}, ("paste",))


def test_first_abnormal_stage_with_nothing_missing_before_it() -> None:
    found = points_of_occurrence(
        {
            "paste": [True, False, None, False, True, False],
            "placement": [False, True, True, False, True, None],
            "oven": [None, None, False, False, False, False],
        },
        keys="abcdef",
    )
    told = {share.point: share.share.members for share in found.shares}
    assert told == {
        "paste": ("a", "e"), "placement": ("b",), "oven": (), UNSEEN: ("d",), CANNOT_TELL: ("c", "f"),
    }  # fmt: skip
    assert found.several == ("e",)
    paste = found.shares[0]
    assert isinstance(paste.share, Proportion)
    assert (paste.share.number, paste.share.of, paste.of_told.of) == (2, 6, 4)
    assert paste.share.wilson.low < 2 / 6 < paste.share.wilson.high


SEEN = st.lists(st.tuples(*[st.sampled_from([True, False, None])] * 3), min_size=1, max_size=20)


@given(SEEN)
def test_every_defect_is_told_once(rows) -> None:
    columns = dict(zip("abc", map(list, zip(*rows, strict=True)), strict=True))
    found = points_of_occurrence(columns)
    members = [key for share in found.shares for key in share.share.members]
    assert sorted(members) == list(range(len(rows)))


def test_control_group_matches_and_repeats() -> None:
    affected = [True, False, False, False, None, True, True]
    match = {"order": ["x", "x", "x", "y", "x", "y", "z"]}
    one = control_group(affected, match, seed=4, keys="abcdefg")
    assert one == control_group(affected, match, seed=4, keys="abcdefg")
    assert set(one.members) < {"b", "c", "d"}
    assert "d" in one.members
    assert one.unmatched == ("g",)
    assert control_group(affected, match, seed=4, each=3, keys="abcdefg").unmatched == ("a", "f", "g")


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(points_of_occurrence({"paste": []}), Refused)
    for call in (lambda: points_of_occurrence({}), lambda: points_of_occurrence({"a": [True], "b": []})):
        with pytest.raises(UsageError):
            call()

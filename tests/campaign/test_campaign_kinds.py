"""Each kind of fault once, short: what the campaign runs for hours is run here for seconds."""

import pytest
from campaigning import campaign, require_fuse

pytestmark = pytest.mark.timeout(120)


@pytest.mark.parametrize(
    ("kind", "broker", "rounds", "struck"),
    [
        ("half-open", "mosquitto", 4, 4),
        ("broker-forgets", "embedded", 2, 3),
        ("session-lost", "embedded", 1, 1),
        ("session-lost", "mosquitto", 1, 1),
        ("client-id-twice", "mosquitto", 1, 1),
        ("store-stalled", "embedded", 1, 1),
        ("record-restored", "embedded", 2, 2),
        ("outbox-lost", "mosquitto", 2, 2),
        ("clock-steps", "embedded", 4, 4),
    ],
)
def test_a_struck_plant_recovers_by_itself_and_has_everything(
    kind: str, broker: str, rounds: int, struck: int
) -> None:
    (life,) = campaign(kind, broker, rounds=rounds)
    assert sum(life["strikes"].values()) >= struck
    assert life["recorded"] + life["stated"] == life["attempted"] > 0


@pytest.mark.parametrize(("kind", "broker"), [("disk-full", "embedded"), ("disk-read-only", "mosquitto")])
def test_a_disk_that_takes_nothing_is_told_and_nothing_is_lost(kind: str, broker: str) -> None:
    require_fuse()
    (life,) = campaign(kind, broker, rounds=1)
    assert life["recorded"] == life["attempted"] > 20


@pytest.mark.parametrize("broker", ["embedded", "mosquitto"])
def test_what_was_receipted_is_in_the_record_after_a_power_cut(broker: str) -> None:
    require_fuse()
    lives = campaign("power", broker, rounds=4, each=2)  # on a journalling disk and on a strict one
    assert [life["seed"] for life in lives] == [1, 2]
    for life in lives:
        assert life["strikes"]["power cut"] == 2
    assert sum(life["receipts_at_cuts"] for life in lives) > 0


@pytest.mark.parametrize(
    ("kind", "first"), [("nth-write", 60), ("nth-fsync", 16), ("nth-commit", 21), ("nth-publish", 5)]
)
def test_one_failure_of_the_system_is_survived_wherever_it_falls(kind: str, first: int) -> None:
    if kind not in ("nth-commit", "nth-publish"):
        require_fuse()
    for life in campaign(kind, "embedded", rounds=2, seed=first):
        assert life["strikes"].get("hit") == 1, "the operation of this number was reached"

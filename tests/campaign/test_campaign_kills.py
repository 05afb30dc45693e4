"""Roles and broker are killed and frozen at random moments: nothing lost, doubled, altered or on the wrong board.

The long form (1,000 rounds) is `tools/campaign/campaign kills`; this is the same code.
"""

import pytest
from campaigning import campaign


@pytest.mark.timeout(120)
@pytest.mark.parametrize("broker", ["embedded", "mosquitto"])
def test_twenty_kills_and_freezes_lose_and_double_nothing(broker: str) -> None:
    (life,) = campaign("kills", broker, rounds=20, seed=7)
    assert sum(life["strikes"].values()) >= 20
    assert life["attempted"] == life["acknowledged"] == life["receipted"] == life["recorded"] > 100

"""Known causes are found and ranked first; chance is found no more often than stated."""

import numpy as np
import pytest
from scipy import stats

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.risks import Risks, bands, relative_risks
from broker_bridge.errors import UsageError


def line(seed: int, rows: int = 20_000) -> dict[str, list]:
    """Placements of the invented plant: four parts, each with two reels; eight nozzles; panel positions; paste volume."""
    generator = np.random.default_rng(seed)
    part = generator.integers(0, 4, rows)
    return {
        "part": [f"part {p}" for p in part],
        "reel": [f"reel {p}{r}" for p, r in zip(part, generator.integers(0, 2, rows), strict=True)],
        "nozzle": [f"N{n}" for n in generator.integers(1, 9, rows)],
        "position": (np.arange(rows) % 6 + 1).tolist(),
        "volume": list(bands(generator.normal(0.9, 0.15, rows), [0.5, 0.7, 1.1, 1.3])),
    }


def defects(columns: dict[str, list], seed: int, times=1.0) -> list[bool]:
    """Defects by the part's own risk, so many times as often."""
    chance = np.array([BASE[part] for part in columns["part"]]) * times
    return (np.random.default_rng(seed + 1000).random(len(chance)) < chance).tolist()


BASE = {"part 0": 0.002, "part 1": 0.004, "part 2": 0.002, "part 3": 0.02}
"""Part 3 is difficult: its reels are not to blame."""


def analysed(columns: dict[str, list], hit: list[bool], *names: str) -> Risks:
    factors = {name: columns[name] for name in names or ("reel", "nozzle", "position", "volume")}
    found = relative_risks(hit, factors, strata=columns["part"])
    assert isinstance(found, Risks)
    return found


@pytest.mark.parametrize(
    ("factor", "level", "times"),
    [("nozzle", "N5", 5), ("reel", "reel 31", 4), ("reel", "reel 01", 8), ("volume", "below 0.5", 25)],
)
def test_a_known_cause_is_ranked_first(factor: str, level: str, times: float) -> None:
    columns = line(1)
    hit = defects(columns, 1, np.where([at == level for at in columns[factor]], times, 1))
    found = analysed(columns, hit)
    first = found.found[0]
    assert (first.factor, first.level, first.verdict) == (factor, level, "higher")
    assert first.interval.low < times * 1.3
    assert first.interval.high > times * 0.7
    assert first.share.number == len(first.share.members)
    assert all(hit[row] for row in first.share.members)


def test_null_sets() -> None:
    """A difficult part, nothing else: the chance of even one false finding in a whole answer is below 5 %."""
    cried = 0
    for seed in range(200):
        columns = line(seed, 3000)
        hit = defects(columns, seed, 3)
        cried += any(
            risk.verdict != "no difference told" for risk in analysed(columns, hit, "reel", "volume").risks
        )
    assert cried <= 10


def test_without_strata_the_difficult_part_blames_its_reels() -> None:
    columns = line(2)
    hit = defects(columns, 2)
    blamed = relative_risks(hit, {"reel": columns["reel"]})
    assert {risk.level for risk in blamed.found} >= {"reel 30", "reel 31"}
    assert not relative_risks(hit, {"reel": columns["reel"]}, strata=columns["part"]).found


def test_bunches_on_a_board_are_no_proof() -> None:
    """Boards that went wrong altogether: without their keys, chance looks like a cause."""
    naive = wary = 0
    for seed in range(200):
        generator = np.random.default_rng(seed)
        bad = generator.random(100) < 0.05
        boards = np.repeat(np.arange(100), 20)
        hit = (generator.random(2000) < np.where(bad[boards], 0.6, 0.01)).tolist()
        shift = generator.integers(0, 4, 100)[boards].tolist()
        if sum(hit) < 5:
            continue
        plain, careful = (relative_risks(hit, {"shift": shift}, boards=b) for b in (None, boards.tolist()))
        naive += any(r.verdict != "no difference told" for r in plain.risks)
        wary += any(r.verdict != "no difference told" for r in careful.risks)
        assert careful.dispersion >= 1
    assert naive > 60
    assert wary <= stats.binom.ppf(0.999, 200, 0.05)


def test_what_these_data_cannot_tell() -> None:
    hit = [True] * 30 + [False] * 170 + [True] * 5 + [False] * 495
    reel = ["r1"] * 200 + ["r2"] * 499 + ["r3"]
    nozzle = ["n1"] * 195 + ["n2"] * 505
    found = relative_risks(hit, {"reel": reel, "nozzle": nozzle})
    (thin,) = found.cannot_tell
    assert (thin.factor, thin.level, thin.of) == ("reel", "r3", 1)
    blamed = {risk.factor: risk for risk in found.found}
    assert blamed["reel"].alike == (("nozzle", "n1"),)
    assert blamed["nozzle"].alike == (("reel", "r1"),)
    assert (blamed["reel"].rest.number, blamed["reel"].rest.of) == (5, 500)


def test_unknown_outcomes_and_levels_are_in_no_number() -> None:
    found = relative_risks(
        [True] * 6 + [None] + [False] * 13, {"reel": ["a"] * 9 + ["b"] * 9 + [None] * 2}, keys=range(100, 120)
    )
    assert found.unknown == (106,)
    assert (found.defects, found.of) == (6, 19)
    assert {risk.level: (risk.share.number, risk.share.of) for risk in found.risks} == {
        "a": (6, 8),
        "b": (0, 9),
    }


def test_nothing_to_compare_with() -> None:
    found = relative_risks([True] * 6 + [False] * 9, {"reel": ["a"] * 15})
    assert found.cannot_tell[0].reason == "nothing to compare with"


def test_bands() -> None:
    assert bands([0.4, 0.5, 1, 2, None], [0.5, 1.5]) == (
        "below 0.5",
        "0.5 to 1.5",
        "0.5 to 1.5",
        "1.5 and more",
        None,
    )


def test_refusals_and_wrong_calls() -> None:
    refused = relative_risks([True] * 4 + [False] * 90, {"a": [1] * 94})
    assert isinstance(refused, Refused)
    assert (refused.have, refused.need) == (4, 5)
    for call in (
        lambda: relative_risks([True] * 9, {"a": [1]}),
        lambda: relative_risks([True] * 9, {"a": [1] * 9}, alpha=0),
        lambda: bands([1], [2, 1]),
        lambda: bands([1], []),
    ):
        with pytest.raises(UsageError):
            call()

"""Causes of defects that a plant would look for: they do what they say, and no luck but their own is drawn for them."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from broker_bridge.simulate import Plant, Profile, deliveries
from broker_bridge.simulate.profile import BadNozzle, Causes, PoorReel, Process, TopUp, WornAperture

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
QUIET = Process(defect_scale=0.0, false_calls_per_million=0.0, stops=False)


def truth(causes: Causes, boards: int = 60) -> list[dict[str, Any]]:
    lines: list[dict[str, Any]] = []
    profile = Profile(process=QUIET, causes=causes)
    for _ in deliveries(Plant(5, boards, profile, START), lambda _, line: lines.append(json.loads(line))):
        pass
    return lines


def called(lines: list[dict[str, Any]], station: str) -> list[dict[str, Any]]:
    return [line for line in lines if line["kind"] == "call" and line["station"] == station]


def test_a_bad_nozzle_loses_and_shifts_only_what_it_places() -> None:
    found = called(truth(Causes(nozzle=BadNozzle("N2", 0.3))), "AOI")
    assert {one["defect"] for one in found} == {"missing", "shifted"}
    assert all(one["designator"][0] in "DLQ" for one in found)


def test_a_poor_reel_spoils_only_its_own_places() -> None:
    lines = truth(Causes(reel=PoorReel("HW-R-10K", 1, 0.5)), 30)
    (fault,) = [line for line in lines if line["kind"] == "fault" and line["what"] == "poor_reel"]
    placed = {
        (line["board"], designator)
        for line in lines
        if line["kind"] == "material" and line["reel"] == fault["reel"]
        for designator in line["designators"]
    }
    found = {(one["board"], one["designator"]) for one in called(lines, "AOI") if one["real"]}
    assert found
    assert found <= placed


def test_a_worn_aperture_is_called_at_its_own_pad_and_a_top_up_that_never_works_mends_nothing() -> None:
    worn = WornAperture("HW-1040", "top", 2, "U1", 7, 0.2)
    lines = truth(Causes(aperture=worn, top_up=TopUp(works=0.0)))
    paste = called(lines, "SPI")
    pad = [one for one in paste if (one["designator"], one["termination"]) == ("U1", 7)]
    assert len(pad) >= 5
    assert any(one["designator"] == "U1" for one in called(lines, "AOI"))


@pytest.mark.parametrize("profile", ["clean", "rough"])
def test_causes_that_do_nothing_change_no_byte(profile: str) -> None:
    from broker_bridge.simulate import load_profile

    plain = load_profile(profile)
    idle = replace(plain, causes=Causes(nozzle=BadNozzle("N2", 0.0), reel=PoorReel("HW-R-10K", 2, 0.0)))
    runs = [list(deliveries(Plant(7, 30, one, START), lambda _, __: None)) for one in (plain, idle)]
    assert runs[0] == runs[1]

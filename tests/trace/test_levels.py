"""Completeness by the levels of IPC-1782, as far as public text goes (facts of the public table of contents, an article
quoting the quick reference table, and the published draft element lists; what is from memory says so itself)."""

from typing import Any

import pytest
from told import Told, at, board, call

from broker_bridge.trace.levels import Level

A = board("A")
PROGRAM = {"name": "P1", "revision": "3"}


def level(told: Told, of: str) -> Level:
    return next(one for one in told.history("A").completeness.levels if one.of == of)


def requirements(one: Level) -> list[str]:
    return [lack.requirement for lack in one.lacks]


class TestMaterial:
    def told(self, step: int) -> Told:
        """Each step adds what the next level asks for."""
        told = Told()
        told.say(
            "line.part_declared", "06:00:00", source="plan", valid_from=at("06:00:00"), part={"number": "HW-1"},
            placement=[{"name": "R1"}, {"name": "R2"}],
        )  # fmt: skip
        told.passes(
            "print", "10:00:00", "10:01:00", A, part={"number": "HW-1"}, **({"order": "WO-1"} if step else {})
        )
        names: list[dict[str, str]] = (
            [{"designator": "R1"}] if step < 2 else [{"designator": "R1"}, {"designator": "R2"}]
        )
        material: dict[str, Any] = {"part": "10K", "lots": ["L1"] if step >= 3 else ["L1", "L2"]}
        if step >= 4:
            material["id"] = "REEL-1"
            told.say(
                "board.introduced",
                "09:00:00",
                A,
                station="load",
                material={"part": "PCB", "lots": ["B1"], "id": "STACK-1"},
            )
            told.say(
                "material.consumed",
                "10:00:30",
                A,
                station="print",
                material={"part": "SAC", "lots": ["J1"], "id": "JAR-1"},
            )
        told.say("material.installed", "10:05:00", A, station="place", material=material, places=names)
        return told

    @pytest.mark.parametrize("reached", [0, 1, 2, 3, 4])
    def test_each_level_and_what_the_next_one_lacks(self, reached: int) -> None:
        found = level(self.told(reached), "material")
        assert found.level == reached
        assert bool(found.lacks) == (reached < 4)

    def test_what_is_missing_is_named(self) -> None:
        assert level(self.told(0), "material").lacks[0].missing == ("no work order is stated",)
        (lack,) = level(self.told(1), "material").lacks
        assert (lack.missing, lack.basis) == (("R2: no material",), "memory")

    def test_several_candidate_lots_are_allowed_at_level_2_only(self) -> None:
        """Draft schema text: several candidate lots per designator are allowed only at M2."""
        found = level(self.told(2), "material")
        assert found.level == 2
        assert found.lacks[0].missing == ("R1: one of 2 lots", "R2: one of 2 lots")


class TestProcess:
    def told(self, **more: Any) -> Told:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A, order="WO-1")
        told.inspects("aoi", "10:10:00", "10:10:10", A, **more)
        return told

    def test_an_inspection_without_its_program_stays_at_level_1(self) -> None:
        found = level(self.told(), "process")
        assert found.level == 1
        assert requirements(found) == ["program names"]

    def test_defects_have_to_be_specific(self) -> None:
        found = level(self.told(outcome="failed", program=PROGRAM), "process")
        assert [lack.missing for lack in found.lacks] == [("what failed at aoi",)]

    def test_full_results_need_coverage_and_verdicts(self) -> None:
        found = level(self.told(outcome="failed", program=PROGRAM, calls=[call("R1")]), "process")
        assert found.level == 2
        assert requirements(found) == [
            "full result of each inspection and test",
            "false calls told from defects",
        ]

    def test_pictures_are_level_4(self) -> None:
        covered = {"program": PROGRAM, "coverage": {"inspected": 2, "total": 2, "of": "components"}}
        found = level(self.told(**covered), "process")
        assert (found.level, requirements(found)) == (3, ["pictures of optical and X-ray inspection"])
        found = level(self.told(**covered, pictures=[{"href": "file:///a.png"}]), "process")
        assert (found.level, found.lacks) == (4, ())

    def test_an_exception_that_may_be_missing_is_no_level_at_all(self) -> None:
        told = self.told(program=PROGRAM)
        told.say("source.gap", "10:05:00", source="aoi", cause="away", start="10:04:00", end="10:05:00")
        found = level(told, "process")
        assert (found.level, requirements(found)) == (0, ["significant process exceptions against it"])

    def test_a_fixture_is_asked_of_in_circuit_tests(self) -> None:
        told = self.told(program=PROGRAM)
        told.say(
            "inspection.test_completed", "11:00:00", A, station="ict", method="in_circuit", outcome="passed", program=PROGRAM,
            means="end",
        )  # fmt: skip
        assert requirements(level(told, "process")) == ["fixtures of in-circuit tests"]

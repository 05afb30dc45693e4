"""Documents that are rewritten in place: only what changed is given, and nothing stands twice."""

import asyncio
from pathlib import Path

import pytest
from growing_logs import Logs
from logs_reading import rows, until
from pydantic import ValidationError

from broker_bridge.adapters.base import Request
from broker_bridge.adapters.logs.adapter.folder_adapter import FolderAdapter, Pickup

HEAD = "Time;Code;Result\n"
ROW = "2026-03-02 06:00:{:02};{};{}\n"
HEADED = rows().replace("columns = [", "header = true\ncolumns = [")


def document(*stated: tuple[str, str]) -> str:
    return HEAD + "".join(ROW.format(second, code, result) for second, (code, result) in enumerate(stated))


class Snapshots(Logs):
    def __init__(self, path: Path, **stated: object) -> None:
        super().__init__(path, HEADED)
        self.stated = {"pickup": "rewritten", "key": ["Code"], "stable_polls": 1, "poll_s": 0.01} | stated

    def write(self, text: str, name: str = "results.csv") -> list[tuple[str, str, int]]:
        """Rewrite the document; returns type, subject or outcome and revision of what is given."""
        before = len(self.writer.takings)
        (self.path / name).write_text(text)
        self.touch(name)
        self.look(2)
        return self.since(before)

    def since(self, before: int) -> list[tuple[str, str, int]]:
        return [
            (s.data.TYPE, f"{s.subject} {getattr(s.data, 'outcome', '')}", t.revision)
            for t in self.writer.takings[before:]
            for s in t.statements
        ]


@pytest.fixture
def docs(tmp_path: Path) -> Snapshots:
    return Snapshots(tmp_path)


def test_hazard_15_only_what_changed_becomes_a_new_revision_of_the_same_record(docs: Snapshots) -> None:
    assert len(docs.write(document(("B1", "OK"), ("B2", "OK")))) == 2
    assert docs.write(document(("B1", "OK"), ("B2", "NG"), ("B3", "OK"))) == [
        ("inspection.completed", "B2 failed", 2),
        ("inspection.completed", "B3 passed", 1),
    ]
    assert sorted(docs.codes) == ["B1", "B2", "B3"]
    assert docs.writer.takings[1].position == docs.writer.takings[2].position


def test_rows_that_only_moved_give_nothing(docs: Snapshots) -> None:
    text = document(("B1", "OK"), ("B2", "OK"))
    docs.write(text)
    first, second = text.splitlines(keepends=True)[1:]
    assert docs.write(HEAD + second + first) == []


def test_hazard_15_a_row_that_made_room_still_holds(docs: Snapshots) -> None:
    docs.write(document(("B1", "OK"), ("B2", "OK")))
    assert docs.write(document(("B1", "OK"))) == []
    assert sorted(docs.codes) == ["B1", "B2"]


def test_a_row_that_was_taken_out_is_retracted_where_the_plant_says_so(tmp_path: Path) -> None:
    docs = Snapshots(tmp_path, vanished="retract")
    docs.write(document(("B1", "OK"), ("B2", "OK")))
    assert docs.write(document(("B1", "OK"))) == [("source.retracted", "None ", 2)]
    assert docs.codes == ["B1"]
    assert docs.write(document(("B1", "OK"), ("B2", "OK"))) == [("inspection.completed", "B2 passed", 3)]
    assert sorted(docs.codes) == ["B1", "B2"]


def test_hazard_12_a_copy_of_an_earlier_version_changes_nothing(docs: Snapshots) -> None:
    old, new = document(("B1", "OK")), document(("B1", "NG"))
    docs.write(old)
    docs.write(new)
    assert docs.write(old, "backup.csv") == []
    assert docs.write(new, "renamed.csv") == []


def test_a_row_that_is_changed_back_is_a_revision_too(docs: Snapshots) -> None:
    for result, revision in (("OK", 1), ("NG", 2), ("OK", 3)):
        outcome = "passed" if result == "OK" else "failed"
        assert docs.write(document(("B1", result))) == [("inspection.completed", f"B1 {outcome}", revision)]


def test_a_rejected_row_is_replaced_when_it_is_mended(docs: Snapshots) -> None:
    assert docs.write(document(("B1", "ODD"))) == [("source.rejected", "None ", 1)]
    assert docs.write(document(("B1", "OK"))) == [("inspection.completed", "B1 passed", 2)]
    assert [taking.statements[0].data.TYPE for taking in docs.events] == ["inspection.completed"]


def test_two_rows_of_one_key_are_two_records(docs: Snapshots) -> None:
    docs.write(document(("B1", "OK"), ("B1", "NG")))
    assert docs.codes == ["B1", "B1"]
    assert docs.writer.counters["repeated_keys"] == 1


def test_after_a_restart_and_without_its_state_the_ids_are_the_same(docs: Snapshots) -> None:
    text = document(("B1", "OK"), ("B2", "OK"))
    docs.write(text)
    docs.restart()
    docs.look(2)
    assert len(docs.writer.takings) == 2
    docs.restart()
    docs.writer.kept.clear()
    docs.look(2)
    assert docs.ids[:2] == docs.ids[2:]


def test_hazard_32_killed_between_two_transactions_the_rest_is_given_and_nothing_twice(
    docs: Snapshots,
) -> None:
    many = [(f"B{number}", "OK") for number in range(700)]
    text = HEAD + "".join(ROW.format(0, code, result) for code, result in many)
    docs.writer.ceiling = 350
    (docs.path / "results.csv").write_text(text)

    async def endless(pickup: Pickup) -> None:
        while True:
            await pickup.cycle()

    async def until_full() -> None:
        pickup = await FolderAdapter(docs.config())._begin(docs.writer)
        full = asyncio.create_task(endless(pickup))
        await until(lambda: docs.writer.refused, full)
        full.cancel()
        await asyncio.gather(full, return_exceptions=True)

    asyncio.run(until_full())
    assert 0 < len(docs.writer.takings) < 700
    docs.restart()
    docs.writer.ceiling = None
    docs.look(2)
    assert len(docs.codes) == 700
    assert len(set(docs.ids)) == len(docs.ids)


def test_retry_reads_the_last_version_with_the_mended_mapping(docs: Snapshots) -> None:
    docs.write(document(("B1", "OK")))
    docs.write(document(("B1", "OK"), ("B2", "ODD")))
    docs.mapping.write_text(HEADED.replace("revision = 1", "revision = 2").replace('NG = "f', 'ODD = "f'))
    docs.restart()
    before = len(docs.writer.takings)
    docs.writer.waiting.append(Request(1, "retry", {"all": "yes"}))
    docs.look(2)
    assert docs.since(before) == [("inspection.completed", "B2 failed", 2)]
    assert docs.writer.answers[1] == "1 file read again with revision 2, no record rejected"


def test_a_pickup_says_what_it_needs_and_what_it_does_not_know(docs: Snapshots) -> None:
    for stated, told in (
        ({"key": []}, "needs `key`"),
        ({"after": "delete"}, 'after goes with pickup = "drop"'),
        ({"forget_after_days": 3}, 'forget_after_days goes with pickup = "growing"'),
    ):
        docs.stated = {"pickup": "rewritten", "key": ["Code"]} | stated
        with pytest.raises(ValidationError, match=told):
            docs.config()

"""Long questions in the background."""

import threading
from typing import Any

import pytest

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.web.jobs import Jobs, Told, Working


class Opened:
    """A record nobody reads."""

    def __enter__(self) -> "Opened":
        return self

    def __exit__(self, *error: object) -> None:
        pass


@pytest.fixture
def jobs() -> Jobs:
    return Jobs(lambda: Opened())  # type: ignore[arg-type, return-value]


def test_an_answer_comes_at_once_or_how_far_it_is(jobs: Jobs) -> None:
    go = threading.Event()
    told = threading.Event()

    def slow(record: Any, progress: Told) -> str:
        progress(0.25, "reading")
        told.set()
        go.wait(20)
        return "done"

    first = jobs.ask("slow", slow, 0.0)
    assert isinstance(first, Working)
    assert told.wait(20)
    assert jobs.ask("slow", slow, 0.0) == Working(0.25, "reading")
    go.set()
    assert jobs.ask("slow", slow, 20.0) == "done"


def test_the_same_question_is_asked_once(jobs: Jobs) -> None:
    asked: list[int] = []

    def question(record: Any, progress: Told) -> int:
        asked.append(1)
        return len(asked)

    assert [jobs.ask("q", question, 20.0) for _ in range(3)] == [1, 1, 1]
    assert jobs.ask("another", question, 20.0) == 2


def test_what_goes_wrong_is_told_to_who_asks_and_may_be_asked_again(jobs: Jobs) -> None:
    errors = [NotFound("nothing of it is in the record")]

    def question(record: Any, progress: Told) -> str:
        if errors:
            raise errors.pop()
        return "there now"

    with pytest.raises(NotFound, match="nothing of it"):
        jobs.ask("q", question, 20.0)
    assert jobs.ask("q", question, 20.0) == "there now"


def test_too_many_long_questions_are_refused_and_all_end_with_the_service(jobs: Jobs) -> None:
    go = threading.Event()

    def slow(record: Any, progress: Told) -> str:
        go.wait(20)
        progress(0.5, "half")
        return "never"

    for number in range(12):
        assert isinstance(jobs.ask(number, slow, 0.0), Working)
    with pytest.raises(StoreUnavailable, match="try again"):
        jobs.ask("one more", slow, 0.0)
    jobs.stop()
    go.set()
    with pytest.raises(StoreUnavailable, match="being stopped"):
        jobs.ask(0, slow, 20.0)

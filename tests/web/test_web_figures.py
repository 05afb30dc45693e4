"""Figures over HTTP: the same answers as the commands', by the same schema."""

from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from jsonschema import Draft202012Validator

from broker_bridge.errors import UsageError
from broker_bridge.schemas.files import FILES
from broker_bridge.web.questions import FLOW, QUALITY
from broker_bridge.web.questions import asked as form

from conftest import ok  # isort: skip


@pytest.mark.parametrize(
    "question",
    [
        "quality/yield", "quality/yield?by=station&stage=inspected", "quality/charts?series=failed&per=day", "quality/paste",
        "quality/occurrence", "quality/occurrence?controls=2&bands=50,100&every=true", "quality/gauge", "quality/gauge?method=range",
    ],
)  # fmt: skip
def test_figures_fit_their_schema(asked: httpx.Client, question: str) -> None:
    answer = ok(asked.get(f"/api/v1/{question}"))
    Draft202012Validator(FILES["quality.json"]()).validate(answer)


@pytest.mark.parametrize(
    ("question", "status"),
    [
        ("quality/yield?colour=red", 422), ("quality/yield?stage=dreamt", 422), ("quality/charts", 422),
        ("quality/capability?series=failed", 400), ("quality/yield?shift=25:00-26:00", 400),
        ("quality/yield?shift=06:00-06:00", 400),
        ("quality/charts?series=reading:none", 404), ("quality/occurrence?bands=wide", 422), ("quality/occurrence?within=tide", 400),
        ("quality/occurrence?controls=-1", 422), ("quality/gauge?method=guess", 422), ("quality/gauge?tolerance=-1", 422),
        ("quality/gauge?designator=R1", 422), ("quality/charts?series=failed&kind=pie", 422), ("quality/capability?series=reading:x&lower=nan", 422), ("quality/yield?level=2", 422),
    ],
)  # fmt: skip
def test_a_wrong_question_is_a_problem(asked: httpx.Client, question: str, status: int) -> None:
    response = asked.get(f"/api/v1/{question}")
    assert (response.status_code, response.headers["content-type"]) == (status, "application/problem+json")


def test_where_defects_came_to_be_lists_the_boards_of_each_share(asked: httpx.Client) -> None:
    found: Any = ok(asked.get("/api/v1/quality/occurrence"))
    points = {one["name"]: one for one in found["sections"][0]["figures"]}
    assert (points["cannot tell"]["number"], points["cannot tell"]["of"]) == (1, 1), (
        "no paste inspection looked"
    )
    assert points["cannot tell"]["boards"] == ["A"]
    assert points["paste printing"]["boards"] == []


def test_a_problem_speaks_of_parameters_and_not_of_options(asked: httpx.Client) -> None:
    problem = asked.get("/api/v1/quality/charts?series=failed&phase=tide").json()
    assert problem["detail"].startswith("phase")
    assert "--" not in problem["detail"]


def test_a_form_and_a_program_ask_the_same() -> None:
    """Texts of a form become the very question that parameters make; days are from their beginning to their end."""
    texts = {"by": "day", "since": "2026-03-02", "until": "2026-03-02", "stage": "inspected"}
    made = form(QUALITY["yield"], texts)
    assert made == QUALITY["yield"](
        by="day", since=datetime(2026, 3, 2, tzinfo=UTC), until=datetime(2026, 3, 2, 23, 59, 59, 999999, UTC), stage="inspected"
    )  # fmt: skip
    assert form(FLOW["line"], {"since": "2026-03-02T06:00"}).since == datetime(2026, 3, 2, 6, tzinfo=UTC)


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        ({"since": "yesterday"}, "since = 'yesterday' is no time"), ({"until": "9999-12-31"}, "until"),
        ({"stage": "dreamt"}, "stage = 'dreamt'"), ({"level": "nan"}, "level"), ({"colour": "red"}, "colour"),
        ({"station": "x" * 600}, "station"),
    ],
)  # fmt: skip
def test_a_form_that_makes_no_question_is_told_which_field(texts: dict[str, str], says: str) -> None:
    with pytest.raises(UsageError) as found:
        form(QUALITY["yield"], texts)
    assert says in str(found.value)

"""Figures over HTTP: the same answers as the commands', by the same schema."""

import httpx
import pytest
from jsonschema import Draft202012Validator

from broker_bridge.schemas.files import FILES

from conftest import ok  # isort: skip


@pytest.mark.parametrize(
    "question",
    [
        "quality/yield", "quality/yield?by=station&stage=inspected", "quality/charts?series=failed&per=day",
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
        ("quality/charts?series=reading:none", 404), ("quality/yield?level=2", 422),
    ],
)  # fmt: skip
def test_a_wrong_question_is_a_problem(asked: httpx.Client, question: str, status: int) -> None:
    response = asked.get(f"/api/v1/{question}")
    assert (response.status_code, response.headers["content-type"]) == (status, "application/problem+json")

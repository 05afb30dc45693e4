"""A board's report over HTTP: one file, served so that nothing in it can run."""

import httpx

from conftest import HOSTILE  # isort: skip


def test_a_report_is_one_file_that_runs_nothing(asked: httpx.Client) -> None:
    response = asked.get("/api/v1/board/report", params={"id": HOSTILE})
    assert (response.status_code, response.headers["content-type"]) == (200, "text/html; charset=utf-8")
    policy = response.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert response.headers.get_list("content-security-policy") == [policy]
    assert "<script" not in response.text
    assert "\u202e" not in response.text
    again = asked.get(
        "/api/v1/board/report", params={"id": HOSTILE}, headers={"if-none-match": response.headers["etag"]}
    )
    assert again.status_code == 304


def test_a_report_for_paper(asked: httpx.Client) -> None:
    response = asked.get("/api/v1/board/report?id=A&form=pdf&paper=letter")
    assert (response.status_code, response.headers["content-type"]) == (200, "application/pdf")
    assert response.content.startswith(b"%PDF-")
    assert response.headers["content-disposition"] == 'inline; filename="report.pdf"'


def test_a_report_of_what_is_not_there_is_a_problem(asked: httpx.Client) -> None:
    response = asked.get("/api/v1/board/report?id=NOPE&form=pdf")
    assert (response.status_code, response.headers["content-type"]) == (404, "application/problem+json")
    assert asked.get("/api/v1/board/report?id=A&paper=a3").status_code == 422

"""The API against its own document: Schemathesis makes requests out of it, good and bad, and looks at every answer."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from datetime import timedelta
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from agent.rehearsal.fleet import Fleet, own_addresses
from agent.web import Server, build_app
from agent.web.gate import Gate
from tests.doors.house import GOOD, READY, START, Time, keeper_of
from tests.web import world

CHECKS = (
    not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance,
    response_schema_conformance,
)  # fmt: skip


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, dict[str, str]]]:
    """The address of an API of its own, for things are changed there, and how to show a token that may serve."""
    with world.opened(tmp_path_factory.mktemp("contract")) as opened:
        fleet = Fleet(seed=5, size=3, start=START - timedelta(days=10), addresses=own_addresses(3))
        world.remember(opened, fleet, START, timedelta(hours=12))
        keeper = keeper_of(opened, Time())
        keeper.add("Lark", "administer", GOOD, "root")
        secret, _ = keeper.add_token("contract", "serve", None, "root")
        house = world.StoreHouse(opened, START)
        app = build_app(lambda _: (b"", "text/plain"), lambda: READY, house, gate=Gate(keeper, sign_in=True))
        with Server(app) as server:
            yield f"http://127.0.0.1:{server.port}", {"authorization": f"Bearer {secret}"}


@pytest.fixture(scope="module")
def document(asked: tuple[str, dict[str, str]]) -> Any:
    address, token = asked
    return schemathesis.openapi.from_url(f"{address}/api/v1/openapi.json", headers=token)


@pytest.mark.slow
@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_every_answer_is_one_that_the_document_knows(
    document: Any, asked: tuple[str, dict[str, str]], mode: GenerationMode
) -> None:
    operations = [found.ok() for found in document.get_all_operations()]
    assert len(operations) > 12
    answered: Counter[int] = Counter()
    for operation in operations:

        @settings(
            max_examples=12,
            derandomize=True,
            database=None,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(generation_mode=mode))
        def every_answer(case: Any) -> None:
            answer = case.call(headers=asked[1], timeout=20)
            answered[answer.status_code] += 1
            case.validate_response(answer, checks=CHECKS)

        with suppress(Unsatisfiable):  # an operation without parameters has no wrong ones
            every_answer()
    assert answered[200] if mode is GenerationMode.POSITIVE else answered[422]
    assert not [status for status in answered if status >= 500]


def test_the_document_says_how_a_token_is_shown(asked: tuple[str, dict[str, str]]) -> None:
    address, token = asked
    made = httpx.get(f"{address}/api/v1/openapi.json", headers=token, trust_env=False).json()
    assert made["openapi"].startswith("3.1")
    # OpenAPI 3.1.0 section 4.8.27.
    assert made["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    assert made["security"] == [{"token": []}, {}]
    for path, operations in made["paths"].items():
        for method, one in operations.items():
            assert {"401", "403", "413", "421", "503"} <= one["responses"].keys(), path
            assert method == "get" or "415" in one["responses"], path


@pytest.mark.parametrize(
    ("status", "method", "path", "more"),
    [
        (401, "GET", "/api/v1/printers", {"headers": {"authorization": "Bearer lowmark_x"}}),
        (401, "GET", "/api/v1/nothing", {"headers": {"authorization": ""}}),
        (403, "POST", "/api/v1/shelf", {"headers": {"origin": "https://evil.example"}, "json": {}}),
        (404, "GET", "/api/v1/nothing", {}),
        (404, "GET", "/api/v1/printers/99999", {}),
        (405, "DELETE", "/api/v1/printers", {}),
        (405, "PATCH", "/api/v1/about", {"json": {}}),
        (
            413,
            "POST",
            "/api/v1/nothing",
            {"content": b" " * 1_100_000, "headers": {"content-type": "application/json"}},
        ),
        (415, "POST", "/api/v1/nothing", {"data": {"a": "b"}}),
        (421, "GET", "/api/v1/printers", {"headers": {"host": "evil.example"}}),
        (422, "GET", "/api/v1/printers?limit=0", {}),
    ],
)
def test_every_refusal_is_a_problem(
    asked: tuple[str, dict[str, str]], status: int, method: str, path: str, more: dict[str, Any]
) -> None:
    address, token = asked
    headers = {**token, **more.pop("headers", {})}
    answer = httpx.request(method, address + path, headers=headers, trust_env=False, **more)
    assert answer.status_code == status
    # RFC 9457 sections 3 and 3.1.
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert told["status"] == status
    assert told["title"]
    assert told["detail"].endswith((".", "how.")) or told["detail"]
    if status == 405:
        assert answer.headers["allow"]  # RFC 9110 section 15.5.6


def test_who_may_only_look_changes_nothing(asked: tuple[str, dict[str, str]]) -> None:
    address, token = asked
    made = httpx.get(f"{address}/api/v1/openapi.json", headers=token, trust_env=False).json()
    changing = [(method, path) for path, one in made["paths"].items() for method in one if method != "get"]
    for method, path in changing:
        filled = path.replace("{printer_id}", "1").replace("{service_id}", "1").replace("{key}", "k")
        for there in (address + (filled if filled.startswith("/api/") else f"/api/v1{filled}"),):
            sent: dict[str, Any] = {"files": {"photo": b"x"}} if path.endswith("with-photo") else {"json": {}}
            answer = httpx.request(method, there, trust_env=False, **sent)
            assert answer.status_code == 401, path

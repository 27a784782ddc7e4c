"""The API gives the commands' own shapes, says what it gives in its OpenAPI document, and errs in one way."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from jsonschema import Draft202012Validator, FormatChecker

from agent.cli import show
from agent.model.insight import Dates
from agent.model.reading import Bin, Light, Mark, Remark, SubUnitStatus
from agent.model.upkeep import DUE, NOT_LOGGED, Begin, Disagreement, PrinterUpkeep, UpkeepItem
from agent.web import shapes, shapes_history
from agent.web.leaf import NAV
from tests.web.conftest import NOW
from tests.web.world import StoreHouse

API = "/api/v1"
ASKED = (
    "/printers", "/printers?limit=2&offset=1&sort=name", "/printers/1", "/printers/2", "/printers/2/history",
    "/printers/1/insight", "/alarms", "/alarms?every=true", "/ledger?limit=5", "/ledger", "/about",
)  # fmt: skip


def plain(data: object) -> Any:
    """Data as the commands print it."""
    return json.loads(json.dumps(data, default=show._value))


@pytest.fixture(scope="session")
def document(client: httpx.Client) -> Mapping[str, Any]:
    found: Mapping[str, Any] = client.get(f"{API}/openapi.json").json()
    return found


def schema_of(document: Mapping[str, Any], path: str, status: int, kind: str = "application/json") -> dict[str, Any]:
    """The schema of an answer, with all components at hand."""
    parts = path.partition("?")[0].split("/")[1:]
    template = "/" + "/".join("{printer_id}" if part.isdigit() else part for part in parts)
    found = document["paths"][template]["get"]["responses"][str(status)]["content"][kind]["schema"]
    return {**found, "components": document["components"]}


@pytest.mark.parametrize("path", ASKED)
def test_every_answer_is_what_the_document_says(client: httpx.Client, document: Mapping[str, Any], path: str) -> None:
    answer = client.get(API + path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    Draft202012Validator(schema_of(document, path, 200), format_checker=FormatChecker()).validate(answer.json())


def test_the_document_is_openapi_3_1_and_its_schemas_are_json_schema(document: Mapping[str, Any]) -> None:
    # OpenAPI Specification 3.1.0: its schemas are JSON Schema 2020-12.
    assert document["openapi"].startswith("3.1")
    for schema in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method == "get":
                assert {"200", "304", "421", "422", "503"} <= set(operation["responses"]), path
            else:
                assert {"401", "403", "415", "422", "503"} <= set(operation["responses"]), path


def test_printers_are_told_as_sweep_tells_them(client: httpx.Client, house: StoreHouse) -> None:
    told = client.get(f"{API}/printers?sort=name").json()
    assert told["format"] == "lowmark.printers.v1"
    assert told["total"] == len(house.views())
    names = sorted(house.views().values(), key=lambda view: view.printer.name)
    assert told["printers"] == [plain(shapes.view(view)) for view in names]


def test_a_printer_is_told_as_read_tells_it(
    client: httpx.Client, house: StoreHouse, changed: Callable[..., httpx.Client]
) -> None:
    for number, view in house.views().items():
        assert view.reading is not None
        assert client.get(f"{API}/printers/{number}").json()["reading"] == plain(shapes.reading(view.reading))
    view = house.views()[2]
    assert view.reading is not None
    odd = replace(
        view.reading, device_status="down", printer_status="other", errors=frozenset(("offline", "lowToner")),
        bins=(Bin(1, "other", "", "Tray", "sheets", Mark.OTHER, Mark.SOME, SubUnitStatus(27, "broken", True, True)),),
        lights=(Light(1, "Ready", "green", 500, 500),), remarks=(Remark("a cell", "odd"),), pages_per_minute=None,
    )  # fmt: skip
    shown = changed(views={2: replace(view, reading=odd)}).get(f"{API}/printers/2").json()
    assert shown["reading"] == plain(shapes.reading(odd))


def test_a_history_is_told_as_the_command_tells_it(client: httpx.Client, house: StoreHouse) -> None:
    since, until = NOW - timedelta(days=20), NOW - timedelta(days=3)
    told = client.get(f"{API}/printers/2/history", params={"since": since.isoformat(), "at": until.isoformat()}).json()
    expected = house.history(2, since, until)
    assert expected is not None
    assert {key: told[key] for key in told if key not in ("format", "since", "until")} == plain(
        shapes.history(expected)
    )
    assert told["until"].replace("Z", "+00:00") == until.isoformat()


def test_insight_is_told_as_the_commands_tell_it_and_as_of_any_moment(client: httpx.Client, house: StoreHouse) -> None:
    name, insight = shapes_history.who(house.views()[2].printer), house.insights()[2]
    told = client.get(f"{API}/printers/2/insight").json()["insight"]
    assert told["runout"] == [plain({**name, **shapes_history.forecast(one)}) for one in insight.forecasts]
    assert told["lives"] == [plain({**name, **shapes_history.life(one)}) for one in insight.lives]
    assert told["usage"] == [plain({**name, **shapes_history.usage(one)}) for one in insight.usage]
    earlier = (NOW - timedelta(days=10)).isoformat()
    before = client.get(f"{API}/printers/2/insight", params={"at": earlier}).json()["insight"]
    assert before["as_of"] == earlier
    assert before["runout"] != told["runout"]


def test_upkeep_is_told_as_the_command_tells_it(
    house: StoreHouse, changed: Callable[..., httpx.Client], document: Mapping[str, Any]
) -> None:
    name = shapes_history.who(house.views()[1].printer)
    item = UpkeepItem(
        1, "kit", "Fit the kit", DUE, Begin(NOW, 5, "Night desk", assumed=True), 9, 10, 1, NOW.date(), 0,
        Dates(NOW.date(), NOW.date(), NOW.date()), None, ("why",), ("overduePreventMaint",), NOW, ("fuser",), ("kit",),
        30, ("hot",),
    )  # fmt: skip
    odd = Disagreement(NOT_LOGGED, 1, "kit", "fuser", NOW, 0.99, 1.0, 9, "nobody logged it")
    answer = changed(upkeep={1: PrinterUpkeep(1, NOW, (item,), (odd,), ("a note",))}).get(f"{API}/printers/1").json()
    assert answer["upkeep"]["items"] == [plain({**name, **shapes_history.item(item)})]
    assert answer["upkeep"]["disagreements"] == [plain({**name, **shapes_history.disagreement(odd)})]
    Draft202012Validator(schema_of(document, "/printers/1", 200)).validate(answer)


def test_alarms_and_ledger_are_told_as_the_commands_tell_them(client: httpx.Client, house: StoreHouse) -> None:
    alarms = client.get(f"{API}/alarms").json()["alarms"]
    assert {one["key"] for one in alarms} == {one.key for one in house.alarms() if one.standing}
    record = next(one for one in house.alarms() if one.key == alarms[0]["key"])
    assert alarms[0] == {**plain(record.to_data()), "marks": []}
    latest = client.get(f"{API}/ledger?limit=3").json()
    assert latest["entries"] == [
        plain(one) for one in shapes.entries(house.ledger(None, None, None, None, 3), house.printers())
    ]
    assert latest["more"] is True


def test_lists_come_in_parts_and_name_the_next_one(client: httpx.Client) -> None:
    # RFC 8288: the Link header.
    seen, address = [], f"{API}/printers?sort=name&limit=4"
    for _ in range(10):
        answer = client.get(address)
        seen += [one["printer"] for one in answer.json()["printers"]]
        following = answer.links.get("next")
        if following is None:
            break
        address = following["url"]
    assert len(seen) == len(set(seen)) == answer.json()["total"]
    assert "prev" in answer.links
    first = [one["id"] for one in client.get(f"{API}/ledger?limit=10").json()["entries"]]
    second = [one["id"] for one in client.get(f"{API}/ledger?limit=10&offset=10").json()["entries"]]
    assert [*second, *first] == [one["id"] for one in client.get(f"{API}/ledger?limit=20").json()["entries"]]


@pytest.mark.parametrize("path", ASKED)
def test_what_has_not_changed_is_not_sent_again(client: httpx.Client, path: str) -> None:
    if path.startswith("/printers/1/insight"):
        path += "?at=2026-03-10T00:00:00Z"
    first = client.get(API + path)
    # RFC 9110 section 13.1.2: If-None-Match with the ETag, or with *.
    again = client.get(API + path, headers={"if-none-match": f'"other", {first.headers["etag"]}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", first.headers["etag"])
    assert client.get(API + path, headers={"if-none-match": '"other"'}).status_code == 200


WRONG = (
    ("/printers/999", 404), ("/printers/999/history", 404), ("/printers/999/insight", 404), ("/nowhere", 404),
    ("/printers/0", 422), ("/printers/x", 422), ("/printers/99999999999999999999", 422), ("/printers?limit=0", 422),
    ("/printers?limit=9999", 422), ("/printers?offset=-1", 422), ("/printers?sort=x", 422),
    ("/printers?state=x", 422),
    ("/printers/1/history?at=yesterday", 422), ("/printers/1/history?at=2026-03-01T08:00:00", 422),
    ("/printers/1/history?since=0001-01-01T00:00:00%2B14:00", 422),
    ("/printers/1/insight?at=9999-12-31T23:59:59Z", 422),
    ("/alarms?severity=x", 422), ("/ledger?printer=x", 422), ("/ledger?offset=99999999", 422),
)  # fmt: skip


@pytest.mark.parametrize(("path", "status"), WRONG)
def test_what_is_wrong_is_told_as_a_problem(
    client: httpx.Client, document: Mapping[str, Any], path: str, status: int
) -> None:
    # RFC 9457: problem details.
    answer = client.get(API + path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert told["status"] == status
    assert told["title"]
    assert told["detail"]
    problem = {"$ref": "#/components/schemas/Problem", "components": document["components"]}
    Draft202012Validator(problem).validate(told)
    if status == 422:
        assert told["errors"][0]["where"]


def test_head_is_get_without_the_content(client: httpx.Client) -> None:
    # RFC 9110 section 9.3.2.
    asked, told = client.head(f"{API}/printers/1"), client.get(f"{API}/printers/1")
    assert (asked.status_code, asked.content) == (200, b"")
    assert asked.headers["etag"] == told.headers["etag"]
    assert client.head(f"{API}/printers/999").status_code == 404


def test_other_methods_are_no_way_in(client: httpx.Client) -> None:
    for method in ("POST", "PUT", "PATCH", "DELETE"):
        answer = client.request(method, f"{API}/printers/1", json={})
        assert answer.status_code == 405
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["allow"] == "GET"


NASTY = (
    "",
    "%00",
    "%FF%FE",
    "..%2f..%2f",
    "'%20OR%201=1--",
    "%F0%9F%96%A8",
    "a" * 200,
    "1e400",
    "NaN",
    "-0",
    "[]",
    "{}",
)


@pytest.mark.parametrize("value", NASTY)
def test_no_parameter_whatever_it_holds_breaks_an_answer(client: httpx.Client, value: str) -> None:
    names = (
        "q",
        "site",
        "state",
        "sort",
        "descending",
        "limit",
        "offset",
        "kind",
        "since",
        "at",
        "severity",
        "printer",
    )
    for path in ("/printers", "/printers/1/history", "/printers/1/insight", "/alarms", "/ledger", "/about"):
        for name in names:
            assert client.get(f"{API}{path}?{name}={value}").status_code in (200, 422), (path, name)
    assert client.get(f"{API}/printers/{value}").status_code in (200, 307, 404, 422)


def test_every_address_and_parameter_is_explained_in_the_docs(document: Mapping[str, Any]) -> None:
    text = (Path(__file__).parents[2] / "docs" / "pages.md").read_text("utf-8")
    rows = {line.split("`")[1]: line for line in text.splitlines() if line.startswith("| `/api")}
    assert set(rows) == {f"{API}{path}" for path in document["paths"]}
    for path, item in document["paths"].items():
        some = [one for operation in item.values() for one in operation.get("parameters", ())]
        names = {one["name"] for one in some if one["in"] == "query"}
        assert all(f"`{name}`" in rows[API + path] for name in names), path
    for page, _ in NAV:
        assert f"| `{page}` |" in text

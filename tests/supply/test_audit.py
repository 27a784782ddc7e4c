"""The look for known weaknesses: it fails on a finding, and says so when nobody could be asked."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from tests.supply.locks import LOCKS, locked


class Advisories(BaseHTTPRequestHandler):
    """Answers as OSV's service does (OSV API, POST /v1/query; Open Source Vulnerability format 1.x)."""

    weak: tuple[str, ...] = ()

    def do_POST(self) -> None:
        asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        name = asked["package"]["name"]
        self.server.asked.append(name)  # type: ignore[attr-defined]
        told: dict[str, Any] = {}
        if name in self.server.weak:  # type: ignore[attr-defined]
            told["vulns"] = [
                {
                    "id": "PYSEC-2026-4711",
                    "summary": "an invented weakness",
                    "details": "invented",
                    "modified": "2026-11-01T00:00:00Z",
                    "published": "2026-11-01T00:00:00Z",
                    "affected": [
                        {
                            "package": {"name": name, "ecosystem": "PyPI"},
                            "ranges": [{"type": "ECOSYSTEM", "events": [{"introduced": "0"}, {"fixed": "999.1"}]}],
                        }
                    ],
                }
            ]
        body = json.dumps(told).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Nothing is said."""


class Service(ThreadingHTTPServer):
    daemon_threads = True
    weak: tuple[str, ...] = ()

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Advisories)
        self.asked: list[str] = []


@pytest.fixture
def service() -> Iterator[Service]:
    with Service() as made:
        thread = threading.Thread(target=made.serve_forever, args=(0.05,))
        thread.start()
        yield made
        made.shutdown()
        thread.join()


def audit(port: int) -> subprocess.CompletedProcess[str]:
    where = {"PIP_AUDIT_VULNERABILITY_SERVICE": "osv", "PIP_AUDIT_OSV_URL": f"http://127.0.0.1:{port}/v1/query"}
    clean = {key: value for key, value in os.environ.items() if "proxy" not in key.lower()}
    return subprocess.run(
        [sys.executable, "-m", "tests.supply.audit", str(LOCKS / "runtime.txt")],
        capture_output=True,
        text=True,
        env={**clean, **where},
        timeout=120,
    )


def test_everything_that_is_locked_for_this_system_is_asked_about(service: Service):
    done = audit(service.server_address[1])
    assert done.returncode == 0, done.stderr
    here = {one.requirement.name for one in locked(LOCKS / "runtime.txt") if one.here}
    assert set(service.asked) == here
    assert f"no known weakness in {len(here)} packages" in done.stdout


def test_a_weakness_fails_the_check_and_is_named(service: Service):
    service.weak = ("jinja2",)
    done = audit(service.server_address[1])
    assert done.returncode == 1
    assert "jinja2" in done.stderr
    assert "PYSEC-2026-4711" in done.stderr
    assert "mended in 999.1" in done.stderr


def test_where_nobody_answers_one_line_says_so():
    with socket.socket() as taken:  # bound and not listening: refused at once
        taken.bind(("127.0.0.1", 0))
        done = audit(taken.getsockname()[1])
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [
        "audit: no advisory service answers here, so known weaknesses were NOT looked up."
    ]


def test_a_service_that_answers_nonsense_is_no_reason_to_pass(service: Service):
    service.RequestHandlerClass = Nonsense
    done = audit(service.server_address[1])
    assert done.returncode == 2, done.stdout
    assert "pip-audit failed" in done.stderr


class Nonsense(Advisories):
    def do_POST(self) -> None:
        self.send_error(500)

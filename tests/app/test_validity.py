"""How long a certificate is good, on certificates made for it; and an agent that speaks TLS is found to run."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from agent.app.finding import FINE, LOOK, WRONG
from agent.app.selfcheck import _alive
from agent.app.validity import SOON, certificate
from agent.model.health import Health
from agent.web import Server, build_app
from agent.web.tls import Certificate
from tests.doors.papers import Authority

NOW = datetime.now(UTC)
"""Test certificates are good for two days from about now (see tests/doors/papers.py)."""


@pytest.fixture
def made(tmp_path: Path) -> tuple[Path, Path]:
    return Authority(tmp_path).issue("lane")


@pytest.mark.parametrize(
    ("later", "verdict", "words"),
    [
        (timedelta(hours=1), LOOK, "1 day more"),
        (timedelta(days=3), WRONG, "it was good until"),
        (timedelta(days=-1), WRONG, "look at the clock"),
        (timedelta(days=2) - SOON - timedelta(hours=2), WRONG, "only"),
    ],
)
def test_what_ends_soon_has_ended_or_not_begun_is_said(
    made: tuple[Path, Path], later: timedelta, verdict: str, words: str
) -> None:
    found = certificate(made[0], NOW + later)
    assert found.verdict == verdict
    assert words in f"{found.says} {found.do}"
    assert found.do


def test_a_file_that_is_none_is_said(tmp_path: Path, made: tuple[Path, Path]) -> None:
    assert certificate(tmp_path / "none.pem", NOW).verdict == WRONG
    assert "no PEM certificate" in certificate(made[1], NOW).says


def test_one_that_is_good_for_long_is_fine(tmp_path: Path) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key, name = ec.generate_private_key(ec.SECP256R1()), x509.Name([])
    begun = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    begun = begun.serial_number(1).not_valid_before(NOW).not_valid_after(NOW + timedelta(days=90))
    file = tmp_path / "own.pem"
    file.write_bytes(begun.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
    assert certificate(file, NOW + timedelta(days=1)).verdict == FINE


@pytest.mark.parametrize("well", [True, False])
def test_an_agent_that_speaks_tls_is_found(made: tuple[Path, Path], well: bool) -> None:
    health = Health(settings_loaded=True, store_open=True, swept=True, heartbeat_age=1.0 if well else 1e6)
    with Server(build_app(lambda _: (b"", "text/plain"), lambda: health), certificate=Certificate(*made)) as server:
        assert _alive("127.0.0.1", server.port, tls=True) is well
        assert _alive("127.0.0.1", server.port) is None

"""For how long the certificate of the web server is still good."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from agent.app.finding import FINE, LOOK, WRONG, Finding
from agent.model.day_words import clock_words, dated_words

SOON = timedelta(days=21)
"""Authorities renew in the last third of ninety days; who is later than this has most likely been forgotten."""


def certificate(file: Path, now: datetime, zone: str = "UTC") -> Finding:
    """The first certificate of the file, which is the server's own (RFC 5246 section 7.4.2). ``zone``: the agent's."""
    from cryptography import x509

    try:
        own = x509.load_pem_x509_certificates(file.read_bytes())[0]
    except (OSError, ValueError) as problem:
        why = problem.strerror if isinstance(problem, OSError) and problem.strerror else "it is no PEM certificate"
        return Finding("certificate", str(file), WRONG, f"it cannot be read: {why}", "see listen.tls.certificate")
    begins, ends = own.not_valid_before_utc, own.not_valid_after_utc
    until = clock_words(ends, zone)
    renew = "renew it, and systemctl reload lowmark (or SIGHUP)"
    if now < begins:
        return Finding(
            "certificate", str(file), WRONG, f"it is good from {dated_words(begins, zone)} only", "look at the clock"
        )
    if now >= ends:
        return Finding("certificate", str(file), WRONG, f"it was good until {until}", renew)
    if ends - now < SOON:
        return Finding(
            "certificate", str(file), LOOK, f"it is good until {until}, {_days((ends - now).days)} more", renew
        )
    return Finding("certificate", str(file), FINE, f"it is good until {until}")


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"

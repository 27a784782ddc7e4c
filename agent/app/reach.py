"""Whether the channels can be reached. Nobody is told anything, unless a test message is asked for.

mail       connect, encrypt, log in, leave again
webhook    connect, and check the certificate; no request is made
apprise    the URL is understood; only a test message shows more
"""

from __future__ import annotations

import asyncio
import smtplib
import socket
import ssl
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from agent.app.finding import FINE, WRONG, Finding
from agent.model.alarm import Message
from agent.model.failure import Failure
from agent.notify.channel import Channel, Undelivered, masked
from agent.notify.mail import is_loopback
from agent.settings import Alertmanager, ApprisePost, Mail, Secret, Settings, Webhook

TEST_TEXT = "This is a test by lowmark fitness: messages come through on this channel. There is nothing to do."
_LONGEST_TEST = 90.0


async def reach(settings: Settings, base: Path, *, timeout: float = 5.0) -> list[Finding]:
    """One finding for each channel. ``base``: where relative paths start from."""
    asked = (asyncio.to_thread(_reach, one, base, timeout) for one in settings.channels)
    return list(await asyncio.gather(*asked))


def _reach(one: Mail | Webhook | Alertmanager | ApprisePost, base: Path, timeout: float) -> Finding:
    match one:
        case Mail():
            return _mail(one, base, timeout)
        case Webhook():
            return _web(one, timeout, one.secret)
        case Alertmanager():
            return _web(one, timeout, None, base / one.ca_file if one.ca_file else None)
        case ApprisePost():
            return _apprise(one)


def _mail(one: Mail, base: Path, timeout: float) -> Finding:
    where = f"{one.host}:{one.smtp_port}"
    context = ssl.create_default_context()
    password = ""
    try:
        if one.ca_file is not None:
            context.load_verify_locations(cafile=str(base / one.ca_file))
        smtp = (
            smtplib.SMTP_SSL(one.host, one.smtp_port, timeout=timeout, context=context)
            if one.security == "tls"
            else smtplib.SMTP(one.host, one.smtp_port, timeout=timeout)
        )
        try:
            if one.security == "starttls":
                smtp.starttls(context=context)
            if one.user is not None and one.password is not None:
                if one.security == "none" and not is_loopback(one.host):
                    return _wrong(
                        one.name,
                        f"the password for {where} would travel unencrypted",
                        "choose security: starttls or tls",
                    )
                password = one.password.reveal()
                smtp.login(one.user, password)
            smtp.noop()
        finally:
            with suppress(smtplib.SMTPException, OSError):
                smtp.quit()
            smtp.close()
    except Failure as failure:
        return _wrong(one.name, str(failure), "put the secret where the settings say")
    except smtplib.SMTPAuthenticationError as problem:
        said = masked(
            problem.smtp_error.decode("utf-8", "replace")
            if isinstance(problem.smtp_error, bytes)
            else problem.smtp_error,
            (password,),
        )
        return _wrong(
            one.name, f"{where} refuses user and password: {problem.smtp_code} {said}", "put user and password right"
        )
    except (smtplib.SMTPException, OSError, UnicodeError, ValueError) as problem:
        return _unreached(one.name, where, masked(problem, (password,)), problem)
    logged_in = f", logged in as {one.user}" if one.user is not None else ""
    return Finding("channels", one.name, FINE, f"mail server {where} answers ({one.security}{logged_in})")


def _web(one: Webhook | Alertmanager, timeout: float, secret: Secret | None, ca_file: Path | None = None) -> Finding:
    try:
        parts = urlsplit(one.reveal_url())
        host, port = parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)
        if secret is not None:
            secret.reveal()
    except Failure as failure:
        return _wrong(one.name, str(failure), "put the secret where the settings say")
    except ValueError:
        return _wrong(one.name, "the URL cannot be understood", "write it like https://hooks.example.org/lowmark")
    where = f"{parts.scheme}://{host}:{port}"
    try:
        with socket.create_connection((host, port), timeout) as plain:
            if parts.scheme == "https":
                context = ssl.create_default_context()
                if ca_file is not None:
                    context.load_verify_locations(cafile=str(ca_file))
                with context.wrap_socket(plain, server_hostname=host):
                    pass
    except (OSError, UnicodeError, ValueError) as problem:
        return _unreached(one.name, where, str(problem), problem)
    return Finding("channels", one.name, FINE, f"{where} can be connected to; no request was made")


def _apprise(one: ApprisePost) -> Finding:
    import apprise

    try:
        url = one.url.reveal()
    except Failure as failure:
        return _wrong(one.name, str(failure), "put the secret where the settings say")
    scheme = url.partition("://")[0][:20]
    service: Any = None
    with suppress(Exception):  # any of a hundred plug-ins; it is said below
        service = apprise.Apprise.instantiate(url, suppress_exceptions=True)
    if not service:
        return _wrong(one.name, "Apprise does not understand the URL", "see Apprise's documentation of that service")
    return Finding("channels", one.name, FINE, f"Apprise understands the {scheme}:// URL; --send-test shows more")


def _wrong(name: str, says: str, do: str) -> Finding:
    return Finding("channels", name, WRONG, says, do)


def _unreached(name: str, where: str, said: str, problem: Exception) -> Finding:
    if isinstance(problem, ssl.SSLCertVerificationError):
        do = "use the name that is in the certificate; for mail, name its authority with ca_file"
    elif isinstance(problem, socket.gaierror):
        do = "look at the host's name and at the name server"
    elif isinstance(problem, TimeoutError):
        do = "look whether a firewall is in between, and at host and port"
    else:
        do = "look at host, port and security"
    return _wrong(name, f"{where}: {said or type(problem).__name__}", do)


async def send_tests(channels: Mapping[str, Channel], now: datetime) -> list[Finding]:
    """Send a test message on every channel, side by side, and close the channels."""
    return list(await asyncio.gather(*(_send(name, channel, now) for name, channel in channels.items())))


async def _send(name: str, channel: Channel, now: datetime) -> Finding:
    try:
        async with asyncio.timeout(_LONGEST_TEST):
            await channel.send(_test_message(name, now))
    except Undelivered as problem:
        return Finding("channels", f"{name}, test", WRONG, str(problem), "put it right, and send a test again")
    except TimeoutError:
        return Finding(
            "channels", f"{name}, test", WRONG, f"not taken within {_LONGEST_TEST:.0f} s", "look at the receiver"
        )
    finally:
        await channel.close()
    return Finding("channels", f"{name}, test", FINE, "the test message was taken; see that it arrives")


def _test_message(name: str, now: datetime) -> Sequence[Message]:
    key = f"fitness|agent|{name}"
    return [
        Message(
            f"{key}|{now.isoformat()}",
            name,
            "raised",
            "low",
            now,
            key,
            1,
            "test",
            TEST_TEXT,
            batch=now.isoformat(),
            facts={"agent_part": "test"},
        )
    ]

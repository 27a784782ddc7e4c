"""Mail over SMTP: STARTTLS or TLS from the start, certificates always checked, one piece for each judgement.

The Message-ID is made of what is told (RFC 5322 section 3.6.4), so a mail that went out twice, because the agent died
before it could note the first, can be recognised. The mail says that no person wrote it (RFC 3834).
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from email.errors import MessageError
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from functools import partial
from hashlib import sha256
from ipaddress import ip_address
from pathlib import Path

from agent.alarms.wording import clean
from agent.model.alarm import Message, rank
from agent.model.digest import Digest
from agent.notify.channel import (
    MakeLink,
    Receipts,
    Reveal,
    Undelivered,
    Worker,
    fingerprint,
    masked,
    no_link,
    revealed,
)
from agent.notify.message import compose

SECURITIES = ("starttls", "tls", "none")
FAREWELL_SECONDS = 2.0
"""How long the server's answer to QUIT is waited for."""


@dataclass(frozen=True, slots=True)
class Server:
    """The mail server. ``security``: ``starttls``, ``tls`` or ``none``. ``ca_file``: PEM, trusted besides the system's.

    ``timeout``: seconds without progress after which a connection is given up.
    """

    host: str
    port: int = 587
    security: str = "starttls"
    user: str | None = None
    password: Reveal | None = None
    ca_file: str | Path | None = None
    timeout: float = 20.0
    own_name: str | None = None


class MailChannel:
    """Mails to fixed receivers. ``sender`` and ``to`` are bare addresses. Raises ValueError when they are unfit.

    ``link``: makes the address at which a receiver acknowledges what a message tells. Where there is one, each receiver
    gets a mail of their own, since it says who they are.
    """

    def __init__(self, name: str, server: Server, sender: str, to: Sequence[str], link: MakeLink = no_link) -> None:
        if server.security not in SECURITIES:
            raise ValueError(f"security must be one of {', '.join(SECURITIES)}, not {server.security!r}")
        if server.user is not None and server.password is None:
            raise ValueError(f"a password is needed for the user {server.user}")
        if server.user is not None and server.security == "none" and not is_loopback(server.host):
            raise ValueError("user and password must not travel unencrypted; choose starttls or tls")
        if not to:
            raise ValueError("a mail needs at least one receiver")
        for address in (sender, *to):
            if "@" not in address or not address.isprintable() or any(sign in " ,;<>" for sign in address):
                raise ValueError(f"{address!r} is no mail address")
        self._name = name
        self._server = server
        self._sender = sender
        self._to = tuple(to)
        self._link = link
        self._receipts = Receipts()
        self._worker = Worker(name)

    @property
    def name(self) -> str:
        """As the rules call it."""
        return self._name

    async def send(self, messages: Sequence[Message]) -> None:
        """Send one mail. Raises Undelivered; a receiver who already has it gets no second one from this process."""
        piece = fingerprint(messages)
        password = revealed(self._server.password, self._name)
        await self._worker.run(partial(self._send, piece, self._mails(messages), password))

    def _mails(self, messages: Sequence[Message]) -> list[tuple[tuple[str, ...], EmailMessage]]:
        """What is sent to whom."""
        if len(messages) == 1 and (digest := digest_of(messages[0])) is not None:
            to = digest.to or self._to
            return [(to, digest_letter(messages[0], digest, self._sender, to))]
        if not any(self._link(message, self._to[0]) for message in messages):
            return [(self._to, letter(messages, self._sender, self._to))]
        return [((one,), letter(messages, self._sender, (one,), self._link)) for one in self._to]

    async def close(self) -> None:
        """End the thread."""
        self._worker.close()

    def _send(self, piece: str, mails: Sequence[tuple[Sequence[str], EmailMessage]], password: str) -> None:
        try:
            self._deliver(piece, mails, password)
        except Undelivered:
            raise
        except smtplib.SMTPResponseException as problem:
            said = f"{problem.smtp_code} {_said(problem.smtp_error)}"
            raise self._failed(said, password, permanent=_is_final(problem)) from None
        except smtplib.SMTPNotSupportedError as problem:
            raise self._failed(str(problem), password, permanent=True) from None
        except (ssl.SSLError, OSError, smtplib.SMTPException, MessageError, UnicodeError) as problem:
            raise self._failed(f"{type(problem).__name__}: {problem}", password) from None

    def _failed(self, text: str, password: str, *, permanent: bool = False) -> Undelivered:
        where = f"mail server {self._server.host}:{self._server.port}"
        return Undelivered(f"{where}: {masked(text, (password,))}", permanent=permanent)

    def _deliver(self, piece: str, mails: Sequence[tuple[Sequence[str], EmailMessage]], password: str) -> None:
        waiting = [(self._receipts.missing(piece, list(to)), mail) for to, mail in mails]
        waiting = [(missing, mail) for missing, mail in waiting if missing]
        if not waiting:
            return
        refused: dict[str, tuple[int, bytes]] = {}
        smtp = self._connected(password)
        try:
            for missing, mail in waiting:
                refused |= self._one(smtp, piece, missing, mail)
        finally:
            # The mail is the server's now. What it says to the farewell changes nothing of that, and until the outbox
            # has noted it, every moment is one in which a crash would send it again.
            self._worker.afterwards(partial(_leave, smtp), smtp.close)
        if refused:
            said = "; ".join(f"{who}: {code} {_said(why)}" for who, (code, why) in sorted(refused.items()))
            raise self._failed(f"refused for {said}", password, permanent=all(c >= 500 for c, _ in refused.values()))

    def _one(
        self, smtp: smtplib.SMTP, piece: str, missing: Sequence[str], mail: EmailMessage
    ) -> dict[str, tuple[int, bytes]]:
        """Send one mail; those who were refused."""
        try:
            refused = smtp.send_message(mail, self._sender, missing)
        except smtplib.SMTPRecipientsRefused as problem:
            refused = problem.recipients
        for receiver in missing:
            if receiver not in refused:
                self._receipts.note(piece, receiver)
        return dict(refused)

    def _connected(self, password: str) -> smtplib.SMTP:
        server = self._server
        context = ssl.create_default_context()
        if server.ca_file is not None:
            context.load_verify_locations(cafile=str(server.ca_file))
        smtp: smtplib.SMTP
        if server.security == "tls":
            smtp = smtplib.SMTP_SSL(server.host, server.port, server.own_name, timeout=server.timeout, context=context)
        else:
            smtp = smtplib.SMTP(server.host, server.port, server.own_name, timeout=server.timeout)
        try:
            if server.security == "starttls":
                smtp.starttls(context=context)
            if server.user is not None:
                smtp.login(server.user, password)
        except BaseException:
            smtp.close()
            raise
        return smtp


def _leave(smtp: smtplib.SMTP) -> None:
    """Take leave of the server, without waiting long for its answer."""
    with contextlib.suppress(OSError, smtplib.SMTPException):
        if smtp.sock is not None:
            smtp.sock.settimeout(FAREWELL_SECONDS)
            smtp.quit()
    smtp.close()


def letter(messages: Sequence[Message], sender: str, to: Sequence[str], link: MakeLink | None = None) -> EmailMessage:
    """The mail itself. Its date is that of the latest decision, so the same messages always make the same mail.

    ``link``: for a mail to one receiver, makes the address at which they acknowledge a message.
    """
    text = compose(messages) if link is None else compose(messages, lambda message: link(message, to[0]))
    number = fingerprint(messages)
    if link is not None:
        number += "." + sha256(to[0].encode()).hexdigest()[:12]
    mail = EmailMessage(policy=SMTP_POLICY)
    mail["From"] = f"Lowmark <{sender}>"
    mail["To"] = ", ".join(to)
    mail["Subject"] = text.subject
    mail["Date"] = format_datetime(max(message.at for message in messages))
    mail["Message-ID"] = f"<{number}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"
    if any(rank(message.severity) >= rank("urgent") and message.kind != "returned" for message in messages):
        mail["Importance"] = "high"
    mail.set_content(text.body, cte="quoted-printable")
    return mail


def digest_of(message: Message) -> Digest | None:
    """The letter that a message carries, if it is one that is written regularly. Raises Undelivered."""
    text = message.facts.get("digest")
    if not isinstance(text, str):
        return None
    try:
        return Digest.from_text(text)
    except (ValueError, TypeError):
        raise Undelivered("the stored letter cannot be read", permanent=True) from None


def digest_letter(message: Message, digest: Digest, sender: str, to: Sequence[str]) -> EmailMessage:
    """The mail itself: plain text, and HTML with its pictures inline (RFC 2387, RFC 2392)."""
    mail = EmailMessage(policy=SMTP_POLICY)
    domain = sender.rpartition("@")[2]
    mail["From"] = f"Lowmark <{sender}>"
    mail["To"] = ", ".join(to)
    mail["Subject"] = clean(digest.subject, 180)
    mail["Date"] = format_datetime(message.at)
    mail["Message-ID"] = f"<{fingerprint([message])}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(digest.plain, cte="quoted-printable")
    html = digest.html
    for picture in digest.pictures:
        html = html.replace(f'"cid:{picture.name}"', f'"cid:{_picture_id(message, picture.name, domain)}"')
    mail.add_alternative(html, subtype="html", cte="quoted-printable")
    if digest.pictures:
        page = mail.get_payload()[1]  # type: ignore[index]
        for picture in digest.pictures:
            name = _picture_id(message, picture.name, domain)
            page.add_related(  # type: ignore[union-attr]
                picture.png, "image", "png", cid=f"<{name}>", filename=f"{picture.name}.png", disposition="inline"
            )
    return mail


def _picture_id(message: Message, name: str, domain: str) -> str:
    return f"{name}.{fingerprint([message])[:16]}@{domain}"


def is_loopback(host: str) -> bool:
    """Whether nobody but this machine can hear what goes to ``host``."""
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _said(answer: bytes | str) -> str:
    return clean(answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer, 200)


def _is_final(problem: smtplib.SMTPResponseException) -> bool:
    """5yz is final (RFC 5321 section 4.2.1); but wrong credentials are put right by a person, and then it goes on."""
    return problem.smtp_code >= 500 and not isinstance(
        problem, smtplib.SMTPAuthenticationError | smtplib.SMTPConnectError | smtplib.SMTPHeloError
    )

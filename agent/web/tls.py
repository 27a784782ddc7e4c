"""The certificate that the server proves itself with, and taking up a new one while it runs."""

from __future__ import annotations

import ssl
from pathlib import Path

from agent.model.failure import Failure


class CannotProve(Failure):
    """Certificate or key cannot be used; ``str()`` says which, why, and what to do, and nothing of what is in them."""

    status = 2


class Certificate:
    """A certificate and its key, from two PEM files. TLS 1.2 and newer; the rest is what Python and OpenSSL advise.

    Raises CannotProve.
    """

    def __init__(self, certificate: Path, key: Path) -> None:
        self._files = certificate, key
        self.context = self._present = self._loaded()
        self.context.sni_callback = self._shown

    def renew(self) -> None:
        """Read the files again: connections made from now on are shown the new certificate, old ones go on.

        Raises CannotProve and leaves the old one in force when the new one cannot be used. May be called from any
        thread.
        """
        # A context of its own: one in use would have the new certificate with the old key for a moment, and whoever
        # comes in that moment would be turned away.
        self._present = self._loaded()

    def _shown(self, connection: ssl.SSLObject, _name: str | None, _context: ssl.SSLContext) -> None:
        """Called at the beginning of each connection, also of one that says no name of the server."""
        connection.context = self._present

    def _loaded(self) -> ssl.SSLContext:
        certificate, key = self._files
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.set_alpn_protocols(["http/1.1"])
        for file, what in ((certificate, "certificate"), (key, "key")):
            try:
                file.read_bytes()
            except OSError as problem:
                raise CannotProve(
                    f"listen.tls.{what}: {file} cannot be read: {problem.strerror}; "
                    "name a PEM file that Lowmark may read"
                ) from None
        try:
            context.load_cert_chain(certificate, key, password=_no_pass_phrase)
        except _Locked:
            raise CannotProve(
                f"listen.tls.key: {key} wants a pass phrase, and nobody is there to type it; take it off "
                "(openssl pkey -in OLD -out NEW) and let only Lowmark read the file"
            ) from None
        except ssl.SSLError as problem:
            if problem.reason == "KEY_VALUES_MISMATCH":
                raise CannotProve(f"listen.tls.key: {key} is not the key of the certificate in {certificate}") from None
            raise CannotProve(
                f"listen.tls: {certificate} and {key} are not a certificate and its key in PEM form"
            ) from None
        return context


class _Locked(Exception):
    pass


def _no_pass_phrase() -> str:
    raise _Locked

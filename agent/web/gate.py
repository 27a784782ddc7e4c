"""How the doors are set: which names, who is asked to sign in, whom to believe."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from typing import Protocol

from agent.model.people import Person, Token

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
LARGEST_FORM = 12 * 1024 * 1024
"""Octets of a form, a photo included."""


class Keeper(Protocol):
    """Who may come in, as the doors need it. Called from worker threads; may raise ``agent.model.failure.Failure``."""

    def person(self, name: str) -> Person | None:
        """Whoever is called so."""

    def session(self, secret: str, *, used: bool = True) -> Person | None:
        """Whose session this is, if it is one that is not over. ``used`` False: it does not last longer for that."""

    def token(self, secret: str) -> Token | None:
        """The token with this secret, if it lets in now."""

    def sign_in(self, name: str, password: str, address: str, before: str = "") -> str:
        """The secret of a new session, in place of that of ``before``. Raises NotAdmitted."""

    def sign_out(self, secret: str) -> None:
        """End this session."""

    def change_password(self, name: str, old: str, new: str, address: str) -> str:
        """Somebody changes their own password; the secret of a new session. Raises NotAdmitted."""


@dataclass(frozen=True, slots=True)
class Gate:
    """How the doors are set. As it stands: this machine alone, asked for by its own name, and nobody signs in.

    ``keeper``: None where there are neither sessions nor tokens. ``sign_in``: whoever is not known has to. ``names``:
    host names that it may be asked for by, in lower case, besides this machine's own. ``elsewhere``: other machines
    reach it, so any IP address of it is a fine name too (a name that is an address cannot be bound to another one).
    ``behind_proxy``: a proxy that speaks TLS stands before it. ``header``: in it a proxy at one of the ``trusted``
    addresses says who asks; "" for none. ``locale``: how numbers and dates are written; "": as each browser asks.
    """

    keeper: Keeper | None = None
    sign_in: bool = False
    names: frozenset[str] = frozenset()
    elsewhere: bool = False
    behind_proxy: bool = False
    header: str = ""
    trusted: tuple[Network, ...] = ()
    locale: str = ""

    def trusts(self, peer: str) -> bool:
        """Whether what this address says of others is believed."""
        try:
            address = ipaddress.ip_address(peer)
        except ValueError:
            return False
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return any(address in network for network in self.trusted if network.version == address.version)

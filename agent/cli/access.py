"""How ``read`` and ``survey`` are told whom to ask and as whom.

A pass phrase is never the value of an option: every user of the machine may see the arguments of a running program
(``ps``). A community may be one, since SNMPv1 and v2c send it over the network in the clear anyway.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from agent.model.wire import Community, UsmUser

if TYPE_CHECKING:
    from agent.settings import Settings

EngineName = Literal["gufo", "pysnmp"]
Version = Literal["1", "2c", "3"]
AuthName = Literal["MD5", "SHA-1", "SHA-224", "SHA-256", "SHA-384", "SHA-512"]
PrivName = Literal["DES", "AES-128", "AES-192", "AES-256"]

EngineOption = Annotated[
    EngineName | None, typer.Option("--engine", help="The SNMP engine; else the quicker one that is installed.")
]
TimeoutOption = Annotated[
    float | None, typer.Option("--timeout", min=0.05, max=60, metavar="SECONDS", help="How long one request waits.")
]
RetriesOption = Annotated[
    int | None, typer.Option("--retries", min=0, max=10, help="How often an unanswered request is sent again.")
]
CommunityOption = Annotated[
    str | None,
    typer.Option(
        "--community",
        "-c",
        metavar="TEXT",
        help="Community of SNMP 1 and 2c (else: public). Other users of this machine may see it while this runs; "
        "it crosses the network in the clear as well.",
    ),
]
VersionOption = Annotated[Version | None, typer.Option("--snmp", help="SNMP version; else 2c, or 3 with --user.")]
UserOption = Annotated[str | None, typer.Option("--user", "-u", metavar="NAME", help="SNMP 3: the user.")]
AuthOption = Annotated[AuthName | None, typer.Option("--auth", help="SNMP 3: how requests are signed.")]
AuthKeyEnv = Annotated[
    str | None, typer.Option("--auth-key-env", metavar="NAME", help="Environment variable with the auth pass phrase.")
]
AuthKeyFile = Annotated[
    Path | None, typer.Option("--auth-key-file", metavar="PATH", help="File with the auth pass phrase; else asked for.")
]
PrivOption = Annotated[PrivName | None, typer.Option("--priv", help="SNMP 3: how requests are encrypted.")]
PrivKeyEnv = Annotated[
    str | None, typer.Option("--priv-key-env", metavar="NAME", help="Environment variable with the priv pass phrase.")
]
PrivKeyFile = Annotated[
    Path | None, typer.Option("--priv-key-file", metavar="PATH", help="File with the priv pass phrase; else asked for.")
]
ContextOption = Annotated[str | None, typer.Option("--context", metavar="NAME", help="SNMP 3: the context.")]


@dataclass(frozen=True, slots=True)
class UserAccess:
    """The options of an SNMPv3 user as given."""

    user: str | None = None
    auth: AuthName | None = None
    auth_key_env: str | None = None
    auth_key_file: Path | None = None
    priv: PrivName | None = None
    priv_key_env: str | None = None
    priv_key_file: Path | None = None
    context: str | None = None

    @property
    def given(self) -> bool:
        """Whether any of them was given."""
        return self != UserAccess()

    def wire(self) -> UsmUser:
        """As the wire takes it. Asks for pass phrases that are named nowhere. Raises BadParameter, SecretMissing."""
        if not self.user:
            raise typer.BadParameter("SNMP 3 needs a user: give --user NAME")
        if self.priv and not self.auth:
            raise typer.BadParameter("--priv needs --auth: SNMP 3 has no encryption without signing (RFC 3414)")
        for name, on in (("auth", self.auth), ("priv", self.priv)):
            if not on and (getattr(self, f"{name}_key_env") or getattr(self, f"{name}_key_file")):
                raise typer.BadParameter(f"a pass phrase for --{name} is given, but not --{name} itself")
        return UsmUser(
            user=self.user,
            auth=self.auth,
            auth_key=_pass_phrase("auth", self.auth_key_env, self.auth_key_file) if self.auth else None,
            priv=self.priv,
            priv_key=_pass_phrase("priv", self.priv_key_env, self.priv_key_file) if self.priv else None,
            context=self.context or "",
        )


def _pass_phrase(what: str, env: str | None, file: Path | None) -> str:
    from agent.settings import Secret

    if env and file:
        raise typer.BadParameter(f"give one of --{what}-key-env and --{what}-key-file")
    if env or file:
        found = Secret(env=env).reveal() if env else Secret(file=file).reveal()
        place = f"the variable {env}" if env else f"the file {file}"
    elif sys.stdin.isatty():
        found = str(typer.prompt(f"Pass phrase for {what}", hide_input=True, err=True))
        place = "what was typed"
    else:
        raise typer.BadParameter(f"--{what} needs a pass phrase: give --{what}-key-env NAME or --{what}-key-file PATH")
    if len(found) < 8:  # RFC 3414 section 11.2
        raise typer.BadParameter(f"the pass phrase for {what} ({place}) is shorter than 8 characters (RFC 3414)")
    return found


def credentials_given(
    snmp: Version | None, community: str | None, user: UserAccess, *, usual: Version = "2c"
) -> Community | UsmUser:
    """The credentials that the options make. Raises BadParameter where they contradict each other."""
    if snmp is None:
        snmp = "3" if user.given else usual
    if snmp == "3":
        if community is not None:
            raise typer.BadParameter("SNMP 3 has a user and no community: leave out --community")
        return user.wire()
    if user.given:
        raise typer.BadParameter(f"SNMP {snmp} has a community and no user: leave out --user and what belongs to it")
    return Community(snmp, "public" if community is None else community)


def credentials_named(settings: Settings, name: str) -> Community | UsmUser:
    """The credentials of that name in the settings. Raises BadParameter, SecretMissing."""
    found = settings.credentials.get(name)
    if found is None:
        known = ", ".join(settings.credentials)
        raise typer.BadParameter(f"the settings have no credentials called {name!r}; there are: {known}")
    return found.wire()


def read_address(text: str) -> tuple[str, int]:
    """``HOST``, ``HOST:PORT``, ``[IPv6]:PORT`` -> host and port (161 unless given). Raises BadParameter."""
    from pydantic_core import PydanticCustomError

    from agent.settings.units import read_endpoint

    try:
        endpoint = read_endpoint(text)
    except PydanticCustomError as wrong:
        about = wrong.context or {}
        hint = f"; {about['hint']}" if about.get("hint") else ""
        raise typer.BadParameter(f"{text!r} is not {about.get('expected', 'an address')}{hint}") from None
    return endpoint.host, endpoint.port or 161

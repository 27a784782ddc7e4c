"""Secrets are named in the settings, never written in them: ``{env: NAME}`` or ``{file: PATH}``.

A ``Secret`` holds only where the value comes from. The value is read anew by each ``reveal()``, so there is nothing
in memory to be printed, pickled, dumped or logged by accident, and a changed file is taken up without a restart.
"""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import PydanticCustomError, core_schema

from agent.model.failure import Failure

LONGEST = 64 * 1024
"""No secret is longer than this many octets; a file that is, is some other file."""

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_EXPECTED = "a secret by reference: {env: NAME} or {file: PATH}"


def _one(key: str, text: JsonSchemaValue) -> JsonSchemaValue:
    return {"type": "object", "properties": {key: text}, "required": [key], "additionalProperties": False}


SECRET_SCHEMA: JsonSchemaValue = {
    "description": "A secret by reference: an environment variable, or a file (relative to this one).",
    "oneOf": [
        _one("env", {"type": "string", "pattern": f"^{_NAME.pattern}$", "description": "The variable's name."}),
        _one("file", {"type": "string", "minLength": 1, "description": "Path of a file with the secret alone."}),
    ],
}


class SecretMissing(Failure):
    """The secret is not where the settings say. ``str()`` names the place, never the content."""

    status = 2


class SecretUnfit(SecretMissing):
    """The secret is there, and cannot be used (too short, not text ...)."""


class Secret:
    """Where a secret comes from. Equal to another that comes from the same place."""

    __slots__ = ("_kind", "_where")

    def __init__(self, *, env: str | None = None, file: str | os.PathLike[str] | None = None) -> None:
        if (env is None) == (file is None):
            raise ValueError("a secret comes either from an environment variable or from a file")
        self._kind = "env" if env is not None else "file"
        self._where = env if env is not None else os.fspath(file or "")

    @property
    def source(self) -> str:
        """``env NAME`` or ``file PATH``."""
        return f"{self._kind} {self._where}"

    @property
    def file(self) -> Path | None:
        """The path of the file, None where it comes from elsewhere."""
        return Path(self._where) if self._kind == "file" else None

    def reveal(self) -> str:
        """The secret itself. Raises SecretMissing (SecretUnfit) where there is none; keep the result out of sight."""
        found = self._from_env() if self._kind == "env" else self._from_file()
        if not found:
            raise SecretMissing(f"the secret from {self.source} is empty")
        return found

    def exposed(self) -> str | None:
        """A warning when the file may be read by every user of this machine, else None."""
        if self._kind != "file":
            return None
        try:
            mode = Path(self._where).stat().st_mode
        except OSError:
            return None
        if mode & stat.S_IROTH:
            return f"every user of this machine may read {self._where}; run: chmod o-rwx {self._where}"
        return None

    def _from_env(self) -> str:
        found = os.environ.get(self._where)
        if found is None:
            raise SecretMissing(f"the environment variable {self._where} is not set; it should hold a secret")
        return found

    def _from_file(self) -> str:
        try:
            # A pipe or a terminal in place of the file must not stop the agent, so opening never waits.
            handle = os.open(self._where, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as problem:
            raise SecretMissing(f"the secret file {self._where} cannot be read: {problem.strerror}") from None
        try:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise SecretMissing(f"the secret file {self._where} is no regular file")
            raw = b""
            while len(raw) <= LONGEST and (more := os.read(handle, LONGEST + 1 - len(raw))):
                raw += more
        except OSError as problem:
            raise SecretMissing(f"the secret file {self._where} cannot be read: {problem.strerror}") from None
        finally:
            os.close(handle)
        if len(raw) > LONGEST:
            raise SecretUnfit(f"the secret file {self._where} is longer than {LONGEST} octets; is it the right file?")
        try:
            return raw.decode().removesuffix("\n").removesuffix("\r")
        except UnicodeDecodeError:
            raise SecretUnfit(f"the secret file {self._where} is not UTF-8 text") from None

    def __repr__(self) -> str:
        return f"<secret from {self.source}>"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and self.source == other.source

    def __hash__(self) -> int:
        return hash(self.source)

    def __reduce__(self) -> tuple[object, ...]:
        return _again, (self._kind, self._where)

    @classmethod
    def read(cls, given: object, info: core_schema.ValidationInfo) -> Secret:
        """From the mapping in the file; the context's ``base`` is the directory that file paths start from."""
        if isinstance(given, Secret):
            return given
        if not isinstance(given, dict):
            raise _wrong(
                "never write the secret itself here; put it in an environment variable or in a file of its own"
            )
        if len(given) != 1 or not given.keys() <= {"env", "file"}:
            raise _wrong("give exactly one of env and file, and nothing else")
        kind, where = next(iter(given.items()))
        if not isinstance(where, str) or not where or "\0" in where:
            raise _wrong(f"write {kind} as text: the name of the {'variable' if kind == 'env' else 'file'}")
        if kind == "env":
            if not _NAME.fullmatch(where):
                raise _wrong("the name of a variable has letters, digits and underscores only, and no $ before it")
            return cls(env=where)
        base = (info.context or {}).get("base")
        return cls(file=Path(base or "") / Path(where).expanduser())

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.with_info_plain_validator_function(
            cls.read, serialization=core_schema.plain_serializer_function_ser_schema(repr)
        )

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return dict(SECRET_SCHEMA)


def _again(kind: str, where: str) -> Secret:
    return Secret(env=where) if kind == "env" else Secret(file=where)


def _wrong(hint: str) -> PydanticCustomError:
    return PydanticCustomError("secret", "no secret by reference", {"expected": _EXPECTED, "hint": hint})

"""Hands for the simulated printers: what a technician does, asked for from outside the rehearsal.

The door is a Unix socket in a folder that only its owner may enter; nothing of it can be reached over a network. One
request and one answer, each a line of JSON:

    {"printer": "hl-02", "verb": "fit", "subject": "toner:cyan", "share": 1.0, "reset": true}
    {"text": "hl-02: cyan toner fitted, 100 % of it good"}      or      {"error": "..."}
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import socketserver
import stat
import tempfile
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Self

from agent.model.failure import Failure
from agent.model.hands import ABOUT_SUPPLIES, CLEAR, EMPTY, FIT, JAM, RESET, VERBS, Handwork
from agent.model.wording import percent_words, supply_words
from agent.rehearsal.body import Life
from agent.rehearsal.kinds import FILLED, OTHER
from agent.rehearsal.serve import Rehearsal
from agent.rehearsal.wear import Worn

LONGEST = 4_096
"""Octets of a request or an answer."""
SECONDS = 5.0
HOURS_OF_A_JAM = 10_000.0
"""Nobody but the hands clears a jam that the hands have made."""
_SUFFIX = ".hands"


class CannotDo(Failure):
    """There is nothing that these hands can do so; the text says why."""

    status = 2


class Hands:
    """The hands at the printers of one rehearsal, from any thread."""

    def __init__(self, rehearsal: Rehearsal) -> None:
        self._rehearsal = rehearsal

    def __call__(self, printer: str, work: Handwork) -> str:
        """Do it, and say what was done. ``printer``: its name, serial number or address. Raises CannotDo."""
        if work.verb not in VERBS:
            raise CannotDo(f"hands cannot {work.verb[:20]!r}; they can {', '.join(VERBS)}")
        if not 0.0 <= work.share <= 1.0:
            raise CannotDo(f"a share of {work.share:g} is not between 0 % and 100 %")
        worn = self._find(printer)
        name = worn.who.name
        if not worn.on:
            raise CannotDo(f"{name} is switched off")
        if work.verb in ABOUT_SUPPLIES:
            return f"{name}: {self._at_supply(worn, work)}"
        rehearsal = self._rehearsal
        if work.verb == JAM:
            rehearsal.jam(name, HOURS_OF_A_JAM)
            return f"{name}: paper is jammed now"
        if work.verb == CLEAR:
            rehearsal.clear(name)
            return f"{name}: no paper is jammed now"
        rehearsal.calibrate(name)
        return f"{name}: it calibrates now"

    def _at_supply(self, worn: Worn, work: Handwork) -> str:
        life = _supply(worn, work.subject)
        key, name, rehearsal = life.part.key, worn.who.name, self._rehearsal
        words = supply_words(key) if life.part.kind != OTHER else life.part.description
        counted = life.part.wears == "pages"
        if work.verb == EMPTY and life.part.supply_class != FILLED:
            raise CannotDo(f"{key} of {name} is no receptacle; there is nothing to empty (fit it instead)")
        if work.verb in (FIT, EMPTY):
            share = 1.0 if work.verb == EMPTY else work.share
            rehearsal.fit(name, key, share, reset=work.reset)
            done = "emptied" if work.verb == EMPTY else f"fitted, {percent_words(share)} of it good"
            return f"{words} {done}" + (", its counter not reset" if counted and not work.reset else "")
        if work.verb == RESET:
            if not counted:
                raise CannotDo(f"{key} of {name} has no counter to be reset; the printer measures it by itself")
            rehearsal.reset_part(name, key)
            return f"the counter of {words} is reset"
        rehearsal.set_level(name, key, work.share)
        return f"{words} is at {percent_words(work.share)} now"

    def _find(self, text: str) -> Worn:
        low = text.strip().casefold()
        for worn in self._rehearsal.fleet.printers:
            who = worn.who
            if low in (who.name.casefold(), who.serial.casefold() or None, who.host, f"{who.host}:{who.port}"):
                return worn
        raise CannotDo(f"the rehearsal has no printer {text[:60]!r}")


def _supply(worn: Worn, word: str) -> Life:
    """The supply meant: by its key, else by a word of its key or description that fits one alone. Raises CannotDo."""
    low = word.strip().casefold()
    if word in worn.lives:
        return worn.lives[word]
    found = [
        life
        for key, life in worn.lives.items()
        if low and (low in key.casefold() or low in life.part.description.casefold())
    ]
    if len(found) == 1:
        return found[0]
    which = "several supplies fit" if found else "it has"
    names = ", ".join(life.part.key for life in found) or ", ".join(worn.lives)
    raise CannotDo(f"{worn.who.name} has no one supply {word[:40]!r}; {which}: {names}")


# --- the door ------------------------------------------------------------------------------------------------------


def usual_folder() -> Path:
    """Where the doors of this user's rehearsals are."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    base = Path(runtime) if runtime and Path(runtime).is_dir() else Path(tempfile.gettempdir())
    return base / f"lowmark-hands-{os.getuid()}"


def _own(folder: Path) -> Path:
    """The folder, made where there is none; nobody else may enter. Raises CannotDo."""
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise CannotDo(f"{folder} is not a folder that is yours alone; remove it, or set XDG_RUNTIME_DIR")
    return folder


class Door:
    """Lets hands in from outside while the context lasts. Raises CannotDo where that cannot be."""

    def __init__(self, hands: Hands, folder: Path | None = None) -> None:
        self._hands = hands
        self._folder = folder
        self._server: socketserver.ThreadingUnixStreamServer | None = None
        self._thread: threading.Thread | None = None
        self.path = Path()

    def __enter__(self) -> Self:
        """Open it."""
        hands = self._hands

        class Request(socketserver.StreamRequestHandler):
            timeout = SECONDS

            def handle(self) -> None:
                with contextlib.suppress(OSError):
                    line = self.rfile.readline(LONGEST + 1)
                    self.wfile.write(json.dumps(_answer(hands, line), ensure_ascii=True).encode() + b"\n")

        try:
            self.path = _own(self._folder or usual_folder()) / f"{os.getpid()}{_SUFFIX}"
            self.path.unlink(missing_ok=True)
            self._server = socketserver.ThreadingUnixStreamServer(str(self.path), Request)
        except OSError as error:
            raise CannotDo(f"the hands find no way in: {self.path} ({error.strerror or error})") from None
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, name="hands", daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Shut it."""
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._thread.join(10)
            self._server.server_close()
        self.path.unlink(missing_ok=True)


def _answer(hands: Hands, line: bytes) -> dict[str, str]:
    if len(line) > LONGEST:
        return {"error": "the request is too long"}
    try:
        given = json.loads(line)
        printer, work = _understood(given)
    except (ValueError, TypeError, KeyError):
        return {"error": "the request is not understood"}
    try:
        return {"text": hands(printer, work)}
    except CannotDo as failure:
        return {"error": str(failure)}


def _understood(given: Any) -> tuple[str, Handwork]:
    if not isinstance(given, dict):
        raise TypeError("no mapping")
    printer, verb, subject = given["printer"], given["verb"], given.get("subject", "")
    share, reset = given.get("share", 1.0), given.get("reset", True)
    texts = all(isinstance(one, str) for one in (printer, verb, subject))
    if not texts or isinstance(share, bool) or not isinstance(share, int | float) or not isinstance(reset, bool):
        raise TypeError("no such request")
    return printer, Handwork(verb, subject, float(share), reset)


# --- through the door ----------------------------------------------------------------------------------------------


def doors(folder: Path | None = None) -> Iterator[Path]:
    """The doors of this user's rehearsals that are running; those left by the dead are passed over."""
    where = folder or usual_folder()
    for path in sorted(where.glob(f"*{_SUFFIX}")) if where.is_dir() else ():
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as trial:
            trial.settimeout(SECONDS)
            trial.connect(str(path))
            yield path


def through(door: Path, printer: str, work: Handwork) -> str:
    """Have it done behind a door; what was done, in words. Raises CannotDo."""
    asked = {"printer": printer, "verb": work.verb, "subject": work.subject, "share": work.share, "reset": work.reset}
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(SECONDS)
            line.connect(str(door))
            line.sendall(json.dumps(asked).encode() + b"\n")
            answer: Mapping[str, Any] = json.loads(line.makefile("rb").readline(LONGEST + 1))
    except (OSError, ValueError) as error:
        raise CannotDo(f"no rehearsal answers at {door} ({error})") from None
    if "text" not in answer:
        raise CannotDo(str(answer.get("error", "the rehearsal gave no answer that can be understood")))
    return str(answer["text"])

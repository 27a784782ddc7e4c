"""What the parts of the file must be to one another, seen on the tree: a wrong value elsewhere hides nothing."""

from __future__ import annotations

import re
from collections.abc import Generator, Iterable, Iterator
from fnmatch import fnmatchcase
from typing import get_args

from agent.alarms.rules import ODDITIES, UNWELL
from agent.mib.alert_codes import ALERT_CODE
from agent.mib.enums import ERROR_BITS, SUPPLY_TYPE
from agent.settings.alarms import Condition
from agent.settings.document import Node
from agent.settings.hours_checks import check_hours
from agent.settings.targets import MOST_TARGETS, SNMP_PORT, addresses
from agent.settings.tree import (
    Problem,
    each_of,
    entries_of,
    named_once,
    unknown,
    value_of,
    word_of,
    words_of,
    wrong_at,
    wrong_key,
)
from agent.settings.units import read_duration, read_endpoint, read_network, write_duration
from agent.settings.work_checks import check_work

_SUPPLY_RULES = ("supplyBelow", "supplyEmpty", "receptacleNearlyFull")
_ALL: tuple[str, ...] = get_args(Condition)
_MEANT_FOR = {
    "below": ("supplyBelow", "receptacleNearlyFull"),
    "deadband": ("supplyBelow", "receptacleNearlyFull", "siteSilent", "runOut"),
    "for": ("unreachable", "siteSilent"),
    "share": ("siteSilent",),
    "fewest": ("siteSilent",),
    "within": ("runOut",),
    "chance": ("runOut",),
    "before_round": ("runOut",),
    "unstocked": ("runOut",),
    "kinds": (*_SUPPLY_RULES, "counterOddity", "runOut", "agentUnwell"),
    "alert_severity": ("printerAlert",),
    "codes": ("printerAlert",),
    "sites": _ALL[:-1],
    "tags": _ALL[:-1],
    "printers": _ALL[:-1],
    "models": _ALL[:-1],
}
_USER_ONLY = ("user", "auth", "auth_key", "priv", "priv_key", "context")


def check(root: Node) -> list[Problem]:
    """Everything in which the parts of the file do not fit together."""
    found: list[Problem] = []
    for part in (_listen, _polling, _retention, _credentials, _printers, _places, _references, _alarms, _channels):
        found += part(root)
    return [*found, *check_hours(root), *check_work(root)]


# --- listen, polling, retention --------------------------------------------------------------------------------------


def _listen(root: Node) -> Iterator[Problem]:
    node = root.get("listen")
    if node is None:
        return
    allowed, behind = (getattr(node.get(key), "value", None) is True for key in ("allow_network", "behind_proxy"))
    safe = "tls" in node.keys or behind
    for key in ("address", "notifications"):
        given = node.get(key)
        spot = value_of(given, read_endpoint)
        if given is None or spot is None or spot.is_loopback or allowed or (safe and key == "address"):
            continue
        hint = "if the network is meant, add allow_network: true" + (
            " (metrics and health alone), or for the pages besides tls: {certificate: PATH, key: {file: PATH}}, or "
            "behind_proxy: true where a proxy of yours speaks TLS before it; then people sign in: lowmark people add"
            if key == "address"
            else ""
        )
        yield wrong_at(
            given, f"listen.{key}", f"{spot}, which other machines can reach",
            "an address of this machine alone, like 127.0.0.1", hint,
        )  # fmt: skip
    yield from _sessions(node)


def _sessions(node: Node) -> Iterator[Problem]:
    idle, longest = node.get("session_idle"), node.get("session_longest")
    first = value_of(idle, read_duration) if idle else read_duration("12h")
    second = value_of(longest, read_duration) if longest else read_duration("7d")
    if first is not None and second is not None and first > second:
        expected = f"no more than session_longest ({write_duration(second)})"
        place = idle or longest or node
        yield wrong_at(place, "listen.session_idle", write_duration(first), expected)


def _order(root: Node, section: str, keys: tuple[str, ...], usual: tuple[str, ...]) -> Iterator[Problem]:
    """Durations of a section must not fall from one key to the next."""
    node = root.get(section)
    if node is None:
        return
    for (low, low_usual), (high, high_usual) in zip(
        zip(keys, usual, strict=True), zip(keys[1:], usual[1:], strict=True), strict=False
    ):
        small, large = node.get(low), node.get(high)
        if small is None and large is None:
            continue
        first = value_of(small, read_duration) if small else read_duration(low_usual)
        second = value_of(large, read_duration) if large else read_duration(high_usual)
        if first is None or second is None or first <= second:
            continue
        if large is not None:
            expected = f"no less than {low} ({write_duration(first)})"
            yield wrong_at(large, f"{section}.{high}", write_duration(second), expected)
        elif small is not None:
            expected = f"no more than {high} ({write_duration(second)})"
            yield wrong_at(small, f"{section}.{low}", write_duration(first), expected, f"or give {high} too")


def _polling(root: Node) -> Iterator[Problem]:
    yield from _order(root, "polling", ("timeout", "deadline"), ("2s", "10s"))
    yield from _order(root, "polling", ("status", "inventory"), ("60s", "6h"))


def _retention(root: Node) -> Iterator[Problem]:
    yield from _order(root, "retention", ("raw", "hours", "days"), ("90d", "730d", "3650d"))


# --- credentials -----------------------------------------------------------------------------------------------------


def _credentials(root: Node) -> Iterator[Problem]:
    for path, entry in entries_of(root, "credentials"):
        version = word_of(entry.get("version"))
        if version in ("1", "2c"):
            for key in _USER_ONLY:
                if key in entry.keys:
                    yield wrong_key(
                        entry, path, key, "this key", "it with version 3 only", "take it out, or say version: 3"
                    )
        elif version == "3":
            yield from _user(path, entry)


def _user(path: str, entry: Node) -> Iterator[Problem]:
    if "community" in entry.keys:
        yield wrong_key(
            entry, path, "community", "this key", "it with versions 1 and 2c only", "version 3 has a user instead"
        )
    if "user" not in entry.keys:
        yield wrong_at(entry, f"{path}.user", "nothing", "the key user: version 3 needs the name of a user")
    for kind, key in (("auth", "auth_key"), ("priv", "priv_key")):
        if kind in entry.keys and key not in entry.keys:
            yield wrong_key(entry, path, kind, f"no {key}", f"a pass phrase: {key}: {{env: NAME}}")
        if key in entry.keys and kind not in entry.keys:
            yield wrong_key(entry, path, key, f"no {kind}", f"the key {kind}, which says how it is used")
    if "priv" in entry.keys and "auth" not in entry.keys:
        hint = "SNMPv3 encrypts only what it signs (RFC 3414)"
        yield wrong_key(entry, path, "priv", "no auth", "the keys auth and auth_key besides", hint)


# --- printers --------------------------------------------------------------------------------------------------------


def _printers(root: Node) -> Iterator[Problem]:
    total = 0
    for path, entry in entries_of(root, "printers"):
        both = [key for key in ("address", "range") if key in entry.keys]
        if len(both) == 2:
            yield wrong_key(entry, path, "range", "both address and range", "one of them", "make two entries of it")
        elif not both:
            yield wrong_at(entry, path, "neither address nor range", "one of them")
        elif both == ["address"]:
            for key in ("except", "port"):
                if key in entry.keys:
                    hint = "write address: HOST:PORT" if key == "port" else ""
                    yield wrong_key(entry, path, key, "this key", "it with range only", hint)
        else:
            if "name" in entry.keys:
                hint = "give the printer an entry with its address besides; it wins over the range"
                yield wrong_key(entry, path, "name", "a name for a whole range", "a name with address only", hint)
            count = yield from _range(path, entry)
            total += count
            if total > MOST_TARGETS:
                yield wrong_at(entry, path, f"{total:,} addresses up to here", f"at most {MOST_TARGETS:,} in all")
                return


def _range(path: str, entry: Node) -> Generator[Problem, None, int]:  # returns the number of addresses
    network = value_of(entry.get("range"), read_network)
    if network is None:
        return 0
    outside = entry.get("except")
    excluded = []
    for at, node in each_of(outside):
        other = value_of(node, read_network)
        if other is None:
            continue
        excluded.append(other)
        if other.version != network.version or not other.overlaps(network):
            yield wrong_at(node, f"{path}.except[{at}]", str(other), f"addresses inside {network}")
    count = sum(1 for _ in addresses(network, tuple(excluded)))
    if not count:
        yield wrong_at(entry, f"{path}.range", f"{network}, and nothing of it is left", "one address or more")
    return count


def _places(root: Node) -> Iterator[Problem]:
    """No address twice, no name twice."""
    spots: dict[tuple[object, ...], int] = {}
    names: dict[str, int] = {}
    for path, entry in entries_of(root, "printers"):
        node = entry.get("address")
        spot = value_of(node, read_endpoint)
        if node is not None and spot is not None:
            device = word_of(entry.get("device"))
            known = (spot.host, spot.port or SNMP_PORT, device)
            if known in spots:
                hint = "where one address has several printers, give each its device"
                yield wrong_at(
                    node, f"{path}.address", f"{spot} again", f"it once (first on line {spots[known]})", hint
                )
            spots.setdefault(known, node.line)
        name = word_of(entry.get("name"))
        if name is not None:
            node = entry.value["name"]
            if name in names:
                yield wrong_at(
                    node, f"{path}.name", "the same name again", f"a name of its own (first: line {names[name]})"
                )
            names.setdefault(name, node.line)


# --- references by name ----------------------------------------------------------------------------------------------


def _references(root: Node) -> Iterator[Problem]:
    sites = set(root.value["sites"].keys) if "sites" in root.value else set()
    credentials = {"public"} | (set(root.value["credentials"].keys) if "credentials" in root.value else set())
    for path, entry in entries_of(root, "printers"):
        site, used = word_of(entry.get("site")), word_of(entry.get("credentials"))
        if site is not None and site not in sites:
            yield unknown(entry.value["site"], f"{path}.site", site, sites, "sites")
        if used is not None and used not in credentials:
            key = f"{path}.credentials"
            yield unknown(entry.value["credentials"], key, used, credentials, "credentials", secretive=True)
    channels = {word for _, entry in entries_of(root, "channels") if (word := word_of(entry.get("name")))}
    for path, entry in entries_of(root, "alarms"):
        for key in ("tell", "escalate_to"):
            for at, node, word in words_of(entry.get(key)):
                if word not in channels:
                    yield unknown(node, f"{path}.{key}[{at}]", word, channels, "channels")
        yield from _sites(path, entry, sites)
    for path, entry in entries_of(root, "channels"):
        yield from _sites(path, entry, sites)


def _sites(path: str, entry: Node, sites: set[str]) -> Iterator[Problem]:
    for at, node, word in words_of(entry.get("sites")):
        if not any(word == site or fnmatchcase(site, word) for site in sites):
            yield unknown(node, f"{path}.sites[{at}]", word, sites, "sites")


# --- alarms and channels ---------------------------------------------------------------------------------------------


def _alarms(root: Node) -> Iterator[Problem]:
    yield from named_once(root, "alarms")
    for path, entry in entries_of(root, "alarms"):
        when = word_of(entry.get("when"))
        if when not in _ALL:
            continue
        for key, kinds in _MEANT_FOR.items():
            if key in entry.keys and when not in kinds:
                hint = "on_delay says how long it must last" if key == "for" else ""
                yield wrong_key(
                    entry, path, key, f"this key in a rule for {when}", f"it with {', '.join(kinds)} only", hint
                )
        for key, other in (("escalate_after", "escalate_to"), ("escalate_to", "escalate_after")):
            if key in entry.keys and other not in entry.keys:
                yield wrong_key(entry, path, key, f"no {other}", f"the key {other}: after which time, and to whom")
        if when == "supplyBelow" and "below" not in entry.keys:
            yield wrong_at(entry, f"{path}.below", "nothing", "the key below: the share at which to raise it, like 15%")
        yield from _chosen(path, entry, "kinds", _kinds(when))
        yield from _chosen(path, entry, "codes", (*ALERT_CODE.values(), *ERROR_BITS))


def _kinds(when: str) -> tuple[str, ...]:
    if when in _SUPPLY_RULES or when == "runOut":
        return tuple(SUPPLY_TYPE.values())
    return {"counterOddity": ODDITIES, "agentUnwell": UNWELL}.get(when, ())


def _chosen(path: str, entry: Node, key: str, known: Iterable[str]) -> Iterator[Problem]:
    words = tuple(known)
    for at, node, word in words_of(entry.get(key)) if words else ():
        if word not in words and not re.fullmatch(r"unlisted\([0-9]{1,10}\)", word):
            yield unknown(node, f"{path}.{key}[{at}]", word, words, key)


def _channels(root: Node) -> Iterator[Problem]:
    yield from named_once(root, "channels")
    for path, entry in entries_of(root, "channels"):
        if word_of(entry.get("kind")) != "mail":
            continue
        if "user" in entry.keys and "password" not in entry.keys:
            yield wrong_key(entry, path, "user", "no password", "the key password: {env: NAME} or {file: PATH}")
        if "password" in entry.keys and "user" not in entry.keys:
            yield wrong_key(entry, path, "password", "no user", "the key user")

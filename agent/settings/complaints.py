"""One complaint of pydantic's -> where it is in the file, and what is wrong, in words for a person."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from agent.settings.channels import Alertmanager, ApprisePost, Mail, Webhook
from agent.settings.document import Node
from agent.settings.shape import Settings
from agent.settings.tree import Problem
from agent.settings.units import did_you_mean

_CHANNELS: Mapping[str, type[BaseModel]] = {
    "mail": Mail,
    "webhook": Webhook,
    "alertmanager": Alertmanager,
    "apprise": ApprisePost,
}
_SECRETIVE = frozenset(("credentials", "channels", "store", "metrics"))
_OPEN_KEYS = frozenset(("version", "kind", "port", "security", "host", "from", "to", "name"))
"""Below the secretive sections only these keys may have their value repeated in an error."""

_EXPECTED = {
    "string_type": "text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "tuple_type": "a list",
    "dict_type": "a mapping (lines of key: value)",
    "mapping_type": "a mapping (lines of key: value)",
    "model_type": "a mapping (lines of key: value)",
    "model_attributes_type": "a mapping (lines of key: value)",
}
_YES_AND_NO = frozenset(("yes", "no", "on", "off", "y", "n", "True ", "1", "0"))


def problem(root: Node, detail: ErrorDetails) -> Problem:
    """``detail`` with its place in the tree."""
    kind, context = detail["type"], detail.get("ctx", {})
    loc = tuple(part for part in detail["loc"] if part != "[key]")
    if loc[:1] == ("channels",) and len(loc) > 2 and not kind.startswith("union_tag"):
        loc = loc[:2] + loc[3:]  # the third names the member of the union, which the file does not have
    node, path, rest = _follow(root, loc)
    line, column = node.line, node.column
    if kind == "missing":
        missing = str(loc[-1])
        return Problem(line, column, _join(path, missing), "nothing", _documented(root, loc))
    if kind == "extra_forbidden" and path:
        line, column = _key_place(root, loc)
        known = _known(root, loc[:-1])
        hint = did_you_mean(str(loc[-1]), known) or _merge_hint(str(loc[-1]))
        return Problem(line, column, _text(path), "an unknown key", f"one of {', '.join(known)}", hint)
    if kind.startswith("union_tag"):
        tag = node.get("kind") or node
        given = tag.value if isinstance(tag.value, str) and tag is not node else ""
        found = describe(tag.value, shown=bool(given)) if tag is not node else "nothing"
        key = _join(path, "kind")
        return Problem(
            tag.line, tag.column, key, found, f"one of {', '.join(_CHANNELS)}", did_you_mean(given, _CHANNELS)
        )
    key_text = _text((*path, *rest) if kind not in ("settings", "secret") else path)
    expected, hint = _expected(kind, context, node.value, detail["msg"])
    if detail["loc"][-1:] == ("[key]",):
        line, column = _key_place(root, loc)
        return Problem(line, column, key_text, "this name", expected, hint)
    shown = _may_be_shown(path) and kind != "secret"
    return Problem(line, column, key_text, describe(node.value, shown=shown), expected, hint)


def _follow(root: Node, loc: Sequence[int | str]) -> tuple[Node, tuple[int | str, ...], tuple[int | str, ...]]:
    """The node that ``loc`` leads to, as far as the file goes, the way there, and the rest of ``loc``."""
    node = root
    for at, part in enumerate(loc):
        known = part in node.value if isinstance(node.value, dict) else False
        if isinstance(node.value, list):
            known = isinstance(part, int) and part < len(node.value)
        if not known:
            return node, tuple(loc[:at]), tuple(loc[at:])
        node = node.value[part]
    return node, tuple(loc), ()


def _key_place(root: Node, loc: Sequence[int | str]) -> tuple[int, int]:
    parent, _, _ = _follow(root, loc[:-1])
    return parent.keys.get(str(loc[-1]), (parent.line, parent.column))


def _text(path: Sequence[int | str]) -> str:
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _join(path: Sequence[int | str], key: str) -> str:
    return _text((*path, key))


def _model(root: Node, loc: Sequence[int | str]) -> type[BaseModel] | None:
    """The model that describes the mapping at ``loc``."""
    if loc[:1] == ("channels",) and len(loc) > 1:
        kind = (_follow(root, loc[:2])[0]).get("kind")
        channel = _CHANNELS.get(str(kind.value)) if kind else None
        return channel and _inside(channel, loc[2:])
    return _inside(Settings, loc)


def _inside(shape: Any, loc: Sequence[int | str]) -> type[BaseModel] | None:
    """The model that the way ``loc`` leads to from ``shape``, a model or what pydantic was told that a field holds."""
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        if not loc:
            return shape
        fields = ((info.alias or name, info.annotation) for name, info in shape.model_fields.items())
        return next((_inside(holds, loc[1:]) for name, holds in fields if name == loc[0]), None)
    held = get_args(shape)
    if get_origin(shape) in (tuple, list):
        return _inside(held[0], loc[1:]) if loc else None
    if isinstance(get_origin(shape), type) and issubclass(get_origin(shape), Mapping):
        return _inside(held[1], loc[1:]) if loc else None
    return next((found for one in held if (found := _inside(one, loc)) is not None), None)


def _known(root: Node, loc: Sequence[int | str]) -> list[str]:
    model = _model(root, loc)
    return [info.alias or name for name, info in model.model_fields.items()] if model else []


def _documented(root: Node, loc: Sequence[int | str]) -> str:
    """``the key NAME``, with what it is for."""
    last = str(loc[-1])
    model = _model(root, loc[:-1])
    for name, info in model.model_fields.items() if model else ():
        if last == (info.alias or name) and info.description:
            return f"the key {last} ({info.description.rstrip('.')})"
    return f"the key {last}"


def _merge_hint(key: str) -> str:
    return "merge keys are not known here; repeat the values" if key == "<<" else ""


def _expected(kind: str, context: Mapping[str, Any], value: object, message: str) -> tuple[str, str]:
    if kind in ("settings", "secret"):
        return str(context["expected"]), str(context["hint"])
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", str(context["expected"]))
        given = value if isinstance(value, str) else getattr(value, "written", "")
        return f"one of {', '.join(words)}", did_you_mean(given, words)
    if kind in ("greater_than_equal", "less_than_equal"):
        limit = "at least" if kind.startswith("greater") else "at most"
        return f"a number that is {limit} {context['ge' if kind.startswith('greater') else 'le']}", ""
    if kind in ("too_short", "too_long"):
        limit = "at least" if kind == "too_short" else "at most"
        return f"{limit} {context['min_length' if kind == 'too_short' else 'max_length']} entries", ""
    return _EXPECTED.get(kind, message.lower()), _type_hint(kind, value)


def _type_hint(kind: str, value: object) -> str:
    if kind == "bool_type" and isinstance(value, str) and value.lower() in _YES_AND_NO:
        return "YAML 1.2 has true and false only"
    if kind == "tuple_type" and not isinstance(value, dict | list | None):
        return "one entry is a list too: put [ ] around it"
    if kind == "int_type" and isinstance(value, str) and value.strip().isdigit():
        return "take the quotes away"
    if kind == "string_type" and isinstance(value, bool):
        return "put it in quotes if this word is meant"
    return ""


def _may_be_shown(path: Sequence[int | str]) -> bool:
    """Whether a value at this place may be repeated: never where secrets stand or are put by mistake."""
    if tuple(path[:2]) == ("listen", "tls"):
        return path[-1] == "certificate"
    return not path or path[0] not in _SECRETIVE or path[-1] in _OPEN_KEYS


def describe(value: object, *, shown: bool) -> str:
    """What was found, in words; its text itself only where ``shown`` and where it cannot be a URL with keys in it."""
    if isinstance(value, dict | list):
        kind = "mapping" if isinstance(value, dict) else "list"
        return f"a {kind}" if value else f"an empty {kind}"
    if value is None or isinstance(value, bool):
        return "nothing" if value is None else str(value).lower()
    if not shown or "@" in str(value) or "://" in str(value):
        return "text (not shown)" if isinstance(value, str) else "a number (not shown)"
    text = str(getattr(value, "written", value))
    if not isinstance(value, str):
        return text
    return json.dumps(text if len(text) <= 60 else f"{text[:57]}...", ensure_ascii=not text.isprintable())

"""The table of the lifecycle as a picture (a Mermaid state diagram) and as rows. Pure, made from ``TABLE`` alone."""

from __future__ import annotations

from collections.abc import Iterator

from agent.alarms.lifecycle import TABLE, Event, words
from agent.model.alarm import AlarmState

_STANDING = "while it holds"


def _arcs() -> Iterator[tuple[AlarmState, AlarmState, str]]:
    """From, to, label: each arc that leads to another state."""
    for (state, event), arc in TABLE.items():
        if arc is None or event is Event.VANISH:
            continue
        if arc.to is not state:
            yield state, arc.to, event.value if arc.standing is None else f"{event.value}, it is over"
        if arc.standing is not None and arc.standing is not state:
            yield state, arc.standing, f"{event.value}, {_STANDING}"


def mermaid() -> str:
    """The picture. Arcs between the same two states are drawn as one; the end of the subject is left out."""
    lines = ["stateDiagram-v2", "    [*] --> normal"]
    lines += [f"    {state.value}: {words(state)}" for state in AlarmState]
    labels: dict[tuple[AlarmState, AlarmState], list[str]] = {}
    for before, after, label in _arcs():
        labels.setdefault((before, after), []).append(label)
    lines += [f"    {before.value} --> {after.value}: {' / '.join(some)}" for (before, after), some in labels.items()]
    return "\n".join(lines) + "\n"


def rows() -> str:
    """The whole table in Markdown: a row for each state, a column for each event; empty where it cannot happen."""
    head = ["state", *(event.value for event in Event)]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for state in AlarmState:
        cells = [words(state)]
        for event in Event:
            arc = TABLE[state, event]
            if arc is None:
                cells.append("")
            elif arc.standing is None:
                cells.append(words(arc.to))
            else:
                cells.append(f"{words(arc.to)}; {_STANDING}: {words(arc.standing)}")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"

"""What a survey learns about one address in a few cheap questions."""

from __future__ import annotations

from dataclasses import dataclass

from agent.model.wire import WireError


@dataclass(frozen=True, slots=True)
class Probe:
    """The answer of one address to a survey.

    ``answered`` is True when SNMP came back, were it only a refusal of the credentials. ``descr``, ``object_id`` and
    ``name`` are sysDescr, sysObjectID and sysName as sent (decoded leniently), empty where not given. ``devices`` holds
    the hrDeviceIndex of each printer behind the address; empty means that no printer was found there. ``error`` says
    why nothing, or not everything, could be asked.
    """

    address: str
    answered: bool
    descr: str = ""
    object_id: str = ""
    name: str = ""
    devices: tuple[int, ...] = ()
    error: WireError | None = None

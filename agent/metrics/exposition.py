"""The page itself: Prometheus text (0.0.4) or OpenMetrics (1.0.0), as the caller's Accept header wishes."""

from __future__ import annotations

from collections.abc import Callable

from prometheus_client import exposition
from prometheus_client.openmetrics import exposition as openmetrics
from prometheus_client.registry import Collector

from agent.metrics.collector import StateCollector
from agent.model.health import Snapshot

TEXT = "text/plain; version=0.0.4; charset=utf-8"
OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def wants_openmetrics(accept: str | None) -> bool:
    """Whether OpenMetrics is liked better than plain text (RFC 9110 section 12.5.1); when in doubt, text."""
    likings: dict[str, float] = {}
    for part in (accept or "")[:4096].split(","):
        kind, *parameters = (piece.strip() for piece in part.split(";"))
        liking = 1.0
        for parameter in parameters:
            name, _, value = parameter.partition("=")
            if name.strip().lower() == "q":
                try:
                    liking = float(value)
                except ValueError:
                    liking = 0.0
        likings[kind.lower()] = max(liking, likings.get(kind.lower(), 0.0))
    wanted = likings.get("application/openmetrics-text", 0.0)
    text = max(likings.get("text/plain", 0.0), likings.get("text/*", 0.0))
    return 0 < wanted <= 1 and wanted >= text


class _Alone:
    """Stands where the library wants a registry: ours has one collector and never another."""

    def __init__(self, collector: Collector) -> None:
        self.collect = collector.collect


class Metrics:
    """The metrics page over ``state``, which hands out the latest snapshot."""

    def __init__(self, state: Callable[[], Snapshot]) -> None:
        self.collector = StateCollector(state)
        self._registry = _Alone(self.collector)

    def render(self, accept: str | None = None) -> tuple[bytes, str]:
        """The page and its content type."""
        if wants_openmetrics(accept):
            return openmetrics.generate_latest(self._registry), OPENMETRICS  # type: ignore[no-untyped-call]
        return exposition.generate_latest(self._registry), TEXT

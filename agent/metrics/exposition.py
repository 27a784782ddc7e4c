"""The page itself: Prometheus text (0.0.4) or OpenMetrics (1.0.0), as the caller's Accept header wishes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from prometheus_client import exposition
from prometheus_client.metrics_core import Metric as MetricFamily
from prometheus_client.openmetrics import exposition as openmetrics

from agent.metrics.catalogue import PRINTERS
from agent.metrics.collector import empty, of_agent
from agent.metrics.lines import PrinterLines, Rest, rest_briefly
from agent.metrics.squeezing import Stream
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


class _Families:
    """Stands where the library wants a registry."""

    def __init__(self, families: Iterable[MetricFamily]) -> None:
        self._families = families

    def collect(self) -> Iterable[MetricFamily]:
        return self._families


_END = b"# EOF\n"


def _written(families: Iterable[MetricFamily], kind: str) -> bytes:
    """Families as the library writes them."""
    registry = _Families(families)
    if kind == OPENMETRICS:
        page: bytes = openmetrics.generate_latest(registry)  # type: ignore[no-untyped-call]
        return page
    return exposition.generate_latest(registry)


def _heads(kind: str) -> dict[str, bytes]:
    """What stands before the series of each family of the printers, by name."""
    return {metric.name: _written([empty(metric)], kind).removesuffix(_END) for metric in PRINTERS}


NOBODY_ASKS = 5
"""Preparations without a scrape after which nothing is prepared or kept until the next one."""


class Page(Iterator[bytes]):
    """A page in chunks as they are made; or squeezed, which is quicker and less. One of the two, and once."""

    def __init__(self, plain: Iterator[bytes], squeezed: Iterator[bytes]) -> None:
        self._plain, self._squeezed = plain, squeezed

    def __next__(self) -> bytes:
        return next(self._plain)

    def squeezed(self) -> Iterator[bytes]:
        """The page as one gzip stream. What making it raises is raised on; the stream has no end then."""
        return self._squeezed


class Metrics:
    """The metrics page over ``state``, which hands out the latest snapshot. Safe to be asked by several threads.

    ``rest`` is called again and again while a page is made (see ``agent.metrics.lines``).
    """

    def __init__(self, state: Callable[[], Snapshot], rest: Rest = rest_briefly) -> None:
        self._state = state
        self._unasked = 0
        self._lines = PrinterLines(rest)
        self._heads = {kind: _heads(kind) for kind in (TEXT, OPENMETRICS)}

    def stream(self, accept: str | None = None) -> tuple[Page, str]:
        """The page in chunks, and its content type. The page is of the moment of the call."""
        self._unasked = 0
        kind = OPENMETRICS if wants_openmetrics(accept) else TEXT
        snapshot = self._state()
        return Page(self._page(snapshot, kind), self._squeezed(snapshot, kind)), kind

    def render(self, accept: str | None = None) -> tuple[bytes, str]:
        """The whole page, and its content type."""
        chunks, kind = self.stream(accept)
        return b"".join(chunks), kind

    def prepare(self) -> None:
        """Write what has changed ahead of the next scrape, which is quicker then.

        To be called after each sweep, in a thread of its own: a large fleet takes a second.
        """
        self._unasked += 1
        if self._unasked <= NOBODY_ASKS:
            self._lines.refresh(self._state().views)
        else:
            self._lines.forget()

    def keep_up(self) -> None:
        """Write what a sweep under way has changed so far, if scrapes come; a thread of its own, as for ``prepare``."""
        if self._unasked < NOBODY_ASKS:
            self._lines.refresh(self._state().views)

    def _page(self, snapshot: Snapshot, kind: str) -> Iterator[bytes]:
        yield from self._lines.write(snapshot.views, self._heads[kind])
        yield _written(of_agent(snapshot), kind)

    def _squeezed(self, snapshot: Snapshot, kind: str) -> Iterator[bytes]:
        stream = Stream()
        yield from self._lines.squeeze(snapshot.views, self._heads[kind], stream)
        stream.add(_written(of_agent(snapshot), kind))
        yield stream.end()

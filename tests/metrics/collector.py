"""An OpenTelemetry collector on loopback: keeps what came by OTLP, decoded with the protocol's types."""

from __future__ import annotations

import gzip
import threading
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Self

from opentelemetry.proto.collector.metrics.v1.metrics_service_pb2 import (
    ExportMetricsServiceRequest,
    ExportMetricsServiceResponse,
)


@dataclass
class Received:
    """One request. ``headers`` by lower-case name."""

    path: str
    headers: dict[str, str]
    request: ExportMetricsServiceRequest = field(repr=False)


class _Handler(BaseHTTPRequestHandler):
    server: Collector

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        request = ExportMetricsServiceRequest.FromString(body)
        self.server.received.append(
            Received(self.path, {name.lower(): text for name, text in self.headers.items()}, request)
        )
        answer = ExportMetricsServiceResponse().SerializeToString()
        self.send_response(self.server.status)
        self.send_header("Content-Type", "application/x-protobuf")
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, *_: object) -> None:
        """Nothing is said."""


class Collector(ThreadingHTTPServer):
    """Use as a context manager; ``url`` is where to send to. ``status``: what it answers with."""

    daemon_threads = True

    def __init__(self, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.received: list[Received] = []
        self.status = 200
        self._thread = threading.Thread(target=self.serve_forever, args=(0.05,))

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/v1/metrics"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self.shutdown()
        self._thread.join()
        self.server_close()


def points(received: list[Received]) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """Every number by name and attributes; classes of a histogram as Prometheus writes them (``le``, cumulative)."""
    found: dict[tuple[str, frozenset[tuple[str, str]]], float] = {}
    for one in received:
        for resource in one.request.resource_metrics:
            for scope in resource.scope_metrics:
                for metric in scope.metrics:
                    data = getattr(metric, metric.WhichOneof("data"))
                    for point in data.data_points:
                        labels = frozenset((pair.key, pair.value.string_value) for pair in point.attributes)
                        if metric.HasField("histogram"):
                            below = 0
                            bounds = [*map(str, point.explicit_bounds), "+Inf"]
                            for bound, count in zip(bounds, point.bucket_counts, strict=True):
                                below += count
                                found[f"{metric.name}_bucket", frozenset({("le", bound)})] = below
                            found[f"{metric.name}_sum", labels] = point.sum
                            found[f"{metric.name}_count", labels] = point.count
                        else:
                            key = metric.name, labels
                            assert key not in found, "each point once"
                            found[key] = point.as_double
    return found

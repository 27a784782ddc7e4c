"""Metrics in the formats that Prometheus reads, made from memory alone.

metrics = Metrics(state)
chunks, content_type = metrics.stream(accept_header)  # or chunks.squeezed(): one gzip stream
page, content_type = metrics.render(accept_header)
metrics.prepare()  # after each sweep, in a thread of its own: the next page is quicker then
"""

from agent.metrics.catalogue import Metric, catalogue
from agent.metrics.collector import StateCollector
from agent.metrics.exposition import OPENMETRICS, TEXT, Metrics
from agent.metrics.otlp import Exporter, ExportFailed

__all__ = [
    "OPENMETRICS",
    "TEXT",
    "ExportFailed",
    "Exporter",
    "Metric",
    "Metrics",
    "StateCollector",
    "catalogue",
    "otlp_available",
]

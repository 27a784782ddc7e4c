"""Metrics in the formats that Prometheus reads, made from memory alone.

page, content_type = Metrics(state).render(accept_header)
"""

from agent.metrics.catalogue import Metric, catalogue
from agent.metrics.collector import StateCollector
from agent.metrics.exposition import OPENMETRICS, TEXT, Metrics

__all__ = ["OPENMETRICS", "TEXT", "Metric", "Metrics", "StateCollector", "catalogue"]

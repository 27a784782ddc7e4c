"""What the agent serves over HTTP: metrics and its health.

with Server(build_app(metrics.stream, health), "127.0.0.1", 9633):
    ...
"""

from agent.web.pages import MetricsPage, build_app
from agent.web.server import CannotListen, Server

__all__ = ["CannotListen", "MetricsPage", "Server", "build_app"]

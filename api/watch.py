"""What happens around every request: headers, size, counts, a line in the journal.

One plain ASGI layer: it is on the way of the hot routes.
"""

import logging
import time
from collections.abc import Awaitable, Callable, Iterator, MutableMapping
from dataclasses import dataclass, field
from typing import Any

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
)
from prometheus_client.metrics_core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector
from starlette.exceptions import HTTPException

from api.journal import say

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

_SAFE = {"GET", "HEAD", "OPTIONS"}
_REFUSED = 400
_SLOW_S = 1.0  # a read that takes longer is written down; own choice
_BUCKETS_S = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10)
_POLICY = b"default-src 'none'; frame-ancestors 'none'; base-uri 'none'"
_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(self)"),
)
_ONLY_HTTPS = (b"strict-transport-security", b"max-age=31536000")


@dataclass(slots=True, kw_only=True)
class Counts:
    """What one process has counted since it started.

    Parameters
    ----------
    more : callable, optional
        Gauges that are asked for when somebody looks: name, help, label's name, and
        values by label.
    """

    more: Callable[[], Iterator[tuple[str, str, str, dict[str, float]]]] = lambda: iter(
        ()
    )
    registry: CollectorRegistry = field(default_factory=CollectorRegistry)
    requests: Counter = field(init=False)
    seconds: Histogram = field(init=False)
    open: Gauge = field(init=False)

    def __post_init__(self) -> None:
        ProcessCollector(registry=self.registry)
        self.requests = Counter(
            "keyround_requests",
            "Requests that were answered.",
            ["method", "route", "status"],
            registry=self.registry,
        )
        self.seconds = Histogram(
            "keyround_request_seconds",
            "How long answers took, streams included.",
            ["route"],
            registry=self.registry,
            buckets=_BUCKETS_S,
        )
        self.open = Gauge(
            "keyround_requests_open",
            "Requests that are being answered, streams included.",
            registry=self.registry,
        )
        self.registry.register(_Asked(self.more))

    def text(self) -> bytes:
        """Return all counts.

        Returns
        -------
        bytes
            In the open exposition format, version 1.0.0.
        """
        text: bytes = generate_latest(self.registry)  # type: ignore[no-untyped-call]
        return text


class _Asked(Collector):
    """Gauges that are worked out when somebody looks."""

    def __init__(
        self, ask: Callable[[], Iterator[tuple[str, str, str, dict[str, float]]]]
    ) -> None:
        self._ask = ask

    def describe(self) -> list[Metric]:
        """Return nothing: to register is not to look."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Yield what is so at this moment."""
        for name, words, label, values in self._ask():
            family = GaugeMetricFamily(name, words, labels=[label])
            for key, value in values.items():
                family.add_metric([key], value)
            yield family


class Watch:
    """Wraps an application.

    Parameters
    ----------
    app : callable
        ASGI.
    counts : Counts
        That it counts in.
    defect : callable
        Returns the answer, itself ASGI, to an error that nobody expected.
    secure : bool
        Whether browsers reach it by https only.
    most_bytes : callable
        Of a path: how long a body may be.
    """

    def __init__(
        self,
        app: App,
        *,
        counts: Counts,
        defect: Callable[[Exception], App],
        secure: bool,
        most_bytes: Callable[[str], int],
    ) -> None:
        self._app = app
        self._defect = defect
        self._counts = counts
        self._secure = secure
        self._most_bytes = most_bytes

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request.

        Parameters
        ----------
        scope, receive, send
            As ASGI has them.
        """
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        begun_s = time.perf_counter()
        status = 0

        async def send_more(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = list(message.get("headers", ()))
                headers += _HEADERS
                if not any(name == b"content-security-policy" for name, _ in headers):
                    headers.append((b"content-security-policy", _POLICY))
                if self._secure or scope.get("scheme") == "https":
                    headers.append(_ONLY_HTTPS)
                message["headers"] = headers
            await send(message)

        left = self._most_bytes(scope["path"])

        async def receive_less() -> Message:
            nonlocal left
            message = await receive()
            left -= len(message.get("body", b""))
            if left < 0:
                raise HTTPException(413, "send less at once")
            return message

        self._counts.open.inc()
        try:
            await self._app(scope, receive_less, send_more)
        except Exception as error:
            if status:  # half of an answer is out: whoever asked must notice
                raise
            await self._defect(error)(scope, receive, send_more)
        finally:
            self._counts.open.dec()
            self._note(scope, status, time.perf_counter() - begun_s)

    def _note(self, scope: Message, status: int, took_s: float) -> None:
        """Count a request; write those down that changed, failed or took long."""
        # The route's pattern, never the path: ids and secrets are in paths.
        route = getattr(scope.get("route"), "path", "none")
        method = scope["method"] if route != "none" else "any"
        self._counts.requests.labels(method, route, status).inc()
        self._counts.seconds.labels(route).observe(took_s)
        plain = scope["method"] in _SAFE and status < _REFUSED
        level = logging.DEBUG if plain and took_s < _SLOW_S else logging.INFO
        say(
            "request",
            level,
            method=method,
            route=route,
            status=status,
            ms=round(1000 * took_s, 1),
            key=scope.get("state", {}).get("key_id"),
        )

"""A stand-in for an address server, on a real socket.

It speaks as much of the open interface as is asked of it: ``/search?q=...``, answered
with a list of places in JSON. What it was asked is kept word by word.
"""

import json
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

LICENCE = "Data from an invented list"


def a_place(lat: float, lon: float, name: str, **more: Any) -> dict[str, Any]:
    """Return a place as such a server writes it; ``number`` makes it a house."""
    number = more.pop("number", None)
    return {
        "lat": str(lat),
        "lon": str(lon),
        "display_name": name,
        "place_rank": 30 if number else 26,
        "address": {"house_number": number} if number else {"road": name},
        "licence": LICENCE,
        **more,
    }


@dataclass(slots=True, kw_only=True)
class Stub:
    """What the server knows, and what it was asked."""

    url: str = ""
    known: Mapping[str, Sequence[dict[str, Any]]] = field(default_factory=dict)
    status: int = 200
    body: bytes | None = None  # sent instead of an answer
    silent: bool = False  # no answer until the end
    asked: list[str] = field(default_factory=list)  # addresses
    requests: list[str] = field(default_factory=list)  # all that came: path and head
    done: threading.Event = field(default_factory=threading.Event)


@contextmanager
def nominatim(
    known: Mapping[str, Sequence[dict[str, Any]]], **more: Any
) -> Iterator[Stub]:
    """Run the stand-in for as long as it is needed."""
    stub = Stub(known=known, **more)

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked = parse_qs(urlsplit(self.path).query)["q"][0]
            stub.asked.append(asked)
            stub.requests.append(f"{self.path}\n{self.headers}")
            if stub.silent:
                stub.done.wait(10)
                return
            body = stub.body or json.dumps(stub.known.get(asked, [])).encode()
            self.send_response(stub.status)
            self.send_header("Content-Type", "application/json; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True)
    thread.start()
    stub.url = f"http://127.0.0.1:{server.server_port}"
    try:
        yield stub
    finally:
        stub.done.set()
        server.shutdown()
        server.server_close()
        thread.join()

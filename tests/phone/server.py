"""An HTTPS server in a namespace, with a certificate that it made itself."""

from __future__ import annotations

import contextlib
import http.server
import socket
import socketserver
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

from lab import Namespace, scratch


class Serving:
    """A running server. `asked` are the request lines so far, each with what its Referer header said."""

    def __init__(self) -> None:
        self.asked: list[str] = []


def _certificate(folder: Path) -> Path:
    """A key and a certificate for it in one file."""
    file = folder / "server.pem"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    words += [
        "-subj",
        "/CN=door.example.org",
        "-days",
        "2",
        "-keyout",
        str(file),
        "-out",
        str(folder / "crt"),
    ]
    subprocess.run(words, check=True, capture_output=True, timeout=20)
    file.write_text(file.read_text() + (folder / "crt").read_text())
    return file


class _Server(socketserver.ThreadingMixIn, http.server.HTTPServer):
    daemon_threads = True
    address_family = socket.AF_INET6

    def __init__(
        self, port: int, context: ssl.SSLContext, handler: type[http.server.SimpleHTTPRequestHandler]
    ):
        super().__init__(("::", port), handler)
        self._context = context

    def server_bind(self) -> None:
        self.socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        socketserver.TCPServer.server_bind(self)

    def finish_request(self, request: socket.socket, client_address: object) -> None:  # type: ignore[override]
        # In the request's own thread: a client that dials and says nothing holds up nobody else.
        with contextlib.suppress(OSError):
            request.settimeout(5)
            wrapped = self._context.wrap_socket(request, server_side=True)
            super().finish_request(wrapped, client_address)


@contextlib.contextmanager
def serve(ns: Namespace, folder: Path, port: int = 443) -> Iterator[Serving]:
    """Serve the files of the folder at all addresses of the namespace."""
    serving = Serving()

    class Handler(http.server.SimpleHTTPRequestHandler):
        def __init__(self, *words: object) -> None:
            super().__init__(*words, directory=str(folder))  # type: ignore[arg-type]

        def log_message(self, format: str, *args: object) -> None:
            serving.asked.append(f"{self.requestline} {self.headers.get('Referer', '')}".rstrip())

    with scratch() as own:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(_certificate(own))
        with ns.enter():
            server = _Server(port, context, Handler)
        thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        try:
            yield serving
        finally:
            server.shutdown()
            server.server_close()
            thread.join(5)

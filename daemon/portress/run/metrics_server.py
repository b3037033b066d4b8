"""Serves the metrics where the configuration says, and goes on trying where that cannot be had."""

from __future__ import annotations

from collections.abc import Callable

from portress.errors import Mistake
from portress.run.http import Answer, HttpServer

Where = tuple[str, int] | None  # an address and a port; None: metrics are not wanted


class MetricsServer:
    """The metrics of one daemon, served or not. `make` makes what answers a scrape, once that is wanted."""

    def __init__(self, make: Callable[[], Answer]) -> None:
        self._make = make
        self._answer: Answer | None = None
        self._server: HttpServer | None = None
        self._wanted: Where = None  # what could not be had, and is still wanted

    def publish(self, where: Where) -> None:
        """Serve them there and nowhere else. Raises Mistake, and then serves none."""
        self.close()
        if where is None:
            return
        if self._answer is None:
            self._answer = self._make()
        self._server = HttpServer(*where, self._answer)

    def publish_if_possible(self, where: Where) -> str:
        """As `publish`; what cannot be had is wanted until it can. Returns what is in the way, or nothing."""
        try:
            self.publish(where)
        except Mistake as mistake:
            self._wanted = where
            return str(mistake)
        return ""

    def try_again(self) -> None:
        """Serve what could not be had, if it can be had now."""
        if self._wanted is not None:
            self.publish_if_possible(self._wanted)

    def close(self) -> None:
        """Serve nothing."""
        self._wanted = None
        if self._server is not None:
            self._server.close()
            self._server = None

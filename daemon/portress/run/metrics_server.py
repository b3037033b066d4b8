"""Serves the metrics where the configuration says, and goes on trying where that cannot be had."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from portress.errors import Mistake

if TYPE_CHECKING:
    from portress.run.daemon import Service
    from portress.run.metrics import Metrics

Where = tuple[str, int] | None  # an address and a port; None: metrics are not wanted


class Publisher:
    """The metrics of one daemon, served or not."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._metrics: Metrics | None = None
        self._serving = contextlib.ExitStack()
        self._wanted: Where = None  # what could not be had, and is still wanted

    def publish(self, where: Where) -> None:
        """Serve them there and nowhere else. Raises Mistake, and then serves none."""
        self.close()
        if where is None:
            return
        if self._metrics is None:
            from portress.run.metrics import Metrics  # with the Prometheus client: only where it is wanted

            self._metrics = Metrics(self._service)
        self._serving.callback(self._metrics.serve(*where))

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
        self._serving.close()

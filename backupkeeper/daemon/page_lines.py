"""The lines that browsers, or anybody else on this machine, hold open to the live page.

Promises:
1. There are never more than ``MOST_LINES``, so whoever opens thousands takes no handles from the daemon.
2. The newest gets in: in its stead the oldest on which nothing is being answered is cut. Who only holds
   lines keeps nobody from the page, and who looks on already goes on doing so.
"""

import asyncio
from typing import Final

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_LINES: Final = 40


class BoundedLine(H11Protocol):
    """One line: uvicorn's, and counted."""

    _born_s: float = 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # uvicorn narrows it too
        """A line was opened."""
        super().connection_made(transport)
        self._born_s = self.loop.time()
        held = [
            one
            for one in self.connections
            if isinstance(one, BoundedLine) and not one.transport.is_closing()
        ]
        if len(held) <= MOST_LINES:
            return
        idle = [one for one in held if one is not self and one._is_idle()]  # noqa: SLF001 - its own kind
        min(idle, key=lambda one: one._born_s, default=self).transport.abort()  # noqa: SLF001 - as above

    def _is_idle(self) -> bool:
        # uvicorn has it None until the first request is whole.
        cycle: object | None = self.cycle
        return cycle is None or self.cycle.response_complete

"""The machine's source of chance, passed through."""

import uuid


class RealEntropy:
    """``ports.clock.Entropy`` on this machine."""

    def new_id(self) -> str:
        """A random UUID (RFC 9562 version 4) as text."""
        return str(uuid.uuid4())

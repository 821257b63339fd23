"""Ways of telling a person something who does not sit in front of it."""

from typing import Protocol


class Herald(Protocol):
    """One way of telling. A failure is a value: a sentence, for the log; never an exception."""

    @property
    def name(self) -> str:
        """``desktop`` or ``command``."""
        ...

    def tell(self, *, subject: str, body: str, urgent: bool) -> str | None:
        """Tell; None if it was handed over, else a sentence that says why not. Takes seconds at most."""
        ...

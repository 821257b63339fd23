"""What the commands need from the rest of the program, and how they get it.

Promise: the real parts are loaded only when a command does its work, so ``--help`` stays quick.
"""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

from backupkeeper.core.model import Place, PlaceId, Role
from backupkeeper.core.outcomes import (
    GapReport,
    MirrorOutcome,
    OffloadOutcome,
    PlaceReport,
    UploadOutcome,
    Verdict,
    VerifyOutcome,
)
from backupkeeper.ports.progress import Progress


class Keeper(Protocol):
    """Every deed that a command can ask for; ``wiring.Keeper`` is the real one."""

    def add_drive(self, path: str, *, role: Role, name: str, folder: bool) -> Place:
        """Take in a drive or a folder."""
        ...

    def add_bucket(
        self, location: str, *, role: Role, name: str, endpoint: str | None, profile: str | None
    ) -> Place:
        """Take in a bucket."""
        ...

    def places(self) -> tuple[PlaceReport, ...]:
        """Every place with what can be seen of it now."""
        ...

    def place_names(self) -> Mapping[PlaceId, str]:
        """What each place is called."""
        ...

    def distinct_devices(self) -> bool:
        """Whether the policy asks for copies on different physical devices."""
        ...

    def monotonic(self) -> float:
        """Seconds on a clock that never jumps."""
        ...

    def offload(
        self, card: str, *, shoot: str, source: str, roll: str | None, progress: Progress
    ) -> OffloadOutcome:
        """Bring a card's files onto every drive that is here."""
        ...

    def mirror(self, *, progress: Progress) -> MirrorOutcome:
        """Bring what one drive has to the drives that lack it."""
        ...

    def upload(self, *, progress: Progress) -> tuple[UploadOutcome, ...]:
        """Bring every roll into every bucket."""
        ...

    def verify(self, what: str | None, *, progress: Progress) -> VerifyOutcome:
        """Read copies again."""
        ...

    def may_wipe(self, card: str, *, progress: Progress) -> Verdict:
        """The verdict on a card."""
        ...

    def gaps(self) -> GapReport:
        """Where anything falls short."""
        ...

    def export_list(self, roll: str) -> bytes:
        """A roll's checksum list."""
        ...


Opener = Callable[[str | None], AbstractContextManager[Keeper]]
"""Takes the path of a configuration file (or None) and opens the parts behind it."""


def open_real(config: str | None) -> AbstractContextManager[Keeper]:
    """The real parts.

    Raises:
        ConfigError: the configuration can't be used.
        CatalogError: the catalog can't be opened.
    """
    from backupkeeper.wiring import open_keeper_here  # noqa: PLC0415 - --help must stay quick

    return open_keeper_here(config)


@dataclass(frozen=True, kw_only=True, slots=True)
class Desk:
    """What the main command hands to the one below it."""

    config: str | None
    opener: Opener

    def open(self) -> AbstractContextManager[Keeper]:
        """The parts behind the configuration that was named."""
        return self.opener(self.config)

"""What was delivered, held against its own manifests, and what came of taking it in. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from backupkeeper.core.model import RollHead
from backupkeeper.core.outcomes import Trouble


class Flaw(StrEnum):
    """What is not as the delivered manifests say."""

    DIFFERS = "other bytes than its manifest says"
    MISSING = "listed, and not there"
    EXTRA = "there, and not listed"
    UNCHECKED = "listed without a hash that is known here"
    UNREADABLE = "could not be read"
    SPECIAL = "no plain file"
    MANIFEST = "the manifests themselves"


@dataclass(frozen=True, kw_only=True, slots=True)
class Flawed:
    """One of them. ``path`` is relative to what was delivered; ``why`` a sentence, may be empty."""

    path: str
    flaw: Flaw
    why: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DeliveryOutcome:
    """What came of a delivery.

    Attributes:
        delivered: the folder, absolute.
        forms: by what it was checked: ``ASC MHL``, ``BagIt``.
        checked_files: files whose bytes are as the manifests say; ``checked_bytes`` likewise.
        flaws: everything that is not.
        taken: whether it was to be taken in, or only to be checked.
        roll: the sealed roll; None: none was sealed.
        folder: where its files are on the drives, also where it is not sealed yet.
        continued: whether its history is gone on with on the drives.
    """

    delivered: str
    forms: tuple[str, ...]
    checked_files: int
    checked_bytes: int
    flaws: tuple[Flawed, ...]
    taken: bool
    roll: RollHead | None = None
    folder: str | None = None
    continued: bool = False
    files: int = 0
    places: tuple[str, ...] = ()
    proven_at: Mapping[str, int] = field(default_factory=dict)
    not_cold: Mapping[str, str] = field(default_factory=dict)
    renamed: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    gone: bool = False
    """The folder, or every drive, stopped answering."""
    seconds: float = 0.0

    @property
    def all_well(self) -> bool:
        """Whether everything is as its manifests say, and taken in and proven where that was wanted."""
        if self.flaws or self.troubles or self.not_cold or self.gone:
            return False
        if not self.taken:
            return True
        return self.roll is not None and all(
            self.proven_at.get(place, 0) >= self.files for place in self.places
        )

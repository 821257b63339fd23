"""What happened so far while a delivery is taken in, or only checked."""

from dataclasses import dataclass, field

from backupkeeper.actions.delivered import Delivered
from backupkeeper.actions.offload_plan import Plan
from backupkeeper.core.delivering import Flawed
from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Content, PlaceId, RollFile
from backupkeeper.core.outcomes import Trouble


@dataclass(kw_only=True)
class DeliveryRun:
    """What happened so far, by path in what was delivered."""

    delivered: Delivered
    as_it_is: bool
    plan: Plan | None = None
    flaws: list[Flawed] = field(default_factory=list)
    right_files: int = 0
    right_bytes: int = 0
    found: dict[str, RollFile] = field(default_factory=dict)
    standing: dict[PlaceId, set[str]] = field(default_factory=dict)
    proven: dict[PlaceId, set[str]] = field(default_factory=dict)
    not_cold: dict[str, str] = field(default_factory=dict)
    troubles: list[Trouble] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    continued: bool = False
    gone: bool = False

    def tell(self, place: str, path: str, error: BackupkeeperError) -> None:
        """A trouble; one that ends a whole drive comes back for every further file: told once."""
        if not any((one.place, one.message) == (place, str(error)) for one in self.troubles):
            self.troubles.append(Trouble(place=place, path=path, message=str(error)))

    def refuse(self, path: str, content: Content) -> str | None:
        """Why no copy may be made of a file."""
        flaw = self.delivered.flaw_of(path, content)
        return flaw.flaw.value if flaw is not None and not self.as_it_is else None

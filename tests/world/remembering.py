"""A memory of one upload for tests, in memory, with what it was told in order."""

from dataclasses import dataclass, field

from backupkeeper.core.uploads import Begun


@dataclass
class Remembered:
    """``ports.bucket.Remembering``."""

    known: Begun | None = None
    told: list[str] = field(default_factory=list)

    def begun(self) -> Begun | None:
        return self.known

    def remember(self, begun: Begun) -> None:
        self.told.append("begun")
        self.known = begun

    def forget(self, begun: Begun) -> None:
        assert begun == self.known
        self.told.append("forgotten")
        self.known = None

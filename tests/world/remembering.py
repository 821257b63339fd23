"""A memory of one upload for tests, in memory, with what it was told in order."""

from dataclasses import dataclass, field

from backupkeeper.core.uploads import Begun


@dataclass
class Remembered:
    """``ports.bucket.Remembering``."""

    known: Begun | None = None
    told: list[str] = field(default_factory=list)
    said: list[Begun] = field(default_factory=list)
    """What others are said to have begun."""

    def begun(self) -> Begun | None:
        return self.known

    def others(self) -> list[Begun]:
        return self.said

    def remember(self, begun: Begun) -> None:
        self.told.append("begun")
        self.known = begun

    def forget(self, begun: Begun) -> None:
        self.told.append("forgotten")
        if begun.upload in [one.upload for one in self.said]:
            self.said = [one for one in self.said if one.upload != begun.upload]
            return
        assert begun == self.known
        self.known = None

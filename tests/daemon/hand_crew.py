"""A crew that writes down what it is told; the test says what its workers say."""

from dataclasses import dataclass, field

from backupkeeper.daemon.errand import Errand, Moving


@dataclass
class HandCrew:
    """``daemon.crew.Crew`` in the test's hands."""

    started: dict[str, Errand] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    stuck_on: dict[str, str] = field(default_factory=dict)

    def start(self, key: str, errand: Errand) -> None:
        self.started[key] = errand
        self.told.append(f"start {key}")

    def hold(self, key: str, *, held: bool) -> None:
        self.told.append(f"{'hold' if held else 'resume'} {key}")

    def limit(self, key: str, bytes_a_second: float | None) -> None:
        self.told.append(f"limit {key} {bytes_a_second}")

    def stop(self, key: str) -> None:
        self.told.append(f"stop {key}")

    def tend(self) -> float | None:
        return None

    def stuck(self) -> dict[str, str]:
        return dict(self.stuck_on)

    def processes(self) -> frozenset[int]:
        return frozenset({1})

    def end(self) -> None:
        self.told.append("end")


def moving(*, held: bool = False, done: int = 1) -> Moving:
    return Moving(
        what="w",
        bytes_done=done,
        bytes_total=9,
        files_done=0,
        files_total=1,
        path="p",
        held=held,
    )

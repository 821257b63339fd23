"""Whether somebody else works on a disk: what passed through it, less what our own deeds moved. Pure.

Promises:
1. One busy moment is none: two samples in a row must show it.
2. Once busy, a disk counts as busy until it has been calm for half a minute.
3. Where our own deeds move bytes that nobody counts (copies are written and read back), nothing is
   said about the disk.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

SAMPLE_S: Final = 5.0
OTHERS_BYTES_A_SECOND: Final = 2 * 1024 * 1024
"""So much of others' is work; less is a system that looks after itself."""
SLACK: Final = 1.25
"""Our own bytes count for a little more: the system reads ahead, and words of them come late."""
SLACK_BYTES: Final = 16 * 1024 * 1024
SAMPLES: Final = 2
CALM_S: Final = 30.0
SAID: Final = "somebody else reads or writes it"


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """What was so at one moment. Bytes are counted from any beginning, by name of the disk.

    ``passed``: through the disk. ``ours``: what deeds that only read have moved, as they said.
    ``unknown``: disks on which deeds of ours move bytes that nobody counts.
    """

    at_s: float
    passed: Mapping[str, int]
    ours: Mapping[str, int]
    unknown: Collection[str] = ()


@dataclass(kw_only=True)
class _Disk:
    loud: int = 0
    busy: bool = False
    loud_at_s: float = 0.0


class Activity:
    """Kept by one thread; fed samples every few seconds, and none while nothing runs."""

    def __init__(self) -> None:
        self._before: Sample | None = None
        self._disks: dict[str, _Disk] = {}

    def take(self, sample: Sample) -> None:
        """One more sample."""
        before, self._before = self._before, sample
        seconds = sample.at_s - before.at_s if before is not None else 0.0
        if before is None or seconds < SAMPLE_S / 2:
            return
        if seconds > 4 * SAMPLE_S:  # nobody looked for a while: begin anew
            self._disks.clear()
            return
        for name in sample.passed.keys() & before.passed.keys():
            if name in sample.unknown or name in before.unknown:
                continue
            passed = sample.passed[name] - before.passed[name]
            ours = sample.ours.get(name, 0) - before.ours.get(name, 0)
            others = passed - max(0, ours) * SLACK - (SLACK_BYTES if ours > 0 else 0)
            is_loud = others > OTHERS_BYTES_A_SECOND * seconds
            self._judge(self._disks.setdefault(name, _Disk()), is_loud=is_loud, at_s=sample.at_s)

    def _judge(self, disk: _Disk, *, is_loud: bool, at_s: float) -> None:
        if is_loud:
            disk.loud += 1
            disk.loud_at_s = at_s
            disk.busy |= disk.loud >= SAMPLES
            return
        disk.loud = 0
        if disk.busy and at_s - disk.loud_at_s >= CALM_S:
            disk.busy = False

    @property
    def busy(self) -> dict[str, str]:
        """Disks that somebody else works on, and why that is believed."""
        return {name: SAID for name, disk in self._disks.items() if disk.busy}

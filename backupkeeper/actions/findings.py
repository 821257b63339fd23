"""What a running ``verify`` has found so far."""

from dataclasses import dataclass, field

from backupkeeper.core.model import Fact, Result
from backupkeeper.core.outcomes import Checked, Finding, Trouble

FINDINGS = {
    Result.MATCHES: Finding.MATCHES,
    Result.DAMAGED: Finding.DAMAGED,
    Result.CHANGED: Finding.CHANGED,
    Result.MISSING: Finding.MISSING,
    Result.UNREADABLE: Finding.UNREADABLE,
}


@dataclass(kw_only=True)
class VerifyRun:
    """What was found so far."""

    matching_files: int = 0
    matching_bytes: int = 0
    not_cold: dict[str, str] = field(default_factory=dict)
    checked: list[Checked] = field(default_factory=list)
    manifests: list[str] = field(default_factory=list)
    manifest_faults: list[Trouble] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    def add(self, place: str, fact: Fact, size: int) -> None:
        """Count a match, list anything else."""
        if fact.result is Result.MATCHES:
            self.matching_files += 1
            self.matching_bytes += size
            if not fact.note:
                return
        self.checked.append(
            Checked(
                place=place,
                path=fact.path,
                finding=FINDINGS[fact.result],
                size=size,
                cold=fact.cold,
                evidence=fact.evidence,
                damage=fact.damage,
                note=fact.note,
            )
        )

"""What the pipeline landed, as facts about places."""

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.core.errors import BackupkeeperError, MountChangedError
from backupkeeper.core.model import Content, Fact, Result, Way
from backupkeeper.transfer.pipeline import Landed


def settled(
    drive: OnlineDrive, target: str, outcome: Landed | BackupkeeperError
) -> Landed | BackupkeeperError:
    """What the pipeline said, unless the file went through another mount to another drive."""
    inner = target.removeprefix(drive.root.rstrip("/") + "/")
    if isinstance(outcome, Landed) and not drive.holds(inner):
        return MountChangedError(target.rpartition("/")[0])
    return outcome


def landed_fact(
    context: Context, drive: OnlineDrive, target: str, content: Content, landed: Landed
) -> Fact:
    """The fact of a file that the pipeline landed: a proof only where it was read back cold."""
    return Fact(
        at=context.clock.now(),
        place=drive.place.id,
        path=target.removeprefix(drive.root.rstrip("/") + "/"),
        content=content.blake3,
        way=Way.READBACK if landed.cold else Way.WRITTEN,
        result=Result.MATCHES,
        cold=landed.cold,
        evidence=landed.evidence,
        mount=drive.info.mount.token,
        note="" if landed.cold else landed.why_not_cold,
    )

"""One tree of errors, split by whose turn it is. Each builds its own sentence from data.

    BackupkeeperError                    exit 3
    +- UsageError                        exit 2   the person's turn
    |  +- ConfigError                             all faults at once
    |  +- KeysNotShownError                       nobody showed that they can decrypt
    |  +- PlainNotMeantError                      it would lie readable beside what is encrypted
    +- OutOfReachError                            try again later
    |  +- DriveGoneError, NoAnswerError, MountChangedError, PublicBucketError, PlaceHeldError,
    |     NoKeyError, SystemShortError
    |  +- BucketUnreachableError
    |     +- LineDownError                        wait: nobody's fault
    |     +- BucketShutError                      a person must do something first
    |     +- UploadLostError                      begin the upload anew
    |     +- AsleepError                          have the object thawed first
    +- DeviceError                                the device's fault: path and errno
    |  +- ReadError, WriteError, SyncError, NoSpaceError, ReadOnlyError
    +- MismatchError                              work stopped: bytes are not what they must be
    |  +- ReadBackError, SourceChangedError, AttestationRefusedError, NameTakenError,
    |     CopyDiffersError
    +- HostileInputError                          nothing else may leave a parser
    |  +- ManifestError, MarkerError, ListingError, CiphertextError,
    |     SnapshotError
    +- EncryptionError                            one file; others can go on
    |  +- SpoolError
    +- CatalogError                               damaged, too new, locked
    +- BrokenPromiseError                         a bug of ours

Found damage is a value (a ``Fact``), not an error: only "could not do it" is raised.
"""

import errno as errno_names
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final


class BackupkeeperError(Exception):
    """Root of the tree: what happened, to what, and what the person can do."""

    exit_code: ClassVar[int] = 3

    def __init__(self, message: str, *, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice

    def __str__(self) -> str:
        return f"{self.message} {self.advice}".strip()


class UsageError(BackupkeeperError):
    """The command or its arguments cannot be done as they stand."""

    exit_code: ClassVar[int] = 2


class KeysNotShownError(UsageError):
    """Encryption is asked for, and nobody has shown yet that they hold the key."""

    def __init__(self, place: str) -> None:
        super().__init__(
            f"Nothing was sent to {place}: [upload] encrypt_to is set, and nobody has shown yet that "
            "they hold the key. Whoever loses it loses all that is encrypted.",
            advice="Run: backupkeeper keys --kept FILE, with the file that has the key.",
        )


class PlainNotMeantError(UsageError):
    """Encrypted files stand in a bucket, and what is sent now would not be encrypted."""

    def __init__(self, place: str) -> None:
        super().__init__(
            f"Nothing was sent to {place}: encrypted files stand there, and [upload] encrypt_to is "
            "empty here. The store could read all that is sent, and in the catalog every name.",
            advice="Put the keys back under encrypt_to; or set [upload] plain_too = true if you mean it.",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigFault:
    """One fault of a configuration: the key path, what stands there, what would be right."""

    key: str
    value: str
    wanted: str


class ConfigError(UsageError):
    """The configuration cannot be used. Carries every fault, not the first."""

    def __init__(self, file: str, faults: Sequence[ConfigFault]) -> None:
        self.file = file
        self.faults = tuple(faults)
        lines = [f"{file}: {fault.key} = {fault.value}: {fault.wanted}" for fault in faults]
        super().__init__("The configuration can't be used:\n  " + "\n  ".join(lines))


class OutOfReachError(BackupkeeperError):
    """Something is not there now and may be later."""


class DriveGoneError(OutOfReachError):
    """A drive or card is not, or no longer, where it was."""

    def __init__(self, what: str, path: str) -> None:
        super().__init__(
            f"{what} is not there any more ({path}).",
            advice="Plug it in again and repeat the command: what is proven stays proven.",
        )


SHORT: Final = frozenset({errno_names.EMFILE, errno_names.ENFILE, errno_names.ENOMEM})
"""The system has no more open files, or memory, for this program."""


class SystemShortError(OutOfReachError):
    """The system gives this program no more of something: it says nothing about any drive or file."""

    def __init__(self, what: str, number: int) -> None:
        name = errno_names.errorcode.get(number, str(number))
        lacking = "memory" if number == errno_names.ENOMEM else "open files"
        super().__init__(
            f"{what} was left: the system gives this program no more {lacking} ({name}).",
            advice="It says nothing about the drive. Close other programs, or raise the limit, and repeat "
            "the command.",
        )


class NoAnswerError(OutOfReachError):
    """A device has not answered for so long that it is not waited for any more."""

    def __init__(self, path: str, waited_s: float) -> None:
        super().__init__(
            f"What holds {path or 'a file'} has given no answer for {waited_s / 60:.0f} minutes, and was given "
            "up.",
            advice="Unplug it, look at cable and port, and repeat the command, without it if need be: "
            "what is proven stays proven.",
        )


class MountChangedError(OutOfReachError):
    """Under a path there is another file system than the one that was identified."""

    def __init__(self, path: str) -> None:
        super().__init__(
            f"What is mounted under {path} is not what was identified there.",
            advice="Nothing was written to it. Plug the drive in again and repeat the command.",
        )


class BucketUnreachableError(OutOfReachError):
    """The object store did not answer, or would not let us in."""


class LineDownError(BucketUnreachableError):
    """What lies between here and the object store does not let us through now."""


class BucketShutError(BucketUnreachableError):
    """The object store lets us do nothing until a person does something: credentials, clock, room."""


class UploadLostError(BucketUnreachableError):
    """The object store has lost an upload in parts: it can only be begun anew."""


class AsleepError(BucketUnreachableError):
    """An object lies in an archive class: it must be thawed before its bytes can be had."""


class PublicBucketError(OutOfReachError):
    """A bucket lets everybody in: nothing is sent to it until that has changed."""

    def __init__(self, name: str, why: str, command: str) -> None:
        super().__init__(f"{name}: {why}", advice=command)


class NoKeyError(OutOfReachError):
    """Something is encrypted, and no key that is here fits."""

    def __init__(self, what: str, *, tried: int) -> None:
        many = "none of the keys here fits" if tried > 1 else "the key here does not fit"
        which = f"and {many}" if tried else "and there is no key here"
        super().__init__(
            f"{what} is encrypted, {which}.",
            advice="Name the file with the key: backupkeeper --identity FILE … (or "
            "[upload] identity_file).",
        )


class PlaceHeldError(OutOfReachError):
    """Another program of ours is at work on a place."""

    def __init__(self, called: str, *, process: int | None, doing: str = "") -> None:
        self.called = called
        self.process = process
        which = f"process {process}" if process is not None else "on another machine or catalog"
        told = f", {doing}" if doing else ""
        super().__init__(
            f"Another backupkeeper is at work on {called} ({which}{told}).",
            advice="Wait until it is done, then repeat the command.",
        )


class DeviceError(BackupkeeperError):
    """The device answered with an error."""

    verb: ClassVar[str] = "use"

    def __init__(self, path: str, number: int, *, advice: str = "") -> None:
        self.path = path
        self.number = number
        name = errno_names.errorcode.get(number, str(number))
        super().__init__(f"Could not {self.verb} {path} ({name}).", advice=advice)


class ReadError(DeviceError):
    """Bytes could not be read."""

    verb: ClassVar[str] = "read"


class WriteError(DeviceError):
    """Bytes could not be written."""

    verb: ClassVar[str] = "write"


class SyncError(DeviceError):
    """The device did not confirm that bytes are on it. The file is written anew, never synced again."""

    verb: ClassVar[str] = "make durable"


class NoSpaceError(DeviceError):
    """The device is full."""

    verb: ClassVar[str] = "find room for"


class ReadOnlyError(DeviceError):
    """The device can't be written to."""

    verb: ClassVar[str] = "write to the read-only"


class MismatchError(BackupkeeperError):
    """Bytes are not what they must be, so work on them stopped."""


class ReadBackError(MismatchError):
    """What came back from the medium is not what was written."""

    def __init__(self, path: str) -> None:
        super().__init__(
            f"{path} came back from the drive with other bytes than were written.",
            advice="It got no final name. Suspect cable, port, memory or drive, in this order.",
        )


class SourceChangedError(MismatchError):
    """A file changed while it was read, or so lately that it may be changing still."""

    def __init__(
        self,
        path: str,
        *,
        how: str = "changed while it was read",
        advice: str = "Close what writes to it and repeat the command.",
    ) -> None:
        super().__init__(f"{path} {how}.", advice=advice)


class AttestationRefusedError(MismatchError):
    """The object store said that what arrived is not what was sent."""

    def __init__(self, key: str) -> None:
        super().__init__(f"The bucket refused {key}: what arrived is not what was sent.")


class CopyDiffersError(MismatchError):
    """A copy that was to be used as a source is not what it should be."""

    def __init__(self, path: str, offset: int) -> None:
        self.path = path
        self.offset = offset
        super().__init__(
            f"{path} has other bytes than it must have, from about byte {offset:,} on.",
            advice="It was not used. Run: backupkeeper verify",
        )


class NameTakenError(MismatchError):
    """Another file already stands under a name that is wanted. It stays untouched."""

    def __init__(self, path: str) -> None:
        super().__init__(
            f"Another file stands at {path}; it was left as it is.",
            advice="Move it away, and repeat the command.",
        )


class HostileInputError(BackupkeeperError):
    """Something read from outside breaks its own rules."""


class ManifestError(HostileInputError):
    """A manifest, chain or checksum list can't be believed."""


class MarkerError(HostileInputError):
    """A place's marker can't be believed."""


class ListingError(HostileInputError):
    """A listing of objects or folders can't be believed."""


class SnapshotError(HostileInputError):
    """A snapshot of a catalog can't be believed."""


class CiphertextError(HostileInputError):
    """What should be encrypted in the format age is not, was changed, or ends too early."""

    def __init__(self, what: str, how: str) -> None:
        super().__init__(f"{what} can't be decrypted: {how}.")


class EncryptionError(BackupkeeperError):
    """One file can't be encrypted; others may."""


class SpoolError(EncryptionError):
    """What is to be encrypted can't be, in the folder that is there for it."""

    def __init__(self, path: str, why: str, *, advice: str = "") -> None:
        super().__init__(f"{path} was not encrypted, and not sent: {why}.", advice=advice)


class CatalogError(BackupkeeperError):
    """The catalog is damaged, locked, or newer than this program."""


class BrokenPromiseError(BackupkeeperError):
    """A bug of ours: the deed stops and the evidence is kept."""

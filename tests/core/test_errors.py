"""Every error says what happened, to what, and (where there is something to do) what to do."""

import errno
from collections.abc import Callable, Iterator

import pytest

from backupkeeper.core import errors
from backupkeeper.core.errors import BackupkeeperError, ConfigFault, DeviceError, UsageError

PATH = "/media/main/260612 Boatyard/CLIP0001.MP4"
FAULTS = [
    ConfigFault(key="policy.roles", value='["tape"]', wanted="one of primary, secondary, cloud"),
    ConfigFault(key="places", value="3", wanted="a table"),
]
SAID = "The bucket store/vault did not answer."

MADE: dict[str, tuple[Callable[[], BackupkeeperError], list[str]]] = {
    "BackupkeeperError": (
        lambda: errors.BackupkeeperError(SAID, advice="Ask again."),
        [SAID, "Ask again."],
    ),
    "UsageError": (lambda: errors.UsageError("There is no card at /media/card."), ["/media/card"]),
    "ConfigError": (
        lambda: errors.ConfigError("config.toml", FAULTS),
        [
            'config.toml: policy.roles = ["tape"]: one of primary',
            "config.toml: places = 3: a table",
        ],
    ),
    "KeysNotShownError": (
        lambda: errors.KeysNotShownError("Off site"),
        ["Nothing was sent to Off site", "Whoever loses it loses all", "backupkeeper keys --kept"],
    ),
    "CiphertextError": (
        lambda: errors.CiphertextError("WIDE0007.MP4", "it ends too early"),
        ["WIDE0007.MP4 can't be decrypted: it ends too early."],
    ),
    "EncryptionError": (lambda: errors.EncryptionError(SAID), [SAID]),
    "SpoolError": (
        lambda: errors.SpoolError("WIDE0007.MP4", "there is no room", advice="Make room."),
        ["WIDE0007.MP4 was not encrypted, and not sent: there is no room.", "Make room."],
    ),
    "NoKeyError": (
        lambda: errors.NoKeyError("WIDE0007.MP4", tried=0),
        ["WIDE0007.MP4 is encrypted, and there is no key here.", "--identity FILE"],
    ),
    "PlainNotMeantError": (
        lambda: errors.PlainNotMeantError("Off site"),
        ["Nothing was sent to Off site: encrypted files stand there", "plain_too = true"],
    ),
    "OutOfReachError": (lambda: errors.OutOfReachError(SAID), [SAID]),
    "DriveGoneError": (
        lambda: errors.DriveGoneError("The drive main", "/media/main"),
        ["The drive main is not there", "(/media/main)", "Plug it in again"],
    ),
    "SystemShortError": (
        lambda: errors.SystemShortError("/media/main/a", errno.EMFILE),
        ["/media/main/a was left", "no more open files (EMFILE)", "nothing about the drive"],
    ),
    "NoAnswerError": (
        lambda: errors.NoAnswerError("/media/main/a", 600.0),
        ["/media/main/a has given no answer for 10 minutes", "Unplug it"],
    ),
    "MountChangedError": (
        lambda: errors.MountChangedError("/media/main"),
        ["under /media/main", "Nothing was written", "Plug the drive in again"],
    ),
    "PublicBucketError": (
        lambda: errors.PublicBucketError("Off site", "Everybody may read it.", "Shut it."),
        ["Off site: Everybody may read it.", "Shut it."],
    ),
    "BucketUnreachableError": (
        lambda: errors.BucketUnreachableError(SAID, advice="Check the network."),
        [SAID, "Check the network."],
    ),
    "LineDownError": (lambda: errors.LineDownError(SAID, advice="Wait."), [SAID, "Wait."]),
    "BucketShutError": (lambda: errors.BucketShutError(SAID, advice="Log in."), [SAID, "Log in."]),
    "AsleepError": (lambda: errors.AsleepError(SAID, advice="Thaw."), [SAID, "Thaw."]),
    "UploadLostError": (lambda: errors.UploadLostError(SAID, advice="Again."), [SAID, "Again."]),
    "PlaceHeldError": (
        lambda: errors.PlaceHeldError("Main", process=4711, doing="proving Wide/Roll 01"),
        ["at work on Main (process 4711, proving Wide/Roll 01)", "Wait until it is done"],
    ),
    "DeviceError": (
        lambda: errors.DeviceError(PATH, errno.EIO, advice="Try another port."),
        [f"Could not use {PATH} (EIO).", "Try another port."],
    ),
    "ReadError": (lambda: errors.ReadError(PATH, errno.EIO), [f"Could not read {PATH} (EIO)."]),
    "WriteError": (lambda: errors.WriteError(PATH, errno.EIO), [f"Could not write {PATH} (EIO)."]),
    "SyncError": (
        lambda: errors.SyncError(PATH, errno.EIO),
        [f"Could not make durable {PATH} (EIO)."],
    ),
    "NoSpaceError": (
        lambda: errors.NoSpaceError(PATH, errno.ENOSPC),
        [f"Could not find room for {PATH} (ENOSPC)."],
    ),
    "ReadOnlyError": (
        lambda: errors.ReadOnlyError(PATH, errno.EROFS),
        [f"Could not write to the read-only {PATH} (EROFS)."],
    ),
    "MismatchError": (lambda: errors.MismatchError(f"{PATH} is another."), [PATH]),
    "ReadBackError": (lambda: errors.ReadBackError(PATH), [PATH, "no final name", "Suspect cable"]),
    "SourceChangedError": (
        lambda: errors.SourceChangedError(PATH),
        [f"{PATH} changed", "repeat the command"],
    ),
    "AttestationRefusedError": (
        lambda: errors.AttestationRefusedError("shoots/CLIP0001.MP4"),
        ["refused shoots/CLIP0001.MP4"],
    ),
    "CopyDiffersError": (
        lambda: errors.CopyDiffersError(PATH, 4_194_304),
        [PATH, "byte 4,194,304", "backupkeeper verify"],
    ),
    "NameTakenError": (
        lambda: errors.NameTakenError(PATH),
        [f"Another file stands at {PATH}", "Move it away"],
    ),
    "HostileInputError": (lambda: errors.HostileInputError(SAID), [SAID]),
    "ManifestError": (lambda: errors.ManifestError(SAID), [SAID]),
    "MarkerError": (lambda: errors.MarkerError(SAID), [SAID]),
    "ListingError": (lambda: errors.ListingError(SAID), [SAID]),
    "SnapshotError": (lambda: errors.SnapshotError(SAID), [SAID]),
    "CatalogError": (lambda: errors.CatalogError(SAID), [SAID]),
    "BrokenPromiseError": (lambda: errors.BrokenPromiseError(SAID), [SAID]),
}


def tree(of: type[BackupkeeperError]) -> Iterator[type[BackupkeeperError]]:
    yield of
    for below in of.__subclasses__():
        if below.__module__ == errors.__name__:
            yield from tree(below)


EVERY = list(tree(BackupkeeperError))


def test_every_class_of_the_tree_is_tried_here_and_drawn_in_its_docstring() -> None:
    names = [one.__name__ for one in EVERY]
    assert sorted(MADE) == sorted(names)
    drawn = errors.__doc__ or ""
    assert [name for name in names if name not in drawn] == []


@pytest.mark.parametrize("name", MADE)
def test_an_error_tells_what_happened_to_what_and_what_to_do(name: str) -> None:
    make, parts = MADE[name]
    error = make()
    assert type(error).__name__ == name
    told = str(error)
    assert told == f"{error.message} {error.advice}".strip()
    assert [part for part in parts if part not in told] == []


@pytest.mark.parametrize("kind", EVERY)
def test_the_exit_code_says_whose_turn_it_is(kind: type[BackupkeeperError]) -> None:
    assert kind.exit_code == (2 if issubclass(kind, UsageError) else 3)


@pytest.mark.parametrize("kind", [one for one in EVERY if issubclass(one, DeviceError)])
def test_a_device_error_keeps_its_path_and_number(kind: type[DeviceError]) -> None:
    error = kind(PATH, errno.EIO)
    assert (error.path, error.number) == (PATH, errno.EIO)


def test_an_error_number_without_a_name_is_told_as_it_is() -> None:
    assert "(99999)" in str(errors.ReadError(PATH, 99999))


def test_a_configuration_error_keeps_every_fault() -> None:
    error = errors.ConfigError("config.toml", FAULTS)
    assert (error.file, error.faults) == ("config.toml", tuple(FAULTS))


def test_a_copy_that_differs_says_where() -> None:
    error = errors.CopyDiffersError(PATH, 7)
    assert (error.path, error.offset) == (PATH, 7)


def test_an_error_without_advice_ends_with_its_sentence() -> None:
    assert str(UsageError("There is no such card.")) == "There is no such card."


def test_a_place_held_from_elsewhere_is_told_without_a_process() -> None:
    told = str(errors.PlaceHeldError("Main", process=None))
    assert "at work on Main (on another machine or catalog)." in told

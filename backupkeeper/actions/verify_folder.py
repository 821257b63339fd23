"""Verify a folder that is no place, from the manifests that lie in it and from nothing else.

Promises:
1. The catalog is not asked: what is found holds on any machine.
2. Every file is read, from the medium where that can be had; nothing is written.
3. Manifests are believed only as far as their chain goes; what is wrong with them is told.
"""

import os.path
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.findings import VerifyRun
from backupkeeper.actions.online import online_drives, place_holding
from backupkeeper.actions.reading import read_small
from backupkeeper.core.errors import BackupkeeperError, DriveGoneError, ReadError, UsageError
from backupkeeper.core.outcomes import Checked, Finding, Trouble, VerifyOutcome
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import FOLDER, History
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.manifests.mhl_verify import (
    Computed,
    Finding as Compared,
    verify_folders,
    verify_history,
)
from backupkeeper.ports.files import EntryKind
from backupkeeper.ports.progress import Progress
from backupkeeper.transfer.coldpolicy import ColdPolicy, cold_policy
from backupkeeper.transfer.coldread import ColdReader, SoFar
from backupkeeper.transfer.hashing import FURTHER_DIGESTS, Hasher

_FOUND = {
    Compared.FAILED: Finding.NOT_AS_LISTED,
    Compared.MISSING: Finding.MISSING,
    Compared.UNKNOWN: Finding.UNKNOWN,
    Compared.NOT_COMPARABLE: Finding.UNKNOWN,
}
_NOTES = {
    Compared.NOT_COMPARABLE: "Its manifest has no hash of a kind that is known here.",
}


def is_loose_folder(context: Context, path: str) -> bool:
    """Whether a path is a folder that lies in no place that is here."""
    try:
        if context.files.stat(path).kind is not EntryKind.FOLDER:
            return False
    except OSError:
        return False
    return place_holding(online_drives(context)[0], path) is None


@dataclass(kw_only=True)
class _Scope:
    """One folder with a history, and what lies in it."""

    root: str
    history: History
    files: list[tuple[str, int]] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)


def verify_folder(context: Context, root: str, progress: Progress) -> VerifyOutcome:
    """Read every file at or below a folder, and compare it with the manifests that lie there.

    Args:
        context: the world; of its catalog nothing is used.
        root: absolute, links resolved.
        progress: told as it goes.

    Raises:
        UsageError: no manifest lies there.
        DriveGoneError: its drive is gone.
    """
    begun = context.clock.monotonic()
    run = VerifyRun()
    scopes = list(_scopes(context, root, run))
    if not scopes:
        raise UsageError(
            f"{root} lies on no place that is here, and no manifest lies in it.",
            advice=f"A folder that can be verified by itself has a folder {FOLDER} in it.",
        )
    mount = context.mounts.under(root)
    device = context.mounts.inspect(mount).block_device
    policy = cold_policy(mount.fs_type, device, stopwatch=context.clock.monotonic)
    for scope in scopes:
        progress.begin(
            f"Verifying {scope.root}",
            total_bytes=sum(size for _, size in scope.files),
            total_files=len(scope.files),
        )
        _verify_scope(context, scope, policy, run, progress)
    progress.end()
    return run.outcome(root, context.clock.monotonic() - begun)


def _scopes(context: Context, root: str, run: VerifyRun) -> Iterator[_Scope]:
    """The folder itself if it has a history, else those below it that have one."""
    waiting = [root]
    while waiting:
        here = waiting.pop()
        entries = _entries(context, here, run)
        if (FOLDER, EntryKind.FOLDER) in entries:
            where = f"{here.rstrip('/')}/{FOLDER}"
            names = [name for name, kind in _entries(context, where, run) if kind is EntryKind.FILE]
            history = read_history(
                names,
                lambda name, where=where: read_small(  # type: ignore[misc]  # bound here, not later
                    context.files, f"{where}/{name}", MANIFEST_LIMIT_BYTES
                ),
            )
            if history is not None:
                scope = _Scope(root=here, history=history)
                _walk(context, scope, run)
                yield scope
                continue
        waiting += [
            f"{here.rstrip('/')}/{name}" for name, kind in entries if kind is EntryKind.FOLDER
        ]
        waiting.sort(reverse=True)


def _walk(context: Context, scope: _Scope, run: VerifyRun) -> None:
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        for name, kind in _entries(context, os.path.join(scope.root, folder), run):
            path = f"{folder}/{name}" if folder else name
            if kind is EntryKind.FOLDER:
                if path != FOLDER:
                    scope.folders.append(path)
                    waiting.append(path)
            elif kind is EntryKind.FILE:
                scope.files.append((path, _size(context, scope, path)))
            else:
                run.troubles.append(
                    Trouble(place=scope.root, path=path, message=f"It is no file but a {kind}.")
                )
    scope.files.sort()


def _size(context: Context, scope: _Scope, path: str) -> int:
    try:
        return context.files.stat(f"{scope.root.rstrip('/')}/{path}").size
    except OSError:
        return 0


def _entries(context: Context, folder: str, run: VerifyRun) -> list[tuple[str, EntryKind]]:
    try:
        return sorted(context.files.list(folder))
    except OSError as error:
        message = f"The folder can't be read ({error.strerror})."
        run.troubles.append(Trouble(place=folder, path=folder, message=message))
        return []


def _verify_scope(
    context: Context, scope: _Scope, policy: ColdPolicy, run: VerifyRun, progress: Progress
) -> None:
    for fault in scope.history.faults:
        run.manifest_faults.append(
            Trouble(place=scope.root, path=f"{FOLDER}/{fault.path}", message=fault.message)
        )
    kinds = {name for said in scope.history.reference.values() for name in said}
    computed: dict[str, Computed] = {}
    for path, size in scope.files:
        progress.file(path)
        unread = _known_without_reading(scope.history, path, size)
        found = unread or _hashed(
            context, scope, path, kinds & FURTHER_DIGESTS, policy, run, progress
        )
        if found is not None:
            computed[path] = found
            run.read_bytes += 0 if unread else size
        progress.advance(0, files=1)
    _compare(scope, computed, run)


def _known_without_reading(history: History, path: str, size: int) -> Computed | None:
    """Of a file that no reading could show to be right: one of another size, or that nobody recorded."""
    if history.sizes.get(path, size) != size:
        return Computed(
            size=size, digests=history.reference.get(path, {})
        )  # the size alone fails it
    is_unknown = not history.nested and path not in history.recorded
    return Computed(size=size, digests={}) if is_unknown else None


def _compare(scope: _Scope, computed: Mapping[str, Computed], run: VerifyRun) -> None:
    sizes = dict(scope.files)
    told = {one.path for one in run.checked if one.place == scope.root}
    told |= {one.path for one in run.troubles if one.place == scope.root}
    compared = verify_history(scope.history, computed)
    for path, finding in sorted(compared.items()):
        if finding is Compared.VERIFIED:
            run.matching_files += 1
            run.matching_bytes += sizes[path]
        elif path not in told:
            note = _NOTES.get(finding, "")
            run.checked.append(_checked(scope, path, _FOUND[finding], sizes.get(path, 0), note))
    if any(finding is not Compared.VERIFIED for finding in compared.values()):
        return  # a folder's hash says no more than its files do, and those were told
    for fault in verify_folders(scope.history, computed, scope.folders):
        run.manifest_faults.append(
            Trouble(place=scope.root, path=fault.path or ".", message=fault.message)
        )


def _hashed(
    context: Context,
    scope: _Scope,
    path: str,
    kinds: frozenset[str] | set[str],
    policy: ColdPolicy,
    run: VerifyRun,
    progress: Progress,
) -> Computed | None:
    """What a file hashes to; None, and it is told, where not all of it could be read."""
    hasher = Hasher(kinds)
    absolute = f"{scope.root.rstrip('/')}/{path}"
    try:
        reading = ColdReader(context.files, policy).read_on(
            absolute, SoFar(hasher=hasher), progress.advance, lambda: False
        )
    except DriveGoneError:
        raise
    except ReadError as error:
        run.checked.append(_checked(scope, path, Finding.UNREADABLE, 0, str(error)))
        return None
    except BackupkeeperError as error:
        run.troubles.append(Trouble(place=scope.root, path=path, message=str(error)))
        return None
    assert reading is not None
    found = hasher.content()
    if reading.unreadable:
        run.checked.append(_checked(scope, path, Finding.UNREADABLE, found.size, ""))
        return None
    if not reading.cold:
        run.not_cold[scope.root] = reading.why_not_cold
    digests = {"xxh128": found.xxh128, "blake3": found.blake3, **found.digests}
    return Computed(size=found.size, digests=digests)


def _checked(scope: _Scope, path: str, finding: Finding, size: int, note: str) -> Checked:
    return Checked(place=scope.root, path=path, finding=finding, size=size, cold=False, note=note)

"""All generations of one scope, read through the chain and merged (ASC MHL §5.3.3).

Promises:
1. Every manifest is compared with its C4 in the chain before a word of it is believed.
2. A manifest without an entry in the chain, and an entry without its manifest, is told, never
   renumbered or mended.
3. Only ``original`` and ``verified`` hashes serve as reference, and the earliest of a format wins:
   a later one that differs is a fault, not a new truth. Renames are followed.
4. Faults are values, all of them. Only ``OutOfReachError`` of the reader leaves: the drive is gone.

    history = read_history(names_in_ascmhl, read_by_bare_name)
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

from backupkeeper.core.errors import DeviceError, HostileInputError
from backupkeeper.manifests import ignoring
from backupkeeper.manifests.directory_hashes import DirectoryHash, directory_hashes
from backupkeeper.manifests.formats import Format, c4_of
from backupkeeper.manifests.mhl_chain import read_chain
from backupkeeper.manifests.mhl_model import (
    CHAIN_NAME,
    FOLDER,
    Action,
    ChainEntry,
    Fault,
    FaultKind,
    History,
    Manifest,
    ReadFile,
)
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.names import folders_above

Read = Callable[[str], bytes]
"""The bytes of a file in the ``ascmhl`` folder, by its bare name."""
DEEPEST_NESTING: Final = 16
_READ_FAILED: Final = (DeviceError, HostileInputError, OSError)


class Below(Protocol):
    """The scope below a history, to look at nested ones. Paths are relative to the scope."""

    def names(self, folder: str) -> Iterable[str]:
        """Names in a folder; none if it isn't there."""
        ...

    def read(self, path: str) -> bytes:
        """The bytes of a file, with a limit."""
        ...


def read_history(
    names: Iterable[str], read: Read, *, below: Below | None = None, depth: int = 0
) -> History | None:
    """The history in an ``ascmhl`` folder; None where there is neither chain nor manifest.

    Args:
        names: all names in the folder.
        read: gives a file's bytes; errors of the device become faults.
        below: with it, references to nested histories are resolved and those are read too.
        depth: how many histories lie above this one.
    """
    there = set(names)
    stored = {name for name in there if name.endswith(".mhl")}
    if CHAIN_NAME not in there and not stored:
        return None
    faults: list[Fault] = []
    chain = _chain(there, read, faults)
    unlisted = tuple(sorted(stored - {entry.name for entry in chain}))
    for name in unlisted:
        told = f"{name} is not in the chain; it was not believed"
        faults.append(Fault(kind=FaultKind.MANIFEST_UNLISTED, path=name, message=told))
    manifests = {}
    for entry in chain:
        manifest = _believed(entry, there, read, faults)
        if manifest is not None:
            manifests[entry.name] = manifest
    nested = {} if below is None else _nested(manifests, below, depth, faults)
    merge = _Merge(faults, _reached(nested))
    for name, manifest in manifests.items():
        merge.take(name, manifest)
    return History(
        chain=chain,
        manifests=manifests,
        reference={path: one.reference for path, one in merge.known.items() if one.reference},
        sizes={path: one.size for path, one in merge.known.items() if one.size is not None},
        blake3={path: one.blake3 for path, one in merge.known.items() if one.blake3 is not None},
        failed=frozenset(path for path, one in merge.known.items() if one.failed),
        recorded=frozenset(file.path for one in manifests.values() for file in one.files),
        folders=merge.folders,
        ignore=tuple(merge.ignore),
        unlisted=unlisted,
        nested=nested,
        faults=tuple(faults),
    )


def _chain(there: set[str], read: Read, faults: list[Fault]) -> tuple[ChainEntry, ...]:
    if CHAIN_NAME not in there:
        told = "there are manifests, but no chain that names them"
        faults.append(Fault(kind=FaultKind.CHAIN_MISSING, path=CHAIN_NAME, message=told))
        return ()
    try:
        chain = read_chain(read(CHAIN_NAME))
    except _READ_FAILED as error:
        told = f"the chain can't be read: {error}"
        faults.append(Fault(kind=FaultKind.CHAIN_BROKEN, path=CHAIN_NAME, message=told))
        return ()
    faults += chain.faults
    return chain.entries


def _believed(
    entry: ChainEntry, there: set[str], read: Read, faults: list[Fault]
) -> Manifest | None:
    """The manifest of an entry, if it is there and is the one that the chain names."""
    if entry.name not in there:
        told = f"{entry.name} is in the chain, but not there"
        faults.append(Fault(kind=FaultKind.MANIFEST_MISSING, path=entry.name, message=told))
        return None
    try:
        data = read(entry.name)
        if c4_of(data) != entry.c4:
            told = f"{entry.name} is not what the chain names: its C4 differs"
            faults.append(Fault(kind=FaultKind.MANIFEST_ALTERED, path=entry.name, message=told))
            return None
        manifest = read_manifest(data)
    except _READ_FAILED as error:
        told = f"{entry.name} can't be read: {error}"
        faults.append(Fault(kind=FaultKind.MANIFEST_BROKEN, path=entry.name, message=told))
        return None
    faults += [
        replace(fault, path=fault.path or entry.name, message=f"{entry.name}: {fault.message}")
        for fault in manifest.faults
    ]
    return manifest


def _nested(
    manifests: dict[str, Manifest], below: Below, depth: int, faults: list[Fault]
) -> dict[str, History]:
    """The histories that references lead to, each read through its own chain."""
    wanted: dict[str, dict[str, str]] = {}
    for manifest in manifests.values():
        for one in manifest.references:
            folder, slash, name = one.path.rpartition(f"/{FOLDER}/")
            if not slash or "/" in name:
                told = "a reference leads to no history below"
                faults.append(Fault(kind=FaultKind.REFERENCE_MISSING, path=one.path, message=told))
                continue
            wanted.setdefault(folder, {})[name] = one.c4
    found: dict[str, History] = {}
    for folder in sorted(wanted):  # one that lies in another comes after it
        _check_references(folder, wanted[folder], below, faults)
        if folder in _reached(found):
            continue  # read from there; or what each level refers to would be read again and again
        history = _read_below(folder, below, depth, faults)
        if history is not None:
            found[folder] = history
            faults += [
                replace(fault, path=f"{folder}/{fault.path}", message=f"{folder}: {fault.message}")
                for fault in history.faults
            ]
    return found


def _reached(nested: Mapping[str, History]) -> dict[str, History]:
    """Nested histories and those in them, by folder."""
    found = dict(nested)
    for folder, history in nested.items():
        inner = _reached(history.nested)
        found |= {f"{folder}/{path}": one for path, one in inner.items()}
    return found


def _check_references(
    folder: str, references: dict[str, str], below: Below, faults: list[Fault]
) -> None:
    for name, c4 in references.items():
        path = f"{folder}/{FOLDER}/{name}"
        try:
            same = c4_of(below.read(path)) == c4
        except _READ_FAILED as error:
            told = f"the referenced manifest can't be read: {error}"
            faults.append(Fault(kind=FaultKind.REFERENCE_MISSING, path=path, message=told))
            continue
        if not same:
            told = "the referenced manifest has another C4"
            faults.append(Fault(kind=FaultKind.REFERENCE_ALTERED, path=path, message=told))


class _Deeper:
    """The scope of a nested history, seen through that of the one above."""

    def __init__(self, below: Below, folder: str) -> None:
        self._below, self._folder = below, folder

    def names(self, folder: str) -> Iterable[str]:
        return self._below.names(f"{self._folder}/{folder}")

    def read(self, path: str) -> bytes:
        return self._below.read(f"{self._folder}/{path}")


def _read_below(folder: str, below: Below, depth: int, faults: list[Fault]) -> History | None:
    if depth >= DEEPEST_NESTING:
        told = "histories are nested deeper than is looked at"
        faults.append(Fault(kind=FaultKind.REFERENCE_MISSING, path=folder, message=told))
        return None
    inner = _Deeper(below, folder)
    try:
        names = list(inner.names(FOLDER))
    except _READ_FAILED as error:
        told = f"the history below can't be listed: {error}"
        faults.append(Fault(kind=FaultKind.REFERENCE_MISSING, path=folder, message=told))
        return None
    return read_history(
        names, lambda name: inner.read(f"{FOLDER}/{name}"), below=inner, depth=depth + 1
    )


@dataclass(slots=True)
class _Known:
    """What is known of one path."""

    reference: dict[str, str] = field(default_factory=dict)
    size: int | None = None
    blake3: str | None = None
    failed: bool = False

    def agrees(self, good: dict[str, str], file: ReadFile) -> bool:
        """Whether a record says nothing else than what is known."""
        return (
            all(self.reference.get(form, text) == text for form, text in good.items())
            and (None in {file.size, self.size} or file.size == self.size)
            and (None in {file.blake3, self.blake3} or file.blake3 == self.blake3)
        )


class _Merge:
    """What the generations so far say together."""

    def __init__(self, faults: list[Fault], nested: dict[str, History]) -> None:
        self._faults, self._nested = faults, nested
        self.known: dict[str, _Known] = {}
        self.folders: dict[str, dict[Format, DirectoryHash]] = {}
        self.ignore: dict[str, None] = {}
        self._last_ignore: tuple[str, ...] = ()

    def take(self, name: str, manifest: Manifest) -> None:
        self._rename(name, self._moves(manifest))
        for file in manifest.files:
            self._take_file(name, file)
        for folder in (*manifest.folders, *([manifest.root] if manifest.root else [])):
            self.folders.setdefault(folder.path, {}).update(folder.hashes)
        self._check_ignore(name, manifest)
        self._check_folders(name, manifest)

    def _fault(self, kind: FaultKind, path: str, message: str) -> None:
        self._faults.append(Fault(kind=kind, path=path, message=message))

    def _moves(self, manifest: Manifest) -> dict[str, str]:
        """New path to former path; a renamed folder takes along what is below it."""
        moves = {
            file.path: file.previous_path
            for file in manifest.files
            if file.previous_path is not None and file.previous_path != file.path
        }
        renamed = [one for one in manifest.folders if one.previous_path not in {None, one.path}]
        ordered = sorted(self.known) if renamed else []
        given: set[str] = set()
        for folder in renamed:
            was = folder.previous_path or ""
            if was in given:  # each would take along all that lay below it
                told = "a folder's former path was given twice"
                self._fault(FaultKind.UNKNOWN_PREVIOUS, folder.path, told)
                continue
            given.add(was)
            self.folders.pop(was, None)
            head = f"{was}/"
            for at in range(bisect_left(ordered, head), len(ordered)):
                if not ordered[at].startswith(head):
                    break
                moves.setdefault(f"{folder.path}/{ordered[at].removeprefix(head)}", ordered[at])
        return moves

    def _rename(self, name: str, moves: dict[str, str]) -> None:
        """Hand what is known on to the new names; all at once, so that names can be swapped."""
        taken = {old: self.known.pop(old) for old in {*moves.values()} & self.known.keys()}
        for new, old in moves.items():
            known = taken.pop(old, None)
            if known is None or new in self.known:
                told = f"{name}: its former path is not known, or was given twice"
                self._fault(FaultKind.UNKNOWN_PREVIOUS, new, told)
            else:
                self.known[new] = known

    def _take_file(self, name: str, file: ReadFile) -> None:
        known = self.known.setdefault(file.path, _Known())
        if _is_failed(file):
            known.failed = True
            return
        good = {made.format.value: made.text for made in file.hashes if made.action is not None}
        if not good:
            return
        if not known.agrees(good, file):
            told = f"{name}: it says something else than an earlier generation"
            self._fault(FaultKind.CONTRADICTION, file.path, told)
            return
        known.failed = False
        known.reference = {**good, **known.reference}
        known.size = file.size if known.size is None else known.size
        known.blake3 = known.blake3 or file.blake3

    def _check_ignore(self, name: str, manifest: Manifest) -> None:
        """The list may only grow, but for lines that would ignore what is recorded now."""
        named = [file.path for file in manifest.files if file.path not in manifest.apart]
        folders = [folder.path for folder in manifest.folders]
        lines = set(manifest.ignore)
        gone = [line for line in self._last_ignore if line not in lines]
        # as the writer asks it
        could_stay = set(ignoring.fitting(self.ignore, named, folders)) if gone else set()
        for line in filter(could_stay.__contains__, gone):
            self._fault(FaultKind.IGNORE_SHRUNK, name, f"{name}: {line[:80]!r} was taken back")
        self._last_ignore = manifest.ignore
        self.ignore.update(dict.fromkeys(manifest.ignore))
        if len(self.ignore) > ignoring.MOST_LINES:
            told = f"{name}: with it there are more patterns than are heeded"
            self._fault(FaultKind.BAD_PATTERN, name, told)
            self.ignore = dict.fromkeys(list(self.ignore)[: ignoring.MOST_LINES])

    def _check_folders(self, name: str, manifest: Manifest) -> None:
        """Directory hashes against the file hashes of the same manifest, where all are there."""
        recorded = {folder.path: folder.hashes for folder in manifest.folders}
        if manifest.root is not None:
            recorded[""] = manifest.root.hashes
        scopes = {one.path.rpartition(f"/{FOLDER}/")[0] for one in manifest.references}
        if any(fault.kind is FaultKind.UNSAFE_PATH for fault in manifest.faults):
            return  # what was refused lies in some folder; nothing can be said of them
        doubtful = {fault.path for fault in manifest.faults}
        doubtful |= {file.path for file in manifest.files if _is_failed(file)}
        for form in Format:
            said = {path: hashes[form] for path, hashes in recorded.items() if form in hashes}
            if not said:
                continue
            roots = {
                scope: self._nested[scope].folders[""][form]
                for scope in scopes & self._nested.keys()
                if form in self._nested[scope].folders.get("", {})
            }
            files = {
                f.path: made.text
                for f in manifest.files
                if f.path not in manifest.apart
                for made in f.hashes
                if made.format is form
            }
            unsure = doubtful | (scopes - roots.keys())
            silent = {folder for path in unsure for folder in folders_above(path)}
            folders = [path for path in said if path and path not in roots]
            made_here = directory_hashes(files, folders, form, roots)
            for path, hashes in said.items():
                if path not in silent and made_here[path] != hashes:
                    told = f"{name}: its {form.value} does not follow from the files recorded below"
                    self._fault(FaultKind.DIRECTORY_HASH, path or name, told)


def _is_failed(file: ReadFile) -> bool:
    return any(made.action is Action.FAILED for made in file.hashes)

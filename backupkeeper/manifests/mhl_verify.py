"""Compares what was computed now with a history, and continues the history with it.

Promises:
1. Pure. A file counts as verified only where every digest that both sides know is equal, at least
   one is known to both, and the size is the recorded one (STANDARDS sections 1.9 and 1.13).
2. ``next_generation`` calls a hash ``original`` only for the first record of a path, ``verified``
   only after a comparison, ``failed`` after one that did not match. What can't be compared is
   handed back, not recorded.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from backupkeeper.manifests import ignoring
from backupkeeper.manifests.directory_hashes import directory_hashes
from backupkeeper.manifests.formats import BLAKE3, Format
from backupkeeper.manifests.mhl_model import (
    Action,
    Fault,
    FaultKind,
    Generation,
    History,
    ManifestFile,
)
from backupkeeper.manifests.names import folders_above


class Finding(StrEnum):
    """What a comparison gave for one path."""

    VERIFIED = "verified"
    FAILED = "failed"
    MISSING = "missing"
    """Recorded, not there."""
    UNKNOWN = "unknown"
    """There, not recorded, not ignored."""
    NOT_COMPARABLE = "not comparable"
    """Recorded, but no digest is known to both sides."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Computed:
    """What one read of a file gave: size and canonical digests by format (``blake3`` too)."""

    size: int
    digests: Mapping[str, str]


def compare(history: History, path: str, computed: Computed) -> Finding:
    """One file against its reference."""
    known = dict(history.reference.get(path, {}))
    if path in history.blake3:
        known[BLAKE3] = history.blake3[path]
    if not known:
        was = path in history.failed or path in history.recorded
        return Finding.NOT_COMPARABLE if was else Finding.UNKNOWN
    common = known.keys() & computed.digests.keys()
    if not common:
        return Finding.NOT_COMPARABLE
    same = all(known[form] == computed.digests[form] for form in common)
    same &= history.sizes.get(path, computed.size) == computed.size
    return Finding.VERIFIED if same else Finding.FAILED


def verify_history(history: History, computed: Mapping[str, Computed]) -> dict[str, Finding]:
    """The finding of every path that is recorded or there; nested histories judge what is theirs.

    Args:
        history: as ``read_history`` gave it.
        computed: every file that is there, by its path below the scope.
    """
    found: dict[str, Finding] = {}
    rest = dict(computed)
    for folder, inner in history.nested.items():
        head = f"{folder}/"
        theirs = {
            path: rest.pop(path) for path in computed if path.startswith(head) and path in rest
        }
        below = {path.removeprefix(head): value for path, value in theirs.items()}
        found |= {head + path: finding for path, finding in verify_history(inner, below).items()}
    for path in {*history.reference, *history.failed} - rest.keys():
        if not any(path.startswith(f"{folder}/") for folder in history.nested):
            found[path] = Finding.MISSING
    mine = {path: compare(history, path, value) for path, value in rest.items()}
    lines = (*ignoring.DEFAULTS, *history.ignore)
    unknown = [path for path, finding in mine.items() if finding is Finding.UNKNOWN]
    ignored = ignoring.ignored_paths(lines, unknown)
    return found | {path: finding for path, finding in mine.items() if path not in ignored}


def verify_folders(
    history: History, computed: Mapping[str, Computed], folders: Iterable[str] = ()
) -> tuple[Fault, ...]:
    """Folders whose recorded directory hashes do not follow from what was computed now.

    Args:
        history: as ``read_history`` gave it.
        computed: every file that is there.
        folders: folders that are there and may hold no file.
    """
    lines = (*ignoring.DEFAULTS, *history.ignore)
    ignored = ignoring.ignored_paths(lines, computed)
    apart = {path for manifest in history.manifests.values() for path in manifest.apart}
    there = {path: value for path, value in computed.items() if path not in ignored | apart}
    wrong = []
    for form in Format:
        recorded = {path: said[form] for path, said in history.folders.items() if form in said}
        if not recorded:
            continue
        texts = {path: v.digests[form] for path, v in there.items() if form in v.digests}
        lacking = there.keys() - texts.keys()
        silent = {folder for path in lacking for folder in folders_above(path)}
        made = directory_hashes(texts, folders, form)
        for path, said in recorded.items():
            if path not in silent and made.get(path) != said:
                told = f"the {form.value} of the folder is not the recorded one"
                wrong.append(Fault(kind=FaultKind.DIRECTORY_HASH, path=path, message=told))
    return tuple(wrong)


def next_generation(
    history: History | None, wanted: Generation
) -> tuple[Generation, tuple[str, ...]]:
    """The generation that continues a history.

    Args:
        history: what was recorded so far; None for a first generation.
        wanted: the files as they were computed now; their actions and the number are set here.

    Returns:
        The generation to write, and the paths that can't be compared: they have no record in it.
    """
    if history is None:
        first = tuple(replace(file, action=Action.ORIGINAL) for file in wanted.files)
        return replace(wanted, number=1, files=first), ()
    files: list[ManifestFile] = []
    left: list[str] = []
    actions = {
        Finding.VERIFIED: Action.VERIFIED,
        Finding.FAILED: Action.FAILED,
        Finding.UNKNOWN: Action.ORIGINAL,
    }
    for file in wanted.files:
        digests = dict(file.hashes) if file.blake3 is None else {**file.hashes, BLAKE3: file.blake3}
        found = compare(history, file.path, Computed(size=file.size or 0, digests=digests))
        if found in actions:
            files.append(replace(file, action=actions[found]))
        else:
            left.append(file.path)
    recorded = {file.path for file in files}
    known = {*history.reference, *history.failed, *left}
    return (
        replace(
            wanted,
            number=len(history.chain) + 1,
            files=tuple(files),
            ignore=tuple(dict.fromkeys((*history.ignore, *wanted.ignore))),
            not_hashed=tuple(sorted({*wanted.not_hashed, *(known - recorded)})),
        ),
        tuple(left),
    )

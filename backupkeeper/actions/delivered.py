"""A delivered folder and what its own manifests say of it: an ASC MHL history, a bag, or both.

Promises:
1. Only what the walk found is opened: no link is followed, nothing outside of the folder is read, and
   nothing is fetched.
2. A file counts as right only where every hash that its manifests give of it is the computed one, and
   there is at least one.
"""

import errno
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.reading import read_small
from backupkeeper.core.delivering import Flaw, Flawed
from backupkeeper.core.errors import DeviceError, UsageError
from backupkeeper.core.model import CardEntry, CardListing, Content
from backupkeeper.manifests.bagit import DECLARATION, PAYLOAD
from backupkeeper.manifests.bagit_read import TAG_LIMIT_BYTES, Bag, read_bag
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import FOLDER, History
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.manifests.mhl_verify import Computed, Finding, compare, verify_history
from backupkeeper.ports.files import EntryKind
from backupkeeper.transfer.hashing import BAG_DIGESTS, FURTHER_DIGESTS

_NOTHING = Computed(size=0, digests={})


@dataclass(frozen=True, kw_only=True)
class Delivered:
    """What was found. ``entries`` are the files to take, in order; ``listed`` those that must be right."""

    root: str
    entries: tuple[CardEntry, ...]
    history: History | None
    bag: Bag | None
    listed: frozenset[str]
    flaws: tuple[Flawed, ...]
    warnings: tuple[str, ...]
    _scopes: Mapping[str, History] = field(default_factory=dict)

    @property
    def forms(self) -> tuple[str, ...]:
        """By what it is checked."""
        found = ((self.history, "ASC MHL"), (self.bag, "BagIt"))
        return tuple(name for one, name in found if one is not None)

    @property
    def digests(self) -> frozenset[str]:
        """The digests that are needed to check it."""
        kinds = {
            kind
            for scope in self._scopes.values()
            for said in scope.reference.values()
            for kind in said
        }
        of_bag = self.bag.kinds if self.bag is not None else frozenset()
        return frozenset(kinds & FURTHER_DIGESTS) | (of_bag & BAG_DIGESTS)

    def flaw_of(self, path: str, content: Content) -> Flawed | None:
        """What is wrong with a file whose bytes were read; None where it is as listed, or not listed."""
        if path not in self.listed:
            return None
        said = self.bag.said.get(path, {}) if self.bag is not None else {}
        if any(content.digests.get(kind) != digest for kind, digest in said.items()):
            return Flawed(path=path, flaw=Flaw.DIFFERS)
        found = self._compared(path, content)
        if found is Finding.FAILED:
            return Flawed(path=path, flaw=Flaw.DIFFERS)
        if found is Finding.VERIFIED or said:
            return None
        return Flawed(path=path, flaw=Flaw.UNCHECKED)

    def _compared(self, path: str, content: Content) -> Finding | None:
        scope = _scope_of(path, self._scopes)
        if scope is None:
            return None
        inner = path.removeprefix(f"{scope}/") if scope else path
        digests = {"xxh128": content.xxh128, "blake3": content.blake3, **content.digests}
        computed = Computed(size=content.size, digests=digests)
        return compare(self._scopes[scope], inner, computed)


def _scope_of(path: str, scopes: Mapping[str, History]) -> str | None:
    """The nearest folder above a path that has a history."""
    folder = path
    while folder:
        folder = folder.rpartition("/")[0]
        if folder in scopes:
            return folder
    return None


def look_at(context: Context, listing: CardListing) -> Delivered:
    """Read the manifests of what was delivered, and hold its listing against them; no file is hashed.

    Raises:
        UsageError: it has neither a history nor a bag's declaration.
        ManifestError: what should be a bag is none.
        DriveGoneError, ReadError: it can't be read.
    """
    litter = _litter(context, listing)
    there = {entry.path: entry for entry in (*listing.files, *litter)}
    below = _Below(context, listing.root, there)
    history = read_history(
        below.names(FOLDER), lambda name: below.read(f"{FOLDER}/{name}"), below=below
    )
    bag = None
    if DECLARATION in there:
        sizes = {path: entry.size for path, entry in there.items()}
        bag = read_bag(sizes, lambda path: below.read(path, TAG_LIMIT_BYTES))
    if history is None and bag is None:
        raise UsageError(
            f"{listing.root} has neither an ASC MHL history ({FOLDER}) nor a bag's {DECLARATION}.",
            advice=_advice(there),
        )
    listed, flaws, warnings = _held_against(history, bag, there, {entry.path for entry in litter})
    flaws += [Flawed(path=path, flaw=Flaw.SPECIAL, why=why) for path, why in listing.specials]
    flaws += [Flawed(path=path, flaw=Flaw.UNREADABLE, why=why) for path, why in listing.unreadable]
    if not any(history is not None or path.startswith(f"{PAYLOAD}/") for path in listed):
        flaws.append(Flawed(path=".", flaw=Flaw.MANIFEST, why="They list no file."))
    wanted = {entry.path for entry in listing.files} | listed
    return Delivered(
        root=listing.root,
        entries=tuple(entry for path, entry in there.items() if path in wanted),
        history=history,
        bag=bag,
        listed=frozenset(listed & there.keys()),
        flaws=tuple(flaws),
        warnings=tuple(warnings),
        _scopes=_scopes(history),
    )


def _advice(there: Iterable[str]) -> str:
    marks = {f"/{FOLDER}/", f"/{DECLARATION}"}
    found = sorted({path.partition(mark)[0] for path in there for mark in marks if mark in path})
    if found:
        return "Name one of the folders below it that has: " + "; ".join(found[:10])
    return "What has no manifests is taken in with: backupkeeper offload"


def _litter(context: Context, listing: CardListing) -> list[CardEntry]:
    """Plain files that a walk leaves out: a manifest may list them all the same."""
    found = []
    for path, _ in listing.left_out:
        try:
            stat = context.files.stat(f"{listing.root}/{path}")
        except OSError:
            continue
        if stat.kind is EntryKind.FILE:
            found.append(CardEntry(path=path, size=stat.size, mtime_ns=stat.mtime_ns))
    return found


class _Below:
    """What was delivered, for whoever reads manifests: only what the walk found is opened."""

    def __init__(self, context: Context, root: str, there: Mapping[str, CardEntry]) -> None:
        self._context, self._root, self._there = context, root, there
        self._names: dict[str, list[str]] = {}
        for path in there:
            folder, _, name = path.rpartition("/")
            self._names.setdefault(folder, []).append(name)

    def names(self, folder: str) -> list[str]:
        """Names of files in a folder."""
        return self._names.get(folder, [])

    def read(self, path: str, limit: int = MANIFEST_LIMIT_BYTES) -> bytes:
        """The bytes of a file that the walk found."""
        if path not in self._there:
            raise DeviceError(path, errno.ENOENT)
        return read_small(self._context.files, f"{self._root}/{path}", limit)


def _scopes(history: History | None, folder: str = "") -> dict[str, History]:
    """Every history by its folder, nested ones too."""
    if history is None:
        return {}
    found = {folder: history}
    for inner, nested in history.nested.items():
        found |= _scopes(nested, f"{folder}/{inner}" if folder else inner)
    return found


def _held_against(
    history: History | None, bag: Bag | None, there: Mapping[str, CardEntry], litter: set[str]
) -> tuple[set[str], list[Flawed], list[str]]:
    """What is listed, what is wrong with it before a byte of it was read, and what is to be known."""
    listed: set[str] = set()
    flaws: list[Flawed] = []
    warnings: list[str] = []
    if history is not None:
        listed |= set(verify_history(history, {}))
        found = verify_history(history, dict.fromkeys(there, _NOTHING))
        extra = [path for path, one in found.items() if one is Finding.UNKNOWN]
        flaws += [
            Flawed(path=f"{FOLDER}/{fault.path}", flaw=Flaw.MANIFEST, why=fault.message)
            for fault in history.faults
        ]
        flaws += _missing_and_extra(listed - there.keys(), extra, litter)
    if bag is not None:
        listed |= bag.said.keys()
        warnings += bag.warnings
        flaws += [
            Flawed(path=fault.path, flaw=Flaw.MANIFEST, why=fault.message) for fault in bag.faults
        ]
        flaws += _missing_and_extra(bag.missing, bag.extra, litter)
    return listed, list(dict.fromkeys(flaws)), warnings


def _missing_and_extra(
    missing: Iterable[str], extra: Iterable[str], litter: set[str]
) -> list[Flawed]:
    return [
        *(Flawed(path=path, flaw=Flaw.MISSING) for path in sorted(missing)),
        *(Flawed(path=path, flaw=Flaw.EXTRA) for path in sorted(extra) if path not in litter),
    ]

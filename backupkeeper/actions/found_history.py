"""A manifest history that lies in a folder before it is taken in: what it says must be so.

It may be another program's, or ours of a catalog that was lost. Only file hashes count, never a
directory's.
"""

import errno
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from backupkeeper.actions.context import Context
from backupkeeper.actions.online import OWN_FOLDER, OnlineDrive
from backupkeeper.actions.reading import read_small
from backupkeeper.cards.leaveout import folder_litter
from backupkeeper.core.errors import ManifestError
from backupkeeper.core.model import Blake3, Content, RollHead
from backupkeeper.core.naming import roll_id
from backupkeeper.manifests.formats import BLAKE3
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import FOLDER, FaultKind
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.ports.files import EntryKind

_FEW = 20
_OF_AN_INTERRUPTION = frozenset({FaultKind.MANIFEST_UNLISTED, FaultKind.CHAIN_MISSING})
"""What a kill of ours leaves; it is not believed, and goes on in ``actions.histories``."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundHistory:
    """What the history says of each file: path below the folder -> digest by format."""

    folder: str
    said: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def formats(self) -> frozenset[str]:
        """Every format that it speaks in."""
        return frozenset(form for digests in self.said.values() for form in digests)

    def agrees(self, path: str, content: Content) -> bool:
        """Whether all that is said of a file is so; what was not computed is not so."""
        ours = {**content.digests, "xxh128": content.xxh128, BLAKE3: content.blake3}
        return all(ours.get(form) == text for form, text in self.said.get(path, {}).items())

    def check(self, path: str, content: Content) -> None:
        """As ``agrees``.

        Raises:
            ManifestError: the file is something else.
        """
        if not self.agrees(path, content):
            raise ManifestError(
                f"{self.folder}/{path} is not what the manifests there say of it; the folder was "
                "left alone.",
                advice="Another copy of this file may be good: compare before anything is deleted.",
            )

    def check_agreed(self, contradicted: Sequence[str]) -> None:
        """Nothing of what was read may be other than it says.

        Raises:
            ManifestError: these files are.
        """
        if contradicted:
            few, rest = contradicted[:_FEW], len(contradicted) - _FEW
            named = ", ".join(f"{self.folder}/{path}" for path in few)
            named += f" and {rest} more" if rest > 0 else ""
            raise ManifestError(
                f"{named}: not what the manifests there say; the folder was left alone.",
                advice="Another copy may be good: compare before anything is deleted.",
            )

    def check_complete(self, here: Iterable[str]) -> None:
        """Every file that it names must be there.

        Raises:
            ManifestError: some are not.
        """
        gone = sorted(self.said.keys() - set(here))
        if gone:
            raise ManifestError(
                f"The manifests in {self.folder} name files that are not there ({len(gone)}, such "
                f"as {gone[0]}); it was left alone.",
                advice="Bring over what is missing, or move the folder away.",
            )


def found_history(context: Context, drive: OnlineDrive, folder: str) -> FoundHistory:
    """The history in a folder, checked against its own chain; an empty one where there is none.

    Raises:
        ManifestError: it can't be believed.
    """
    where = drive.absolute(f"{folder}/{FOLDER}")
    if not drive.stays_on(f"{folder}/{FOLDER}"):
        raise ManifestError(f"{where} leads off the drive, through a link or another mount.")
    try:
        names = [name for name, _ in context.files.list(where)]
    except OSError as error:
        if error.errno == errno.ENOENT:
            return FoundHistory(folder=folder)
        raise ManifestError(f"{where} can't be read ({error.strerror}).") from error
    history = read_history(
        names, lambda name: read_small(context.files, f"{where}/{name}", MANIFEST_LIMIT_BYTES)
    )
    if history is None:
        return FoundHistory(folder=folder)
    for fault in history.faults:
        if fault.kind not in _OF_AN_INTERRUPTION:
            raise ManifestError(
                f"{folder} holds manifests that can't be believed ({fault.message}); it was left "
                "alone."
            )
    said = {path: dict(digests) for path, digests in history.reference.items()}
    for path, text in history.blake3.items():
        said.setdefault(path, {})[BLAKE3] = text
    return FoundHistory(folder=folder, said=said)


BY_MANIFESTS: Final = "its manifests name the very files of a known roll"


def roll_of(context: Context, history: FoundHistory) -> RollHead | None:
    """The known roll of which a history names the very files under their names; None: none.

    No proof of anything: it says what a folder may be called before it is read.
    """
    pairs = [(path, digests.get(BLAKE3, "")) for path, digests in history.said.items()]
    if not pairs or not all(digest for _, digest in pairs):
        return None
    ident = roll_id((path, Blake3(digest)) for path, digest in pairs)
    return next((head for head in context.catalog.rolls() if head.id == ident), None)


def folders_with_history(context: Context, drive: OnlineDrive) -> Iterator[str]:
    """Folders of a drive, wherever they lie, in which manifests do; not what is ours, nor in trash.

    What can't be listed is passed over.
    """
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        try:
            entries = sorted(context.files.list(drive.absolute(folder)), reverse=True)
        except OSError:
            drive.guard()
            continue
        if folder and (FOLDER, EntryKind.FOLDER) in entries:
            yield folder
            continue
        for name, kind in entries:
            path = f"{folder}/{name}" if folder else name
            own = name.startswith(OWN_FOLDER) or folder_litter(path) is not None
            if kind is EntryKind.FOLDER and not own and drive.stays_on(path):
                waiting.append(path)

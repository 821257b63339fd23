"""What checksum lists, and histories of folders above, say of the files of one folder.

Promises:
1. A list that can't be believed is told and says nothing; no other is less believed for it.
2. A file is compared with everything that is said of it, and one word against it is enough.
3. What a list names outside of the folder, or what is not there, is never looked for elsewhere.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from backupkeeper.actions.context import Context
from backupkeeper.actions.found_history import found_history
from backupkeeper.actions.online import OnlineDrive
from backupkeeper.actions.reading import read_small
from backupkeeper.core.adopting import OldHashes, OldSource
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError
from backupkeeper.core.model import Content
from backupkeeper.core.outcomes import Trouble
from backupkeeper.manifests.formats import BLAKE3
from backupkeeper.manifests.old_list import OLD_LIST_LIMIT_BYTES, SHA256, read_old_list


@dataclass(kw_only=True)
class OldSaid:
    """Path below the folder -> what is said of it: kind of digest, digest, and where that stands."""

    said: dict[str, list[tuple[str, str, str]]] = field(default_factory=dict)
    troubles: list[Trouble] = field(default_factory=list)

    @property
    def formats(self) -> frozenset[str]:
        """Every kind of digest that is spoken of."""
        return frozenset(kind for words in self.said.values() for kind, _, _ in words)

    def against(self, path: str, content: Content, sha256: str) -> str:
        """What speaks against a file that was read, in a sentence; empty: nothing does.

        A digest that was not computed speaks against it: it has to be read for that.
        """
        ours = {**content.digests, "xxh128": content.xxh128, BLAKE3: content.blake3}
        ours |= {SHA256: sha256} if sha256 else {}
        for kind, digest, where in self.said.get(path, ()):
            if ours.get(kind) != digest:
                return (
                    f"It is not what {where} says of it ({kind}), so it was not taken in. Another copy "
                    "may be right: compare before anything is deleted."
                )
        return ""

    def not_there(self, here: Iterable[str]) -> tuple[str, ...]:
        """Files that are named and are not there."""
        return tuple(sorted(self.said.keys() - set(here)))


def old_said(
    context: Context, drive: OnlineDrive, folder: str, sources: Iterable[OldSource]
) -> OldSaid:
    """What all of these say of a folder's files; its own history, which ``adopt`` heeds itself, not.

    Raises:
        OutOfReachError: the drive went.
    """
    found = OldSaid()
    for source in sources:
        if source.kind is OldHashes.HISTORY and source.scope == folder:
            continue
        try:
            for path, kind, digest in _read(context, drive, source):
                below = _below(folder, source.scope, path)
                if below is not None:
                    found.said.setdefault(below, []).append((kind, digest, source.path))
        except OutOfReachError:
            raise
        except BackupkeeperError as error:
            drive.guard()
            trouble = Trouble(place=drive.place.name, path=source.path, message=str(error))
            found.troubles.append(trouble)
    return found


def _read(
    context: Context, drive: OnlineDrive, source: OldSource
) -> Iterator[tuple[str, str, str]]:
    """(path below its scope, kind, digest)."""
    if source.kind is OldHashes.HISTORY:
        for path, digests in found_history(context, drive, source.scope).said.items():
            for kind, digest in digests.items():
                yield path, kind, digest
        return
    data = read_small(context.files, drive.absolute(source.path), OLD_LIST_LIMIT_BYTES)
    for path, (kind, digest) in read_old_list(data, source.path.rpartition("/")[2]).said.items():
        yield path, kind, digest


def _below(folder: str, scope: str, path: str) -> str | None:
    """A path below a scope as one below the folder; None where it is outside."""
    whole = f"{scope}/{path}" if scope else path
    return whole.removeprefix(f"{folder}/") if whole.startswith(f"{folder}/") else None

"""A bag (RFC 8493) made of what a restore brings into its payload folder.

Promises:
1. Digests are of bytes that were read back from the medium, and known to be right, in this run.
2. ``bagit.txt`` is written last, and only where the payload is exactly what the manifests name.
3. No folder is used that holds anything but an unfinished bag of ours.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from backupkeeper.actions.context import Context
from backupkeeper.actions.reading import read_small
from backupkeeper.actions.restore_files import RestoreRun
from backupkeeper.actions.restore_history import bring_history
from backupkeeper.actions.restore_plan import RollTasks
from backupkeeper.actions.restore_target import find_target
from backupkeeper.core.errors import BackupkeeperError, OutOfReachError, UsageError
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.model import RollHead
from backupkeeper.core.restoring import Asked
from backupkeeper.manifests.bagit import DECLARATION, INFO, MANIFEST_NAME, PAYLOAD
from backupkeeper.manifests.bagit_write import declaration, info, manifest
from backupkeeper.manifests.mhl_model import FOLDER
from backupkeeper.manifests.mhl_read import MANIFEST_LIMIT_BYTES
from backupkeeper.ports.files import EntryKind
from backupkeeper.transfer.durable import is_temp_name, write_small
from backupkeeper.transfer.hashing import Hasher

_DATE = b"\nBagging-Date: "


def bag_folder(context: Context, asked: Asked, heads: Sequence[RollHead]) -> tuple[str, str]:
    """The bag's own folder below the one that was named, and its payload folder, both absolute.

    Raises:
        UsageError: something else stands there.
    """
    limits = find_target(context, asked.to).limits
    wanted = _called(asked.what, heads).replace("/", " ")
    name = fit_names([wanted], limits)[wanted]
    bag = f"{asked.to.rstrip('/')}/{name}"
    try:
        found = [entry for entry, _ in context.files.list(bag)]
    except FileNotFoundError:
        found = []
    except OSError as error:
        raise UsageError(f"{bag} can't be looked at ({error.strerror}).") from error
    if DECLARATION in found:
        raise UsageError(
            f"{bag} is a bag already; nothing is put into it.", advice="Name another folder."
        )
    other = [one for one in found if not _is_ours(one)]
    if other:
        raise UsageError(
            f"{bag} holds something else ({other[0]}), and a bag has a folder of its own.",
            advice="Name another folder.",
        )
    return bag, f"{bag}/{PAYLOAD}"


def _is_ours(name: str) -> bool:
    """Whether an interrupted run may have left it."""
    return name in {PAYLOAD, INFO} or bool(MANIFEST_NAME.fullmatch(name)) or is_temp_name(name)


def _called(what: str | None, heads: Sequence[RollHead]) -> str:
    """The shoot's name; of a single roll that was named its own."""
    shoots = {head.shoot for head in heads}
    if len(heads) == 1 and what not in shoots:
        return f"{heads[0].shoot} {heads[0].source} {heads[0].name}"
    return shoots.pop() if len(shoots) == 1 else "Originals"


class Bagging:
    """What a restore into a payload folder is made into."""

    def __init__(self, heads: Sequence[RollHead], digests: tuple[str, ...]) -> None:
        self.further = digests
        self.closed = False
        self._heads = heads
        self._rolls = 0

    def roll_came(self, run: RestoreRun, roll: RollTasks) -> None:
        """Its manifests go along, in the payload."""
        if not run.has_all(roll):
            return
        told = bring_history(run.context, run.around, roll, is_whole=True)
        run.notes += told.notes
        if told.brought:
            run.histories.append(roll.folder)
            self._rolls += 1

    def all_came(self, run: RestoreRun) -> None:
        """Close the bag, where all of it is there."""
        try:
            if self._rolls == len(self._heads) and not run.not_there:
                self._close(run)
                self.closed = True
                return
            why = "not all of it is there"
        except OutOfReachError:
            raise
        except BackupkeeperError as error:
            why = str(error)
        run.notes.append(f"The bag was not closed, and is none yet: {why.rstrip('.')}.")

    def _close(self, run: RestoreRun) -> None:
        context, target = run.context, run.around.target
        base = target.root.removesuffix(f"/{PAYLOAD}")
        sums = {f"{PAYLOAD}/{path}": dict(digests) for path, digests in run.digests.items()}
        for folder in run.histories:
            for path, _ in _files(context, target.root, f"{folder}/{FOLDER}"):
                data = read_small(context.files, target.absolute(path), MANIFEST_LIMIT_BYTES)
                sums[f"{PAYLOAD}/{path}"] = self._digests(data)
        size = 0
        for path, count in _files(context, target.root, ""):
            if f"{PAYLOAD}/{path}" not in sums:
                raise UsageError(f"{path} stands there too, and is no part of it.")
            size += count
        tags = {
            f"manifest-{kind}.txt": manifest({path: one[kind] for path, one in sums.items()})
            for kind in self.further
        }
        made = self._info(context, context.clock.now(), size, len(sums))
        tags[INFO] = _as_it_stands(context, f"{base}/{INFO}", made)
        closing = {**tags, DECLARATION: declaration()}
        of_tags = {name: self._digests(data) for name, data in closing.items()}
        for kind in self.further:
            listed = {name: one[kind] for name, one in of_tags.items()}
            tags[f"tagmanifest-{kind}.txt"] = manifest(listed)
        for name, data in (*tags.items(), (DECLARATION, declaration())):
            write_small(context.files, f"{base}/{name}", data, target.guard)

    def _digests(self, data: bytes) -> dict[str, str]:
        hasher = Hasher(self.further)
        hasher.update(data)
        return dict(hasher.content().digests)

    def _info(self, context: Context, now: datetime, size: int, files: int) -> bytes:
        rolls = ", ".join(f"{head.source} {head.name}" for head in self._heads)
        shoots = dict.fromkeys(head.shoot for head in self._heads)
        return info(
            [
                ("Contact-Name", context.config.manifest.author),
                ("External-Description", f"Originals of {', '.join(shoots)}: {rolls}"),
                *(("External-Identifier", head.id) for head in self._heads),
                ("Internal-Sender-Identifier", ", ".join(shoots)),
                ("Internal-Sender-Description", context.config.manifest.comment),
                ("Bag-Software-Agent", f"backupkeeper {context.version}"),
                ("Bagging-Date", f"{now:%Y-%m-%d}"),
                ("Bag-Size", f"{size} bytes"),
                ("Payload-Oxum", f"{size}.{files}"),
            ]
        )


def _as_it_stands(context: Context, path: str, made: bytes) -> bytes:
    """What an interrupted run left under that name, where it differs by its date only."""
    try:
        stands = read_small(context.files, path, len(made) + len(_DATE))
    except BackupkeeperError:
        return made
    head, _, tail = made.partition(_DATE)
    same = stands.startswith(head + _DATE) and stands.endswith(tail[len("2026-06-12") :])
    return stands if same and len(stands) == len(made) else made


def _files(context: Context, root: str, folder: str) -> Iterator[tuple[str, int]]:
    """Path below the root and size of every file at or below a folder.

    Raises:
        UsageError: something is no plain file.
    """
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        for name, kind in context.files.list(f"{root}/{here}" if here else root):
            path = f"{here}/{name}" if here else name
            if kind is EntryKind.FOLDER:
                waiting.append(path)
            elif kind is EntryKind.FILE:
                yield path, context.files.stat(f"{root}/{path}").size
            else:
                raise UsageError(f"{path} stands there too, and is no plain file.")

"""Histories made up for tests: a roll of the boat yard, its generations, a folder in memory."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from blake3 import blake3

from backupkeeper.core.errors import ReadError
from backupkeeper.manifests.formats import Format, digest_of
from backupkeeper.manifests.mhl_chain import extend_chain
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import (
    CHAIN_NAME,
    Action,
    Generation,
    History,
    ManifestFile,
    Process,
)
from backupkeeper.manifests.mhl_verify import Computed
from backupkeeper.manifests.mhl_write import build_manifest, manifest_name

START = datetime(2026, 6, 12, 17, 45, 1, tzinfo=UTC)
ROLL = {
    "DCIM/100WIDE/W0001.MOV": b"the hull on its stocks",
    "DCIM/100WIDE/W0002.MOV": b"planks in steam",
    "DCIM/INDEX.XML": b"<index/>",
}


def made_file(
    path: str,
    data: bytes = b"",
    *,
    action: Action = Action.ORIGINAL,
    formats: Iterable[Format] = (Format.XXH128,),
    **more: Any,
) -> ManifestFile:
    """A record of a file with these bytes."""
    record = ManifestFile(
        path=path,
        size=len(data),
        mtime_ns=1_781_200_000_123_456_789,
        hashes={form.value: digest_of(form, [data]) for form in formats},
        action=action,
        blake3=blake3(data).hexdigest(),
    )
    return replace(record, **more)


def made_generation(
    files: Mapping[str, bytes] | Iterable[ManifestFile] = (), **more: Any
) -> Generation:
    """A first generation of a roll."""
    if isinstance(files, Mapping):
        files = [made_file(path, data) for path, data in files.items()]
    return replace(
        Generation(
            number=1,
            folder_name="Roll 01",
            started_at=START,
            process=Process.TRANSFER,
            hostname="edit",
            tool_version="1.0",
            files=tuple(files),
            whole=True,
        ),
        **more,
    )


def computed(files: Mapping[str, bytes]) -> dict[str, Computed]:
    """What a reading of these files gives."""
    return {
        path: Computed(
            size=len(data),
            digests={
                "xxh128": digest_of(Format.XXH128, [data]),
                "blake3": blake3(data).hexdigest(),
            },
        )
        for path, data in files.items()
    }


@dataclass
class Folder:
    """An ``ascmhl`` folder in memory."""

    files: dict[str, bytes] = field(default_factory=dict)

    def add(self, generation: Generation) -> str:
        """Write a generation as the next one; gives its name."""
        data, _ = build_manifest(generation)
        return self.add_bytes(
            manifest_name(generation.number, generation.folder_name, generation.started_at), data
        )

    def add_bytes(self, name: str, data: bytes) -> str:
        """Any bytes as the next manifest, named by the chain."""
        self.files[CHAIN_NAME] = extend_chain(self.files.get(CHAIN_NAME), name, data)
        self.files[name] = data
        return name

    def read(self, name: str) -> bytes:
        """The bytes under a name."""
        try:
            return self.files[name]
        except KeyError:
            raise ReadError(name, 2) from None

    def history(self) -> History:
        """The history in it."""
        history = read_history(self.files, self.read)
        assert history is not None
        return history


@dataclass
class Tree:
    """A scope in memory, with histories below it."""

    files: dict[str, bytes]

    def names(self, folder: str) -> list[str]:
        """Names in a folder."""
        head = f"{folder}/"
        return [p[len(head) :] for p in self.files if p.startswith(head)]

    def read(self, path: str) -> bytes:
        """The bytes of a file."""
        return Folder(self.files).read(path)

    def history(self) -> History:
        """The history of the whole."""
        history = read_history(
            self.names("ascmhl"), lambda name: self.read(f"ascmhl/{name}"), below=self
        )
        assert history is not None
        return history

"""Directory hashes of ASC MHL (§6.5.2, Appendix G; STANDARDS section 1.8).

Promises:
1. Pure: from the digests of files to the two values of every folder, one format at a time.
2. What the standard leaves open is read so: a name is its UTF-8 bytes as recorded, a hash its raw
   digest, an empty folder the hash of zero bytes. No published vector settles it.

    found = directory_hashes({"Clips/A.mov": "0ea0…"}, ["Clips", "Empty"], Format.XXH64)
    found[""].content        # the root hash
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from backupkeeper.manifests.formats import Format, digest_of, raw
from backupkeeper.manifests.names import folders_above, path_bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class DirectoryHash:
    """Canonical texts of one format: ``content`` ignores names, ``structure`` knows them."""

    content: str
    structure: str


def hash_of_hashes(form: Format, hashes: Iterable[str]) -> str:
    """Digest of the raw bytes of the hashes, in the order of their texts; repeats stay."""
    return digest_of(form, (raw(form, text) for text in sorted(hashes)))


def directory_hashes(
    files: Mapping[str, str],
    folders: Iterable[str],
    form: Format,
    nested: Mapping[str, DirectoryHash] | None = None,
) -> dict[str, DirectoryHash]:
    """Both hashes of every folder, the scope itself under ``""``.

    Args:
        files: canonical digest of every file by its path.
        folders: folders that may hold no file; those above files are found by themselves.
        form: the format of the digests.
        nested: root hashes of nested histories by folder; they stand for what is below them.

    Raises:
        UsageError: a path that no file system gave.
    """
    given = nested or {}
    every = {""}
    for path in (*files, *given):
        every.update(folders_above(path))
    for folder in folders:
        every.update((folder, *folders_above(folder)))
    contents: dict[str, list[str]] = defaultdict(list)
    structures: dict[str, list[str]] = defaultdict(list)

    def hand_up(path: str, content: str, structure: str) -> None:
        parent, _, name = path.rpartition("/")
        contents[parent].append(content)
        named = digest_of(form, (path_bytes(name), raw(form, structure)))
        structures[parent].append(named)

    for path, text in files.items():
        hand_up(path, text, text)
    found: dict[str, DirectoryHash] = {}
    # Deepest first, so that a folder's own values are there when its parent asks.
    for folder in sorted(every | given.keys(), key=lambda path: -path.count("/") if path else 1):
        value = given.get(folder) or DirectoryHash(
            content=hash_of_hashes(form, contents[folder]),
            structure=hash_of_hashes(form, structures[folder]),
        )
        found[folder] = value
        if folder:
            hand_up(folder, value.content, value.structure)
    return found

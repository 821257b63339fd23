"""Writes one ASC MHL generation (STANDARDS section 1).

Promises:
1. Pure: values in, bytes out. What is written is valid against the published schema, in the order
   of its Appendix A, and holds at least one hash entry wherever XML can name one.
2. Every file of the generation stands in it. A path that XML can't carry, that readers must refuse
   (``names.unsafe_path``) or that the standard's own defaults ignore is not altered: it stands
   percent-encoded under our own ``metadata``, with size and hashes, and is handed back.
3. Directory hashes stand only where every file below was hashed in this operation and matched, in
   that format (STANDARDS section 1.8).
4. No ignore pattern that matches a record is written.

    data, apart = build_manifest(generation)
    chain = extend_chain(old_chain, manifest_name(1, "Roll 01", started_at), data)

Making it durable (manifest first, then chain) is the caller's.
"""

import io
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Final

from backupkeeper.core.errors import UsageError
from backupkeeper.manifests import ignoring
from backupkeeper.manifests.directory_hashes import DirectoryHash, directory_hashes
from backupkeeper.manifests.formats import BLAKE3, BLAKE3_DIGITS, Format, canonical, hex_digest
from backupkeeper.manifests.mhl_model import (
    MANIFEST_NS,
    OUR_NS,
    TOOL,
    Action,
    Generation,
    ManifestFile,
    Reference,
)
from backupkeeper.manifests.names import (
    fits_xml,
    folders_above,
    impossible_path,
    made_fit,
    percent,
    unsafe_path,
)
from backupkeeper.manifests.xml_text import attribute, element, instant, instant_ns

LONGEST_NAME_BYTES: Final = 255
"""What one name may have on the file systems we know."""


def manifest_name(number: int, folder_name: str, started_at: datetime) -> str:
    """``0001_Roll 01_2026-06-12_174501Z.mhl``: number, folder, start of the operation in UTC.

    A folder name that XML can't carry is percent-encoded (the chain has to name the file), one
    that would make the name too long for a file system is cut.
    """
    head = f"{number:04d}_"
    tail = started_at.astimezone(UTC).strftime("_%Y-%m-%d_%H%M%SZ.mhl")
    folder = folder_name if fits_xml(folder_name) else percent(folder_name)
    room = LONGEST_NAME_BYTES - len(head) - len(tail)
    folder = folder.encode()[:room].decode(errors="ignore")
    return head + folder + tail


def build_manifest(generation: Generation) -> tuple[bytes, tuple[str, ...]]:
    """The manifest of one generation, and the paths that could not stand among its hashes.

    Raises:
        UsageError: nothing to record, a path recorded twice or impossible, a file without a hash,
            a text that is no digest of its format.
    """
    _check(generation)
    plan = _Plan(generation)
    out = io.BytesIO()
    for piece in _pieces(plan):
        out.write(piece.encode())
    return out.getvalue(), plan.apart


def _check(generation: Generation) -> None:
    if not generation.files and not generation.folders and not generation.references:
        raise UsageError("A manifest has to record at least one file or folder.")
    seen: set[str] = set()
    for path in (*(file.path for file in generation.files), *generation.folders):
        if (why := impossible_path(path)) is not None:
            raise UsageError(f"{path!r} can't be recorded in a manifest: {why}.")
        if path in seen:
            raise UsageError(f"{path!r} would be recorded twice in a manifest.")
        seen.add(path)
    for file in generation.files:
        _check_hashes(file)


def _check_hashes(file: ManifestFile) -> None:
    if not file.hashes:
        raise UsageError(f"{file.path!r} has no hash to record in a manifest.")
    for name, text in file.hashes.items():
        if name not in list(Format) or canonical(Format(name), text) != text:
            raise UsageError(f"{file.path!r} has a hash that can't be recorded ({name}).")
    if file.blake3 is not None and hex_digest(file.blake3, BLAKE3_DIGITS) != file.blake3:
        raise UsageError(f"{file.path!r} has a hash that can't be recorded ({BLAKE3}).")


def stands_apart(path: str) -> bool:
    """Whether a path can't stand among the hashes of a manifest."""
    return not fits_xml(path) or unsafe_path(path) is not None or ignoring.is_default_ignored(path)


class _Plan:
    """What goes where, before the first byte is written."""

    def __init__(self, generation: Generation) -> None:
        self.generation = generation
        files = sorted(generation.files, key=lambda file: file.path)
        self.files = [file for file in files if not stands_apart(file.path)]
        self.files_apart = [file for file in files if stands_apart(file.path)]
        folders = set(generation.folders)
        for file in files:
            folders.update(folders_above(file.path))
        folders.discard("")
        self.folders = sorted(path for path in folders if not stands_apart(path))
        self.folders_apart = sorted(path for path in generation.folders if stands_apart(path))
        self.apart = tuple(sorted({*(f.path for f in self.files_apart), *self.folders_apart}))
        self.ignore = ignoring.fitting(
            generation.ignore,
            (file.path for file in self.files),
            self.folders,
        )
        self.directories: dict[str, dict[Format, DirectoryHash]] = {}
        if generation.whole:
            self._hash_directories()

    def _hash_directories(self) -> None:
        blocked = {
            *self.generation.not_hashed,
            *(path for path in self.apart if not ignoring.is_default_ignored(path)),
            *(f.path for f in self.files if f.action is Action.FAILED),
        }
        used = {name for file in self.files for name in file.hashes} or {Format.XXH128}
        for form in Format:
            if form not in used:
                continue
            texts = {f.path: f.hashes[form] for f in self.files if form in f.hashes}
            lacking = {file.path for file in self.files if file.path not in texts}
            silent = {folder for path in blocked | lacking for folder in folders_above(path)}
            for path, found in directory_hashes(texts, self.folders, form).items():
                if path not in silent:
                    self.directories.setdefault(path, {})[form] = found


def _pieces(plan: _Plan) -> Iterator[str]:
    generation = plan.generation
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield f'<hashlist version="2.0" xmlns="{MANIFEST_NS}">\n'
    yield from _creator(generation)
    yield "  <processinfo>\n"
    yield f"    {element('process', generation.process.value)}\n"
    if "" in plan.directories:
        yield "    <roothash>\n"
        yield from _both(plan.directories[""])
        yield "    </roothash>\n"
    yield "    <ignore>\n"
    for line in plan.ignore:
        yield f"      {element('pattern', line)}\n"
    yield "    </ignore>\n  </processinfo>\n"
    yield from _hashes(plan)
    if plan.apart:
        yield from _apart(plan)
    yield from _references(generation.references)
    yield "</hashlist>\n"


def _creator(generation: Generation) -> Iterator[str]:
    yield "  <creatorinfo>\n"
    yield f"    {element('creationdate', instant(generation.started_at))}\n"
    yield f"    {element('hostname', made_fit(generation.hostname))}\n"
    version = attribute("version", made_fit(generation.tool_version))
    yield f"    {element('tool', TOOL, version)}\n"
    for name, text in (
        ("author", generation.author),
        ("location", generation.location),
        ("comment", generation.comment),
    ):
        if text:
            yield f"    {element(name, made_fit(text))}\n"
    yield "  </creatorinfo>\n"


def _hashes(plan: _Plan) -> Iterator[str]:
    folders = [path for path in plan.folders if path in plan.directories]
    if not plan.files and not folders:
        return
    yield "  <hashes>\n"
    for file in plan.files:
        yield _file(file)
    for path in folders:
        yield f"    <directoryhash>\n      {element('path', path)}\n"
        yield from _both(plan.directories[path])
        yield "    </directoryhash>\n"
    yield "  </hashes>\n"


def _both(hashes: dict[Format, DirectoryHash]) -> Iterator[str]:
    """``content`` and ``structure`` with the same formats."""
    content = "".join(element(form.value, found.content) for form, found in hashes.items())
    structure = "".join(element(form.value, found.structure) for form, found in hashes.items())
    yield f"      <content>{content}</content>\n      <structure>{structure}</structure>\n"


def _file(file: ManifestFile) -> str:
    said = attribute("size", None if file.size is None else str(file.size))
    said += attribute("lastmodificationdate", instant_ns(file.mtime_ns))
    lines = [element("path", file.path, said), *_digests(file)]
    ours = []
    if file.previous_path is not None:
        if fits_xml(file.previous_path) and unsafe_path(file.previous_path) is None:
            lines.append(element("previousPath", file.previous_path))
        else:
            ours.append(_ours("previousPath", percent(file.previous_path)))
    if file.blake3 is not None:
        ours.append(_ours(BLAKE3, file.blake3))
    if ours:
        lines.append(f"<metadata>{''.join(ours)}</metadata>")
    inner = "".join(f"      {line}\n" for line in lines)
    return f"    <hash>\n{inner}    </hash>\n"


def _ours(name: str, text: str) -> str:
    return element(name, text, f' xmlns="{OUR_NS}"')


def _digests(file: ManifestFile) -> list[str]:
    said = attribute("action", file.action.value)
    said += attribute("hashdate", instant(file.hashed_at) if file.hashed_at else None)
    return [element(form.value, file.hashes[form], said) for form in Format if form in file.hashes]


def _apart(plan: _Plan) -> Iterator[str]:
    """What the standard has no way to name: our own element, percent-encoded paths."""
    yield f'  <metadata>\n    <apart xmlns="{OUR_NS}">\n'
    for file in plan.files_apart:
        said = attribute("path", percent(file.path))
        said += attribute("size", None if file.size is None else str(file.size))
        said += attribute("lastmodificationdate", instant_ns(file.mtime_ns))
        if file.previous_path is not None:
            said += attribute("previousPath", percent(file.previous_path))
        digests = _digests(file)
        if file.blake3 is not None:
            digests.append(element(BLAKE3, file.blake3))
        yield f"      <file{said}>{''.join(digests)}</file>\n"
    for path in plan.folders_apart:
        yield f"      <folder{attribute('path', percent(path))}/>\n"
    yield "    </apart>\n  </metadata>\n"


def _references(references: Iterable[Reference]) -> Iterator[str]:
    listed = list(references)
    if not listed:
        return
    yield "  <references>\n"
    for one in listed:
        yield (
            f"    <hashlistreference>{element('path', one.path)}{element('c4', one.c4)}"
            "</hashlistreference>\n"
        )
    yield "  </references>\n"

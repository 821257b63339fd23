"""Reads one ASC MHL manifest that may have been made to hurt (promise 8, STANDARDS section 1).

Promises:
1. Only ``ManifestError`` leaves, and only where nothing can be read: no XML, another root element,
   another version, beyond the limits. Everything else that is wrong is a ``Fault``; the record it
   concerns is left out if it can't be believed (unsafe path, path recorded twice, no usable hash).
2. Any namespace prefix, either order of ``metadata`` and ``hashes``, missing ``hashes``, hex in
   either case, a slash after the name of a folder are accepted. Paths keep all their white space.
3. No path that is handed on leads out of the scope.

    manifest = read_manifest(data)
    manifest.files[0].hashes, manifest.faults
"""

import re
from collections import Counter
from typing import Final

from backupkeeper.core.errors import ManifestError
from backupkeeper.manifests import ignoring
from backupkeeper.manifests.directory_hashes import DirectoryHash
from backupkeeper.manifests.formats import BLAKE3, BLAKE3_DIGITS, Format, canonical, hex_digest
from backupkeeper.manifests.hostile_xml import LIMITS, Limits, Node, read_records
from backupkeeper.manifests.mhl_model import (
    MANIFEST_NS,
    OUR_NS,
    Action,
    Author,
    Creator,
    Fault,
    FaultKind,
    Manifest,
    ManifestFolder,
    ManifestHash,
    Process,
    ReadFile,
    Reference,
)
from backupkeeper.manifests.names import LONGEST_PATH_BYTES, impossible_path, unpercent, unsafe_path
from backupkeeper.manifests.xml_text import read_instant, read_instant_ns

VERSION: Final = "2.0"
MANIFEST_LIMIT_BYTES: Final = LIMITS.size_bytes
"""What a caller need not read beyond: no larger manifest is believed."""
_SIZE: Final = re.compile(r"\s*\+?([0-9]{1,19})\s*", re.ASCII)
_FORMATS: Final = {f"{{{MANIFEST_NS}}}{form.value}": form for form in Format}


def _mhl(name: str) -> str:
    return f"{{{MANIFEST_NS}}}{name}"


def _own(name: str) -> str:
    return f"{{{OUR_NS}}}{name}"


_BESIDE_HASHES: Final = frozenset(map(_mhl, ("path", "previousPath", "metadata")))
_ROOT: Final = _mhl("hashlist")
_LISTS: Final = frozenset(map(_mhl, ("hashes", "references")))


def read_manifest(data: bytes, *, limits: Limits = LIMITS) -> Manifest:
    """The manifest in these bytes, with every fault found in it.

    Raises:
        ManifestError: nothing in it can be read.
    """
    reading = _Reading(limits)
    read_records(
        data,
        root=_ROOT,
        lists=_LISTS,
        begin=reading.begin,
        take=reading.take,
        limits=limits,
    )
    return reading.manifest()


class _Reading:
    """What has been read so far."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._faults: list[Fault] = []
        self._files: list[ReadFile] = []
        self._folders: list[ManifestFolder] = []
        self._references: list[Reference] = []
        self._apart: set[str] = set()
        self._creator = Creator(hostname="", tool="")
        self._created_text = ""
        self._process: Process | None = None
        self._root: ManifestFolder | None = None
        self._ignore: tuple[str, ...] = ()
        self._takers = {
            _mhl("creatorinfo"): self._take_creator,
            _mhl("processinfo"): self._take_process,
            _mhl("hash"): self._take_file,
            _mhl("directoryhash"): self._take_folder,
            _mhl("hashlistreference"): self._take_reference,
            _mhl("metadata"): self._take_apart,
        }

    def fault(self, kind: FaultKind, path: str, message: str) -> None:
        if len(self._faults) >= self._limits.faults:
            raise ManifestError("It breaks more rules than can be told.")
        self._faults.append(Fault(kind=kind, path=path[:LONGEST_PATH_BYTES], message=message))

    def begin(self, root: Node) -> None:
        version = root.attributes.get("version", "")
        if version.strip() != VERSION:
            raise ManifestError(f"It is of version {version[:20]!r}, not {VERSION!r}.")

    def take(self, node: Node) -> None:
        taker = self._takers.get(node.tag)
        if taker is not None:
            taker(node)

    def _take_creator(self, node: Node) -> None:
        def said(name: str) -> str | None:
            found = node.child(_mhl(name))
            return None if found is None else found.text

        tool = node.child(_mhl("tool"))
        self._created_text = said("creationdate") or ""
        self._creator = Creator(
            hostname=said("hostname") or "",
            tool=said("tool") or "",
            tool_version=None if tool is None else tool.attributes.get("version"),
            authors=tuple(
                Author(
                    name=author.text,
                    email=author.attributes.get("email"),
                    phone=author.attributes.get("phone"),
                    role=author.attributes.get("role"),
                )
                for author in node.every(_mhl("author"))
            ),
            location=said("location"),
            comment=said("comment"),
        )

    def _take_process(self, node: Node) -> None:
        found = node.child(_mhl("process"))
        text = "" if found is None else found.text.strip()
        if text in list(Process):
            self._process = Process(text)
        else:
            self.fault(FaultKind.BAD_VALUE, "", f"there is no process {text[:40]!r}")
        root = node.child(_mhl("roothash"))
        if root is not None:
            self._root = ManifestFolder(path="", hashes=self._both(root, ""))
        ignore = node.child(_mhl("ignore"))
        if ignore is not None:
            self._ignore = tuple(line.text for line in ignore.every(_mhl("pattern")))
            if len(self._ignore) > 2 * ignoring.MOST_LINES:
                raise ManifestError("It has more ignore patterns than any manifest needs.")

    def _path_of(self, node: Node, kind: str = "path") -> str | None:
        """A path that stays in the scope, or None after telling why not."""
        found = node.child(_mhl(kind))
        path = "" if found is None else found.text
        if node.tag == _mhl("directoryhash") and path != "/":
            path = path.removesuffix("/")
        why = unsafe_path(path)
        if why is not None:
            self.fault(FaultKind.UNSAFE_PATH, path, why)
            return None
        return path

    def _take_file(self, node: Node) -> None:
        path = self._path_of(node)
        told = node.child(_mhl("path"))
        if path is None or told is None:
            return
        hashes = self._hashes(node, path)
        previous = (
            None
            if node.child(_mhl("previousPath")) is None
            else self._path_of(node, "previousPath")
        )
        ours = node.child(_mhl("metadata")) or Node("", {})
        renamed = ours.child(_own("previousPath"))
        if renamed is not None:
            previous = self._decoded(renamed.text)
        self._add_file(path, told.attributes, hashes, ours.child(_own(BLAKE3)), previous)

    def _add_file(
        self,
        path: str,
        attributes: dict[str, str],
        hashes: tuple[ManifestHash, ...],
        blake3: Node | None,
        previous: str | None,
    ) -> None:
        if not hashes:
            self.fault(FaultKind.NO_HASH, path, "no hash of a known format stands there")
            return
        strong = None
        if blake3 is not None:
            strong = hex_digest(blake3.text.strip(), BLAKE3_DIGITS)
            if strong is None:
                self.fault(FaultKind.BAD_HASH, path, "it is no BLAKE3 digest")
        self._files.append(
            ReadFile(
                path=path,
                size=self._size(attributes.get("size"), path),
                mtime_ns=read_instant_ns(attributes.get("lastmodificationdate", "")),
                hashes=hashes,
                blake3=strong,
                previous_path=previous,
            )
        )

    def _size(self, text: str | None, path: str) -> int | None:
        if text is None:
            return None
        match = _SIZE.fullmatch(text)
        if match is None:
            self.fault(FaultKind.BAD_VALUE, path, f"{text[:40]!r} is no size")
            return None
        return int(match[1])

    def _hashes(self, node: Node, path: str) -> tuple[ManifestHash, ...]:
        found: dict[Format, ManifestHash] = {}
        for child in node.children:
            if child.tag in _BESIDE_HASHES or child.tag == _own(BLAKE3):
                continue
            form = self._form(child, path)
            text = None if form is None else self._digest(form, child, path)
            if form is None or text is None:
                continue
            if form in found:
                self.fault(FaultKind.BAD_HASH, path, f"it has two hashes called {form.value}")
                continue
            found[form] = ManifestHash(
                format=form,
                text=text,
                action=self._action(child, path),
                hashed_at=read_instant(child.attributes.get("hashdate", "")),
            )
        return tuple(found.values())

    def _form(self, node: Node, path: str) -> Format | None:
        form = _FORMATS.get(node.tag) or _FORMATS.get(node.tag.replace(OUR_NS, MANIFEST_NS))
        if form is None:
            name = node.tag.rpartition("}")[2]
            self.fault(FaultKind.UNKNOWN_FORMAT, path, f"there is no hash format {name[:40]!r}")
        return form

    def _digest(self, form: Format, node: Node, path: str) -> str | None:
        text = canonical(form, node.text)
        if text is None:
            self.fault(FaultKind.BAD_HASH, path, f"it is no {form.value} digest")
        return text

    def _action(self, node: Node, path: str) -> Action | None:
        text = node.attributes.get("action")
        if text is None:
            self.fault(FaultKind.NO_ACTION, path, "it isn't said how this hash came to be")
        elif text.strip() in list(Action):
            return Action(text.strip())
        else:
            self.fault(FaultKind.BAD_VALUE, path, f"there is no action {text[:40]!r}")
        return None

    def _take_folder(self, node: Node) -> None:
        path = self._path_of(node)
        if path is None:
            return
        previous = (
            None
            if node.child(_mhl("previousPath")) is None
            else self._path_of(node, "previousPath")
        )
        self._folders.append(
            ManifestFolder(path=path, hashes=self._both(node, path), previous_path=previous)
        )

    def _both(self, node: Node, path: str) -> dict[Format, DirectoryHash]:
        """Formats of which both values stand there."""
        sides: list[dict[Format, str]] = []
        for name in ("content", "structure"):
            held = node.child(_mhl(name))
            side: dict[Format, str] = {}
            for child in held.children if held is not None else ():
                form = self._form(child, path)
                text = None if form is None else self._digest(form, child, path)
                if form is not None and text is not None:
                    side[form] = text
            sides.append(side)
        contents, structures = sides
        for form in contents.keys() ^ structures.keys():
            self.fault(FaultKind.NO_HASH, path, f"only one of its two {form.value} hashes is there")
        return {
            form: DirectoryHash(content=text, structure=structures[form])
            for form, text in contents.items()
            if form in structures
        }

    def _take_reference(self, node: Node) -> None:
        path = self._path_of(node)
        c4 = node.child(_mhl("c4"))
        text = None if c4 is None else canonical(Format.C4, c4.text)
        if path is None:
            return
        if text is None:
            self.fault(FaultKind.BAD_HASH, path, "the reference has no C4")
            return
        self._references.append(Reference(path=path, c4=text))

    def _decoded(self, text: str | None) -> str | None:
        path = None if text is None else unpercent(text)
        why = "its encoding is broken" if path is None else impossible_path(path)
        if path is None or why is not None:
            self.fault(FaultKind.UNSAFE_PATH, text or "", why or "")
            return None
        return path

    def _take_apart(self, node: Node) -> None:
        """What stands under our own ``metadata``: files that XML can't name."""
        for group in node.every(_own("apart")):
            for file in group.every(_own("file")):
                path = self._decoded(file.attributes.get("path", ""))
                if path is None:
                    continue
                said = file.attributes.get("previousPath")
                previous = None if said is None else self._decoded(said)
                hashes = self._hashes(file, path)
                self._add_file(path, file.attributes, hashes, file.child(_own(BLAKE3)), previous)
                self._apart.add(path)

    def _drop_doubles(self) -> None:
        """Of a path that is recorded twice neither record can be believed."""
        seen = Counter([*(f.path for f in self._files), *(f.path for f in self._folders)])
        doubles = {path for path, times in seen.items() if times > 1}
        for path in sorted(doubles):
            self.fault(FaultKind.DUPLICATE_PATH, path, "it is recorded more than once")
        self._files = [file for file in self._files if file.path not in doubles]
        self._folders = [folder for folder in self._folders if folder.path not in doubles]

    def _check_patterns(self) -> None:
        for line in self._ignore:
            if line.strip() and not ignoring.usable(line):
                self.fault(FaultKind.BAD_PATTERN, "", f"{line[:80]!r} can't be used")
        named = [file.path for file in self._files if file.path not in self._apart]
        lines = tuple(dict.fromkeys((*ignoring.DEFAULTS, *self._ignore)))
        for path in sorted(ignoring.ignored_paths(lines, named)):
            self.fault(FaultKind.IGNORED_RECORD, path, "the manifest's own patterns ignore it")

    def manifest(self) -> Manifest:
        """The whole of it."""
        every = (self._files, self._folders, self._references, self._faults)
        paths = [one.path for kind in every for one in kind]
        if sum(len(path) * path.count("/") for path in paths) > self._limits.ancestry:
            raise ManifestError("Its folders are nested deeper than any manifest needs.")
        self._drop_doubles()
        self._check_patterns()
        return Manifest(
            process=self._process,
            creator=self._creator,
            created_at=read_instant(self._created_text),
            files=tuple(self._files),
            folders=tuple(self._folders),
            root=self._root,
            ignore=self._ignore,
            references=tuple(self._references),
            faults=tuple(self._faults),
            apart=frozenset(self._apart),
        )

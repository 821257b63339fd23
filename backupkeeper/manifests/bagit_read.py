"""Reads a bag of unknown making (RFC 8493): what it says of its files, and where it breaks a rule.

Promises:
1. Only ``ManifestError`` leaves, where it is no bag at all or says nothing that can be checked; every
   other broken rule is a value.
2. No path is handed on that leads out of the bag on any system; nothing named in ``fetch.txt`` is fetched.
3. Rules that versions before 1.0 lacked are warnings there.

    bag = read_bag(sizes_by_path, read)
    wrong = [path for path, said in bag.said.items() if not said.items() <= computed[path].items()]
"""

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from backupkeeper.core.errors import ManifestError
from backupkeeper.manifests.bagit import (
    DECLARATION,
    DIGITS,
    FETCH,
    INFO,
    MANIFEST_NAME,
    PAYLOAD,
    decoded,
)
from backupkeeper.manifests.names import unsafe_path

TAG_LIMIT_BYTES: Final = 1 << 28
"""A manifest of about two million files; no longer tag file is believed."""
_DECLARED: Final = re.compile(
    r"BagIt-Version: ([0-9]{1,3})\.([0-9]{1,3})(?:\r\n|\r|\n)"
    r"Tag-File-Character-Encoding: ([A-Za-z0-9._-]{1,40})(?:\r\n|\r|\n)?"
)
_ENCODINGS: Final = re.compile(
    r"utf-?8|utf-?16(?:le|be)?|us-ascii|iso-8859-(?:[1-9]|1[0-6])|windows-125[0-8]"
)
_LINE: Final = re.compile(r"([0-9a-fA-F]+)[ \t]+(.+)", re.DOTALL)
_FETCHED: Final = re.compile(r"(\S+)[ \t]+([0-9]+|-)[ \t]+(.+)", re.DOTALL)
_OXUM: Final = re.compile(r"([0-9]{1,20})\.([0-9]{1,20})", re.ASCII)
_LINE_OF_TEXT: Final = re.compile(r"[^\r\n]+")
_NEWEST: Final = (1, 0)
MOST_FAULTS: Final = 100_000

Read = Callable[[str], bytes]
"""The bytes of a file of the bag, with a limit, by its path."""


@dataclass(frozen=True, kw_only=True, slots=True)
class BagFault:
    """One broken rule. ``path`` is the file it is about."""

    path: str
    message: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Bag:
    """What a bag says of itself.

    Attributes:
        version: of the rules it was made to.
        said: by path the digests (lower-case hex, by algorithm) of files that are there.
        missing: paths that it lists and that are not there.
        extra: payload files that it does not list.
        info: what ``bag-info.txt`` says, in order.
        faults: broken rules, beside missing and extra files: it is not valid.
        warnings: sentences on what is allowed, and yet not as it should be.
    """

    version: tuple[int, int]
    said: Mapping[str, Mapping[str, str]] = field(hash=False)
    missing: tuple[str, ...]
    extra: tuple[str, ...]
    info: tuple[tuple[str, str], ...]
    faults: tuple[BagFault, ...]
    warnings: tuple[str, ...]

    @property
    def kinds(self) -> frozenset[str]:
        """The algorithms whose digests it gives."""
        return frozenset(kind for said in self.said.values() for kind in said)


def read_bag(sizes: Mapping[str, int], read: Read) -> Bag:
    """Read every tag file that the RFC knows, and hold them against what is there.

    Args:
        sizes: size of every plain file in the bag's base folder, by path.
        read: gives a tag file's bytes.

    Raises:
        ManifestError: no bag, or one that can't be checked; what ``read`` raises goes through.
    """
    return _Reader(sizes, read).bag()


class _Reader:
    def __init__(self, sizes: Mapping[str, int], read: Read) -> None:
        self._sizes, self._read = sizes, read
        self._faults: list[BagFault] = []
        self._warnings: dict[str, None] = {}
        self._version, self._encoding = self._declared()

    def _fault(self, path: str, message: str) -> None:
        if len(self._faults) >= MOST_FAULTS:
            raise ManifestError("The bag breaks more rules than can be told.")
        self._faults.append(BagFault(path=path, message=message))

    def _warn(self, sentence: str) -> None:
        if len(self._warnings) < MOST_FAULTS:
            self._warnings[sentence] = None

    def _declared(self) -> tuple[tuple[int, int], str]:
        if DECLARATION not in self._sizes:
            raise ManifestError(f"It is no bag: {DECLARATION} is not there.")
        text = self._read(DECLARATION).decode("latin-1")
        found = _DECLARED.fullmatch(text)
        if found is None:
            raise ManifestError(f"It is no bag: {DECLARATION} has not the two lines it must have.")
        encoding = found[3].lower()
        if _ENCODINGS.fullmatch(encoding) is None:
            raise ManifestError(f"The bag's tag files are in {encoding}, which is not known here.")
        version = (int(found[1]), int(found[2]))
        if version > _NEWEST:
            told = f"It was made to version {found[1]}.{found[2]} of the rules, which is not known here."
            self._fault(DECLARATION, told)
        return version, encoding

    def _text(self, path: str) -> str:
        """A tag file as text. Bytes that are no UTF-8 stay what they are: a name may have them."""
        errors = "surrogateescape" if self._encoding in {"utf-8", "utf8"} else "strict"
        try:
            return self._read(path).decode(self._encoding, errors).removeprefix("\ufeff")
        except UnicodeError as error:
            raise ManifestError(f"{path} is not in {self._encoding}.") from error

    def _lines(self, path: str) -> Iterator[str]:
        """One by one: a list of all the short lines that fit would be many times as large."""
        return (found[0] for found in _LINE_OF_TEXT.finditer(self._text(path)))

    def bag(self) -> Bag:
        payload = self._manifests(tag=False)
        if not payload:
            raise ManifestError("The bag has no manifest of a kind that is known here.")
        tags = self._manifests(tag=True)
        said: dict[str, dict[str, str]] = {}
        for kind, listed in (*payload.items(), *tags.items()):
            for path, digest in listed.items():
                said.setdefault(path, {})[kind] = digest
        missing = self._missing(said)
        there = {path for path in self._sizes if path.startswith(f"{PAYLOAD}/")}
        if not there:
            self._warn("There is no file in it.")
        self._in_every_manifest(payload, there)
        self._in_tag_manifests(tags)
        self._fetch(said)
        info = self._info()
        self._oxum(info, there)
        return Bag(
            version=self._version,
            said={path: digests for path, digests in said.items() if path in self._sizes},
            missing=tuple(sorted(missing)),
            extra=tuple(sorted(there - said.keys())),
            info=info,
            faults=tuple(self._faults),
            warnings=tuple(self._warnings),
        )

    def _manifests(self, *, tag: bool) -> dict[str, dict[str, str]]:
        made = {}
        for name in sorted(self._sizes):
            found = MANIFEST_NAME.fullmatch(name)
            if found is None or bool(found[1]) is not tag:
                continue
            if found[2] not in DIGITS:
                self._warn(f"{name} was not looked at: {found[2]} is not known here.")
                continue
            made[found[2]] = self._manifest(name, found[2], tag=tag)
        return made

    def _manifest(self, name: str, kind: str, *, tag: bool) -> dict[str, str]:
        listed: dict[str, str] = {}
        for number, line in enumerate(self._lines(name), 1):
            found = _LINE.fullmatch(line)
            if found is None or len(found[1]) != DIGITS[kind]:
                raise ManifestError(f"Line {number} of {name} has not the form DIGEST PATH.")
            digest, path = found[1].lower(), self._path(name, found[2])
            if why := self._refused(path, tag=tag):
                self._fault(path, f"{name}: {why}")
            elif path not in listed:
                listed[path] = digest
            elif listed[path] != digest or self._version >= _NEWEST:
                self._fault(path, f"{name} lists it twice")
            else:
                self._warn(f"{name} lists {path} twice.")
        return listed

    def _path(self, name: str, text: str) -> str:
        """The path that a line names; two ways in which tools are known to write it wrongly are read."""
        if text.startswith("*"):
            self._warn(f"{name} has a star before its paths, as checksum tools write it.")
            text = text[1:]
        if text.startswith("./"):
            self._warn(f"{name} has ./ before its paths.")
            text = text[2:]
        path = decoded(text)
        if path != text and path not in self._sizes and text in self._sizes:
            self._warn(f"{name} has a path with % that is not encoded.")
            return text
        return path

    def _refused(self, path: str, *, tag: bool) -> str | None:
        if why := unsafe_path(path):
            return why
        if path.startswith("~"):
            return "the path begins with ~"
        found = MANIFEST_NAME.fullmatch(path)
        if tag and (path.startswith(f"{PAYLOAD}/") or (found is not None and found[1])):
            return "a tag manifest must not list it"
        if not tag and not path.startswith(f"{PAYLOAD}/"):
            return f"the path does not lie in {PAYLOAD}/"
        return None

    def _missing(self, said: Mapping[str, Mapping[str, str]]) -> list[str]:
        """What is listed and not there, nor there in another spelling."""
        twins: dict[str, list[str]] = {}
        for path in said.keys() & self._sizes.keys():
            twins.setdefault(_key(path), []).append(path)
        return [
            path
            for path in said
            if path not in self._sizes and not self._twin(path, said, twins.get(_key(path), ()))
        ]

    def _twin(
        self, path: str, said: Mapping[str, Mapping[str, str]], others: Iterable[str]
    ) -> bool:
        """Whether a path is another spelling of one that is there, with the same digests."""
        for other in others:
            if said[other] == said[path]:
                self._warn(f"{path} and {other} differ only in case or in how a letter is encoded.")
                return True
        return False

    def _in_every_manifest(self, payload: Mapping[str, Mapping[str, str]], there: set[str]) -> None:
        every = {path for listed in payload.values() for path in listed}
        for kind, listed in payload.items():
            for path in sorted((every & there) - listed.keys()):
                told = f"manifest-{kind}.txt does not list it"
                if self._version >= _NEWEST:
                    self._fault(path, told)
                else:
                    self._warn(f"{path}: {told}.")

    def _in_tag_manifests(self, tags: Mapping[str, Mapping[str, str]]) -> None:
        for path in self._sizes:
            found = MANIFEST_NAME.fullmatch(path)
            if found and not found[1]:
                for kind, listed in tags.items():
                    if path not in listed:
                        self._fault(path, f"tagmanifest-{kind}.txt does not list it")

    def _fetch(self, said: Mapping[str, object]) -> None:
        if FETCH not in self._sizes:
            return
        self._warn(f"{FETCH} was read, but nothing is ever fetched.")
        for number, line in enumerate(self._lines(FETCH), 1):
            found = _FETCHED.fullmatch(line)
            if found is None:
                self._fault(FETCH, f"line {number} has not the form URL LENGTH PATH")
                continue
            path = self._path(FETCH, found[3])
            if why := self._refused(path, tag=False):
                self._fault(path, f"{FETCH}: {why}")
            elif path not in said:
                self._fault(path, f"{FETCH} names it, and no manifest does")

    def _info(self) -> tuple[tuple[str, str], ...]:
        entries: list[tuple[str, list[str]]] = []
        if INFO not in self._sizes:
            return ()
        for line in self._lines(INFO):
            label, colon, value = line.partition(":")
            if line[0] in " \t" and entries:
                entries[-1][1].append(line.strip())
            elif colon:
                entries.append((label.strip(), [value.strip()]))
            else:
                self._warn(f"{INFO} has a line that is no label with a value.")
        return tuple((label, " ".join(values)) for label, values in entries)

    def _oxum(self, info: tuple[tuple[str, str], ...], there: set[str]) -> None:
        told = [value for label, value in info if label.casefold() == "payload-oxum"]
        size = sum(self._sizes[path] for path in there)
        for value in dict.fromkeys(told):
            found = _OXUM.fullmatch(value)
            if found is None or (int(found[1]), int(found[2])) != (size, len(there)):
                self._fault(
                    INFO,
                    f"Payload-Oxum is {value[:80]}; there are {size} bytes in {len(there)} files",
                )


def _key(path: str) -> str:
    return unicodedata.normalize("NFC", path).casefold()

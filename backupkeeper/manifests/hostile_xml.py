"""Reads XML that may have been made to hurt (promise 8), piece by piece.

Promises:
1. No DTD, no entity of its own, nothing fetched; sizes, depth and counts are limited by data.
2. Only ``ManifestError`` leaves.
3. One ``Node`` at a time is handed out and forgotten, so memory goes with the largest record (and
   the bytes given), not with their number. All white space of texts is kept.
4. Names are ``{namespace}name``; what prefix a document uses makes no difference.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final
from xml.etree.ElementTree import ParseError  # the error only; parsing is defused

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from backupkeeper.core.errors import ManifestError


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """How much of a document is looked at before it is refused."""

    size_bytes: int = 256 * 1024 * 1024
    depth: int = 32
    elements: int = 5_000_000
    attributes: int = 32
    text: int = 1024 * 1024
    """Characters in one element, and in one attribute."""
    children: int = 1_000_000
    """Elements held at one time: of one record, or of a part that is no list of records."""
    faults: int = 100_000
    ancestry: int = 200_000_000
    """Characters of all paths, each times its depth: what the names of all folders may take."""


LIMITS: Final = Limits()


@dataclass(slots=True)
class Node:
    """One element. ``text`` is all character data directly in it."""

    tag: str
    attributes: dict[str, str]
    children: list["Node"] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)
    length: int = 0

    @property
    def text(self) -> str:
        """Its character data, white space and all."""
        return "".join(self.pieces)

    def child(self, tag: str) -> "Node | None":
        """The first child of that name."""
        return next((node for node in self.children if node.tag == tag), None)

    def every(self, tag: str) -> list["Node"]:
        """All children of that name, in order."""
        return [node for node in self.children if node.tag == tag]


class _Target:
    """What the parser calls: builds one record at a time."""

    def __init__(
        self,
        root: str,
        lists: frozenset[str],
        begin: Callable[[Node], None],
        take: Callable[[Node], None],
        limits: Limits,
    ) -> None:
        self._root, self._lists, self._begin, self._take = root, lists, begin, take
        self._limits = limits
        self._open: list[Node] = []
        self._elements = 0
        self._held = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        limits = self._limits
        self._elements += 1
        self._held += 1
        if self._elements > limits.elements or self._held > limits.children:
            raise ManifestError("It holds more elements than any manifest needs.")
        if len(self._open) >= limits.depth:
            raise ManifestError("Its elements are nested deeper than any manifest needs.")
        if len(attributes) > limits.attributes or any(
            len(text) > limits.text for text in attributes.values()
        ):
            raise ManifestError("An element has more attributes than any manifest needs.")
        node = Node(tag, attributes)
        if not self._open:
            if tag != self._root:
                raise ManifestError(f"Its root element is {tag[:100]!r}, not {self._root!r}.")
            self._begin(node)
        elif not self._is_list(len(self._open) - 1):
            self._open[-1].children.append(node)
        self._open.append(node)

    def _is_list(self, depth: int) -> bool:
        """Whether what is open at this depth is a list, whose members are handed out."""
        return depth == 0 or (depth == 1 and self._open[1].tag in self._lists)

    def data(self, text: str) -> None:
        if self._is_list(len(self._open) - 1):
            return  # what stands between records says nothing, however much of it there is
        node = self._open[-1]
        node.length += len(text)
        if node.length > self._limits.text:
            raise ManifestError("A text is longer than any manifest needs.")
        node.pieces.append(text)

    def end(self, _tag: str) -> None:
        node = self._open.pop()
        if self._open and self._is_list(len(self._open) - 1) and not self._was_list(node):
            self._held = 0
            self._take(node)

    def _was_list(self, node: Node) -> bool:
        return len(self._open) == 1 and node.tag in self._lists

    def close(self) -> None:
        """Nothing is left to do."""


def read_records(
    data: bytes,
    *,
    root: str,
    lists: frozenset[str],
    begin: Callable[[Node], None],
    take: Callable[[Node], None],
    limits: Limits = LIMITS,
) -> None:
    """Hand out every record of a document, in order.

    Args:
        data: the document, UTF-8.
        root: the name that its root element must have.
        lists: children of the root whose own children are the records; every other child of the
            root is a record itself.
        begin: is given the root element when it opens (attributes, no children).
        take: is given each record when it is whole.
        limits: how much is too much.

    Raises:
        ManifestError: it is no such document, or is beyond the limits.
    """
    if len(data) > limits.size_bytes:
        raise ManifestError(f"It is larger than {limits.size_bytes:,} bytes.")
    target = _Target(root, lists, begin, take, limits)
    parser = DefusedXMLParser(target=target, encoding="utf-8", forbid_dtd=True)
    try:
        parser.feed(data)
        parser.close()
    except DefusedXmlException as error:
        raise ManifestError("It brings definitions of its own, which no manifest needs.") from error
    except (ParseError, ValueError, LookupError) as error:
        raise ManifestError(f"It is no XML in UTF-8: {error}.") from error

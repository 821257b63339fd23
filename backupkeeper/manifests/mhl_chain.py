"""The chain of a history: which manifests there are, in which order, with which C4.

Promises:
1. Pure. ``read_chain`` is for hostile input: only ``ManifestError`` leaves; gaps, repeats and
   entries that can't be believed are faults, and only sound entries are handed on.
2. ``extend_chain`` adds one entry, numbered on from 1 without a gap, and repairs nothing: a chain
   with a fault is refused, never renumbered.

    chain = extend_chain(None, name, manifest_bytes)

The chain detects corruption, not tampering: nothing in it vouches for itself.
"""

import re
from dataclasses import dataclass, replace
from typing import Final

from backupkeeper.core.errors import ManifestError, UsageError
from backupkeeper.manifests.formats import Format, c4_of, canonical
from backupkeeper.manifests.hostile_xml import LIMITS, Limits, Node, read_records
from backupkeeper.manifests.mhl_model import CHAIN_NAME, CHAIN_NS, ChainEntry, Fault, FaultKind
from backupkeeper.manifests.names import fits_xml, unsafe_path
from backupkeeper.manifests.xml_text import element

CHAIN_LIMIT_BYTES: Final = 16 * 1024 * 1024
"""Some 70,000 generations; no larger chain is believed."""
_LIMITS: Final = replace(LIMITS, size_bytes=CHAIN_LIMIT_BYTES)
_ROOT: Final = f"{{{CHAIN_NS}}}ascmhldirectory"
_ENTRY: Final = f"{{{CHAIN_NS}}}hashlist"
_PATH: Final = f"{{{CHAIN_NS}}}path"
_C4: Final = f"{{{CHAIN_NS}}}c4"
_NUMBER: Final = re.compile(r"\s*\+?([0-9]{1,12})\s*", re.ASCII)


@dataclass(frozen=True, kw_only=True, slots=True)
class Chain:
    """The sound entries by number, and what was wrong with the rest."""

    entries: tuple[ChainEntry, ...]
    faults: tuple[Fault, ...] = ()


def extend_chain(chain: bytes | None, name: str, manifest: bytes) -> bytes:
    """The chain with one manifest more; a new chain where there was none.

    Args:
        chain: the bytes of the present chain, or None.
        name: bare file name of the new manifest.
        manifest: its bytes.

    Raises:
        ManifestError: the present chain is broken, or names such a manifest already.
        UsageError: the name can't stand in a chain.
    """
    if unsafe_path(name) or "/" in name or not fits_xml(name):
        raise UsageError(f"{name!r} can't be the name of a manifest.")
    before = Chain(entries=()) if chain is None else read_chain(chain)
    if before.faults:
        raise ManifestError(
            f"The chain of manifests is broken ({before.faults[0].message}).",
            advice="It was left as it is; nothing was added.",
        )
    if any(entry.name == name for entry in before.entries):
        raise ManifestError(f"The chain of manifests names {name} already.")
    added = ChainEntry(number=len(before.entries) + 1, name=name, c4=c4_of(manifest))
    return write_chain((*before.entries, added))


def write_chain(entries: tuple[ChainEntry, ...]) -> bytes:
    """The bytes of a chain with these entries."""
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', f'<ascmhldirectory xmlns="{CHAIN_NS}">']
    for entry in entries:
        lines += [
            f'  <hashlist sequencenr="{entry.number}">',
            f"    {element('path', entry.name)}",
            f"    {element('c4', entry.c4)}",
            "  </hashlist>",
        ]
    return "\n".join([*lines, "</ascmhldirectory>", ""]).encode()


def read_chain(data: bytes, *, limits: Limits = _LIMITS) -> Chain:
    """The entries of a chain.

    Raises:
        ManifestError: it is no chain at all.
    """
    entries: list[ChainEntry] = []
    faults: list[Fault] = []

    def begin(_root: Node) -> None:
        """The root of a chain carries nothing."""

    def take(node: Node) -> None:
        if node.tag != _ENTRY:
            return
        read = _entry(node)
        if isinstance(read, Fault):
            faults.append(read)
        else:
            entries.append(read)
        if len(faults) > limits.faults:
            raise ManifestError("It breaks more rules than can be told.")

    read_records(data, root=_ROOT, lists=frozenset(), begin=begin, take=take, limits=limits)
    return _in_order(entries, faults)


def _entry(node: Node) -> ChainEntry | Fault:
    path, c4 = node.child(_PATH), node.child(_C4)
    name = "" if path is None else path.text
    number = _NUMBER.fullmatch(node.attributes.get("sequencenr", ""))
    if number is None:
        return _fault(FaultKind.SEQUENCE, name, "an entry of the chain has no number")
    if (why := unsafe_path(name)) or "/" in name:
        return _fault(FaultKind.UNSAFE_PATH, name, why or "an entry names another folder")
    text = None if c4 is None else canonical(Format.C4, c4.text)
    if text is None:
        return _fault(FaultKind.BAD_HASH, name, "an entry of the chain has no C4")
    return ChainEntry(number=int(number[1]), name=name, c4=text)


def _in_order(entries: list[ChainEntry], faults: list[Fault]) -> Chain:
    ordered = sorted(entries, key=lambda entry: entry.number)
    sound: list[ChainEntry] = []
    names: set[str] = set()
    expected = 1
    for entry in ordered:
        if entry.name in names:
            faults.append(
                _fault(FaultKind.SEQUENCE, entry.name, "the chain names a manifest twice")
            )
        elif entry.number < expected:
            faults.append(_fault(FaultKind.SEQUENCE, entry.name, "the chain has a number twice"))
        else:
            if entry.number > expected:
                told = f"the chain goes from {expected - 1} to {entry.number}"
                faults.append(_fault(FaultKind.SEQUENCE, entry.name, told))
            names.add(entry.name)
            sound.append(entry)
            expected = entry.number + 1
    if not entries and not faults:
        faults.append(_fault(FaultKind.SEQUENCE, CHAIN_NAME, "the chain names no manifest"))
    return Chain(entries=tuple(sound), faults=tuple(faults))


def _fault(kind: FaultKind, path: str, message: str) -> Fault:
    return Fault(kind=kind, path=path or CHAIN_NAME, message=message)

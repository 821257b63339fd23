"""A made-up disk behind ``ports.files.Files``: cache, device and medium kept apart, names too.

Three layers hold a file's pages: the system's cache, the device with its own write cache, and the
medium. ``sync`` brings bytes to the medium; a power cut keeps, of everything not synced, any part:
each page may be the cache's, the device's or the medium's, each change of a name may have happened
or not. Times and errors are like Linux's, as far as ``tests/contracts/test_files.py`` compares.
"""

import errno
import os
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

from backupkeeper.ports.files import EntryKind, Handle, Stat

PAGE = 4096
NEVER_NS = 1_780_000_000_000_000_000


@dataclass(eq=False, kw_only=True)
class Node:
    """A file or folder. ``size`` is what the system says, ``safe_size`` what the medium holds."""

    number: int
    kind: EntryKind = EntryKind.FILE
    cache: dict[int, bytes] = field(default_factory=dict)
    dirty: set[int] = field(default_factory=set)
    device: dict[int, bytes] = field(default_factory=dict)
    medium: dict[int, bytes] = field(default_factory=dict)
    size: int = 0
    safe_size: int = 0
    mtime_ns: int = NEVER_NS
    linked: bool = False
    names: dict[str, "Node"] = field(default_factory=dict)
    safe_names: dict[str, "Node"] = field(default_factory=dict)
    changes: list[tuple[tuple[str, "Node | None"], ...]] = field(default_factory=list)
    """Changes of names not yet synced: each sets names to nodes, or to None (gone)."""

    def page(self, number: int) -> bytes:
        """A page as the system sees it; loads it."""
        if number not in self.cache:
            self.cache[number] = self.device.get(number, bytes(PAGE))
        return self.cache[number]

    def write_back(self) -> None:
        """Dirty pages go to the device (not further)."""
        for number in self.dirty:
            self.device[number] = self.cache[number]
        self.dirty.clear()

    def flush(self) -> None:
        """All of the file goes to the medium."""
        self.write_back()
        self.medium = dict(self.device)
        self.safe_size = self.size

    def whole(self, pages: dict[int, bytes], size: int) -> bytes:
        """These pages as one run of bytes."""
        count = -(-size // PAGE)
        return b"".join(pages.get(number, bytes(PAGE)) for number in range(count))[:size]


def _error(number: int, path: str = "") -> OSError:
    return OSError(number, os.strerror(number), path)


class Disk:
    """``ports.files.Files`` on a made-up disk. ``capacity`` bounds the bytes of all files."""

    def __init__(self, *, capacity: int = 1 << 30, direct: bool = True) -> None:
        self._numbers = iter(range(2, 1 << 30))
        self.root = Node(number=1, kind=EntryKind.FOLDER)
        self._handles: dict[int, tuple[Node, bool, bool]] = {}
        self._next_handle = iter(range(3, 1 << 30))
        self.capacity = capacity
        self.direct = direct

    # What happens to a disk.

    def power_cut(self, chance: random.Random) -> None:
        """Any part of what was not synced is lost; handles too."""
        self._handles.clear()
        for node in list(self._nodes(all_names=True)):
            if node.kind is EntryKind.FOLDER:
                for change in node.changes:
                    if chance.random() < 0.5:
                        _apply(node.safe_names, change)
                node.names = dict(node.safe_names)
                node.changes.clear()
            else:
                self._lose_pages(node, chance)

    def _lose_pages(self, node: Node, chance: random.Random) -> None:
        size = chance.choice([node.size, node.safe_size])
        kept: dict[int, bytes] = {}
        for number in {*node.cache, *node.device, *node.medium}:
            choices = [node.medium.get(number, bytes(PAGE)), node.device.get(number, bytes(PAGE))]
            if number in node.dirty:
                choices.append(node.cache[number])
            kept[number] = chance.choice(choices)
        node.device, node.medium, node.cache = dict(kept), dict(kept), {}
        node.dirty.clear()
        node.size = node.safe_size = size

    def rot(self, path: str, offset: int, data: bytes) -> None:
        """Bytes change on the medium; the cache does not know."""
        node = self._find(path)
        number, start = divmod(offset, PAGE)
        for layer in (node.device, node.medium):
            page = bytearray(layer.get(number, bytes(PAGE)))
            page[start : start + len(data)] = data
            layer[number] = bytes(page)

    def on_medium(self, path: str) -> bytes | None:
        """What would be found under a name after every cache is lost; None: no such file."""
        node = self.root
        for part in _parts(path):
            if part not in node.safe_names:
                return None
            node = node.safe_names[part]
        return node.whole(node.medium, node.safe_size)

    def seen(self) -> dict[str, bytes]:
        """Every file as the system sees it now, by path."""
        return dict(_walk(self.root, ""))

    @property
    def open_handles(self) -> int:
        """How many handles are open."""
        return len(self._handles)

    # ports.files.Files

    def create(self, path: str) -> Handle:
        folder, name = self._folder_of(path)
        if name in folder.names:
            raise _error(errno.EEXIST, path)
        node = Node(number=next(self._numbers))
        self._change(folder, (name, node))
        return self._open(node, writable=True)

    def open_write(self, path: str) -> Handle:
        return self._open(self._openable(path), writable=True)

    def open_read(self, path: str, *, direct: bool = False) -> Handle:
        node = self._openable(path, folders=True)
        if direct and (not self.direct or node.kind is EntryKind.FOLDER):
            raise _error(errno.EINVAL, path)
        return self._open(node, direct=direct)

    def lock(self, path: str) -> Handle:
        return self.open_read(path)

    def read_into(self, handle: Handle, buffer: memoryview, offset: int) -> int:
        node, _, direct = self._node(handle)
        if node.kind is EntryKind.FOLDER:
            raise _error(errno.EISDIR)
        if direct:
            if offset % 512 or len(buffer) % 512:
                raise _error(errno.EINVAL)
            node.write_back()
        end = min(offset + len(buffer), node.size)
        if end <= offset:
            return 0
        first = offset // PAGE
        pages = range(first, -(-end // PAGE))
        if direct:
            data = b"".join(node.device.get(number, bytes(PAGE)) for number in pages)
        else:
            data = b"".join(node.page(number) for number in pages)
        skip = offset - first * PAGE
        buffer[: end - offset] = data[skip : skip + end - offset]
        return end - offset

    def write_at(self, handle: Handle, data: memoryview, offset: int) -> int:
        node = self._writable(handle)
        grown = max(node.size, offset + len(data))
        self._room(grown - node.size)
        at = 0
        while at < len(data):
            number, start = divmod(offset + at, PAGE)
            piece = bytes(data[at : at + PAGE - start])
            page = bytearray(node.page(number))
            page[start : start + len(piece)] = piece
            node.cache[number] = bytes(page)
            node.dirty.add(number)
            at += len(piece)
        node.size = grown
        node.mtime_ns += 1
        return len(data)

    def truncate(self, handle: Handle, size: int) -> None:
        node = self._writable(handle)
        self._room(size - node.size)
        if size < node.size and size % PAGE:
            last = size // PAGE
            node.cache[last] = node.page(last)[: size % PAGE].ljust(PAGE, b"\0")
            node.dirty.add(last)
        for number in range(-(-size // PAGE), -(-node.size // PAGE)):
            node.cache[number] = bytes(PAGE)
            node.dirty.add(number)
        node.size = size
        node.mtime_ns += 1

    def reserve(self, handle: Handle, size: int) -> None:
        if size <= 0:
            raise _error(errno.EINVAL)
        node = self._writable(handle)
        self._room(size - node.size)
        node.size = max(node.size, size)

    def sync(self, handle: Handle) -> None:
        node, _, _ = self._node(handle)
        node.flush()

    def sync_tree(self, path: str) -> None:
        self._folder(path)
        for node in list(self._nodes()):
            _settle(node)

    def sync_folder(self, path: str) -> None:
        _settle(self._folder(path))

    def drop_pages(self, handle: Handle) -> None:
        node, _, _ = self._node(handle)
        node.cache = {number: node.cache[number] for number in node.dirty}

    def pages_in_memory(self, handle: Handle, size: int) -> int:
        node, _, _ = self._node(handle)
        return sum(number * PAGE < size for number in node.cache)

    def drop_device_pages(self, device_path: str) -> int:
        raise _error(errno.ENOENT, device_path)

    def stat_handle(self, handle: Handle) -> Stat:
        return self._stat(self._node(handle)[0])

    def close(self, handle: Handle) -> None:
        self._node(handle)
        del self._handles[handle]

    def stat(self, path: str) -> Stat:
        return self._stat(self._find(path))

    def list(self, path: str) -> Iterator[tuple[str, EntryKind]]:
        yield from [(name, node.kind) for name, node in self._folder(path).names.items()]

    def make_folder(self, path: str, *, private: bool = False) -> None:
        folder, name = self._folder_of(path)
        if name in folder.names:
            raise _error(errno.EEXIST, path)
        self._change(folder, (name, Node(number=next(self._numbers), kind=EntryKind.FOLDER)))

    def set_times(self, path: str, mtime_ns: int) -> None:
        self._find(path).mtime_ns = mtime_ns

    def rename_new(self, old: str, new: str) -> None:
        if _parts(new)[-1] in self._folder_of(new)[0].names:
            self._find(old)
            raise _error(errno.EEXIST, new)
        self.rename_over(old, new)

    def link(self, old: str, new: str) -> None:
        node = self._find(old)
        folder, name = self._folder_of(new)
        if node.kind is not EntryKind.FILE:
            raise _error(errno.EPERM, old)
        if name in folder.names:
            raise _error(errno.EEXIST, new)
        node.linked = True
        self._change(folder, (name, node))

    def disk_position(self, path: str) -> int | None:
        node = self._find(path)
        return node.number * PAGE if node.size and node.device else None

    def rename_over(self, old: str, new: str) -> None:
        (source, name), (target, wanted) = self._folder_of(old), self._folder_of(new)
        node, there = self._find(old), target.names.get(wanted)
        if there is node:  # two names of one file: POSIX wants that nothing happens
            return
        if there is not None and there.kind is EntryKind.FOLDER is not node.kind:
            raise _error(errno.EISDIR, new)
        if target is source:
            self._change(source, (name, None), (wanted, node))
            return
        self._change(target, (wanted, node))
        self._change(source, (name, None))

    def unlink(self, path: str) -> None:
        folder, name = self._folder_of(path)
        if self._find(path).kind is EntryKind.FOLDER:
            raise _error(errno.EISDIR, path)
        self._change(folder, (name, None))

    def free_bytes(self, path: str) -> int:
        self._find(path)
        return self.capacity - sum(node.size for node in self._nodes())

    # Inside.

    def _nodes(self, *, all_names: bool = False) -> Iterator[Node]:
        todo, met = [self.root], {self.root}
        while todo:
            node = todo.pop()
            yield node
            below = [*node.names.values(), *(node.safe_names.values() if all_names else ())]
            if all_names:
                below += [one for change in node.changes for _, one in change if one is not None]
            for one in below:
                if one not in met:
                    met.add(one)
                    todo.append(one)

    def _find(self, path: str) -> Node:
        node = self.root
        for part in _parts(path):
            if node.kind is not EntryKind.FOLDER:
                raise _error(errno.ENOTDIR, path)
            if part not in node.names:
                raise _error(errno.ENOENT, path)
            node = node.names[part]
        return node

    def _folder(self, path: str) -> Node:
        node = self._find(path)
        if node.kind is not EntryKind.FOLDER:
            raise _error(errno.ENOTDIR, path)
        return node

    def _folder_of(self, path: str) -> tuple[Node, str]:
        above, _, name = path.rpartition("/")
        return self._folder(above), name

    def _openable(self, path: str, *, folders: bool = False) -> Node:
        node = self._find(path)
        if node.kind is EntryKind.FOLDER and not folders:
            raise _error(errno.EISDIR, path)
        return node

    def _open(self, node: Node, *, writable: bool = False, direct: bool = False) -> Handle:
        handle = next(self._next_handle)
        self._handles[handle] = (node, writable, direct)
        return Handle(handle)

    def _node(self, handle: Handle) -> tuple[Node, bool, bool]:
        if handle not in self._handles:
            raise _error(errno.EBADF)
        return self._handles[handle]

    def _writable(self, handle: Handle) -> Node:
        node, writable, _ = self._node(handle)
        if not writable:
            raise _error(errno.EBADF)
        return node

    def _room(self, more: int) -> None:
        if more > 0 and more > self.free_bytes("/"):
            raise _error(errno.ENOSPC)

    def _stat(self, node: Node) -> Stat:
        size, links = (node.size if node.kind is EntryKind.FILE else PAGE), 1
        if node.linked:
            links = sum(one is node for above in self._nodes() for one in above.names.values())
        kind, mtime_ns, number = node.kind, node.mtime_ns, node.number
        return Stat(kind=kind, size=size, mtime_ns=mtime_ns, device=7, inode=number, links=links)

    def _change(self, folder: Node, *change: tuple[str, Node | None]) -> None:
        _apply(folder.names, change)
        folder.changes.append(change)


def _apply(names: dict[str, Node], change: tuple[tuple[str, Node | None], ...]) -> None:
    for name, node in change:
        if node is None:
            names.pop(name, None)
        else:
            names[name] = node


def _settle(node: Node) -> None:
    if node.kind is EntryKind.FOLDER:
        node.safe_names = dict(node.names)
        node.changes.clear()
    else:
        node.flush()


def _parts(path: str) -> list[str]:
    return [part for part in path.split("/") if part]


def _walk(node: Node, path: str) -> Iterator[tuple[str, bytes]]:
    for name, below in node.names.items():
        if below.kind is EntryKind.FOLDER:
            yield from _walk(below, f"{path}/{name}")
        else:
            pages = {**below.device, **below.cache}
            yield f"{path}/{name}", below.whole(pages, below.size)

"""A FUSE file system in a process of its own: mirrors a folder, and can't read chosen bytes.

Speaks the kernel's protocol itself (linux/fuse.h, version 7.31; its structures are laid out there),
so that nothing but ``/dev/fuse`` and root is needed. Started by ``fuse_with_holes.holey``, which
also says over standard input which bytes of which files can't be read.
"""

import ctypes
import errno
import json
import os
import stat as modes
import struct
import sys
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

LIBC = ctypes.CDLL(None, use_errno=True)
IN = struct.Struct("<IIQQIIIHH")
OUT = struct.Struct("<IiQ")
ATTR = struct.Struct("<QQQQQQIIIIIIIIII")
READ = struct.Struct("<QQIIQII")
DIRECT_IO = 1
MAX_WRITE = 128 * 1024
AT_EMPTY_PATH = 0x1000
SETATTR_MODE, SETATTR_SIZE, SETATTR_ATIME, SETATTR_MTIME = 1, 8, 16, 32
ATIME_NOW, MTIME_NOW = 128, 256


@dataclass
class Node:
    """An inode of the mirrored folder, held open by path only."""

    fd: int
    key: tuple[int, int]
    seen: int = 0


@dataclass
class Holes:
    """Byte ranges per inode; their files are held open, so that no other takes their number."""

    by_inode: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    held: list[int] = field(default_factory=list)
    delay_s: float = 0.0
    number: int = errno.EIO
    waits: bool = False
    over: threading.Event = field(default_factory=threading.Event)
    """Set where others are set: then those that ``waits`` kept fail too."""
    log: list[tuple[str, int, int, bool]] = field(default_factory=list)


class Mirror:
    """Answers requests. Every method returns the answer's bytes, or None for no answer."""

    def __init__(self, backing: str, device: int, *, direct_io: bool) -> None:
        self.backing = backing
        self.device = device
        self.open_flags = DIRECT_IO if direct_io else 0
        self.holes = Holes()
        root = os.open(backing, os.O_PATH | os.O_DIRECTORY)
        self.nodes = {1: Node(root, _key(root), 1)}
        self.numbers = {self.nodes[1].key: 1}
        self.next = 2
        self.folders: dict[int, list[bytes]] = {}
        self.calls: dict[int, Callable[[int, bytes], bytes | None]] = {
            1: self.lookup, 2: self.forget, 3: self.getattr, 4: self.setattr, 5: self.readlink,
            6: self.symlink, 9: self.mkdir, 10: self.unlink, 11: self.rmdir, 12: self.rename,
            13: self.link, 14: self.open, 15: self.read, 16: self.write, 17: self.statfs,
            18: self.release, 20: self.fsync, 25: lambda *_: b"", 26: self.init,
            27: self.opendir, 28: self.readdir, 29: self.releasedir, 30: self.fsyncdir,
            35: self.create, 36: lambda *_: None, 42: self.batch_forget, 43: self.fallocate,
            45: self.rename2,
        }  # fmt: skip

    def run(self) -> None:
        """Serve; a bug ends the process, so that nobody waits for an answer for ever."""
        try:
            self.serve()
        except BaseException:  # noqa: BLE001 - nothing is caught: the process ends
            traceback.print_exc()
            sys.stderr.flush()
            os._exit(1)

    def serve(self) -> None:
        """Answer until the mount is gone."""
        while True:
            try:
                request = os.read(self.device, MAX_WRITE + 65_536)
            except OSError as error:
                if error.errno == errno.ENODEV:
                    return
                if error.errno in {errno.EINTR, errno.ENOENT, errno.EAGAIN}:
                    continue
                raise
            answer = self._answered(request)
            if answer is None:
                continue
            try:
                os.write(self.device, answer)
            except OSError as error:  # whoever asked is gone
                if error.errno not in {errno.ENOENT, errno.ENODEV}:
                    raise

    def _answered(self, request: bytes) -> bytes | None:
        _, opcode, unique, node, *_ = IN.unpack_from(request)
        call = self.calls.get(opcode)
        number, answer = errno.ENOSYS, b""
        if call is not None:
            try:
                found = call(node, request[IN.size :])
            except OSError as error:
                number = error.errno or errno.EIO
            else:
                if found is None:
                    return None
                number, answer = 0, found
        return OUT.pack(OUT.size + len(answer), -number, unique) + answer

    # What is told.

    def init(self, _: int, body: bytes) -> bytes:
        _, _, ahead, _ = struct.unpack_from("<IIII", body)
        return struct.pack("<IIIIHHIIHHII24x", 7, 31, ahead, 0, 12, 9, MAX_WRITE, 1, 0, 0, 0, 0)

    def _entry(self, fd: int) -> bytes:
        """A node for an opened entry, counted; nothing is remembered by the kernel (times 0)."""
        key = _key(fd)
        if (number := self.numbers.get(key)) is not None:
            os.close(fd)
        else:
            number, self.next = self.next, self.next + 1
            self.nodes[number], self.numbers[key] = Node(fd, key), number
        node = self.nodes[number]
        node.seen += 1
        return struct.pack("<QQQQII", number, 0, 0, 0, 0, 0) + self._attr(node.fd)

    def _attr(self, fd: int) -> bytes:
        found = os.stat(fd)
        times = [found.st_atime_ns, found.st_mtime_ns, found.st_ctime_ns]
        return ATTR.pack(
            found.st_ino, found.st_size, found.st_blocks,
            *(at // 10**9 for at in times), *(at % 10**9 for at in times),
            found.st_mode, found.st_nlink, found.st_uid, found.st_gid, found.st_rdev,
            found.st_blksize, 0,
        )  # fmt: skip

    def _below(self, node: int, name: bytes) -> bytes:
        return self._entry(os.open(name, os.O_PATH | os.O_NOFOLLOW, dir_fd=self.nodes[node].fd))

    def _again(self, node: int, flags: int) -> int:
        flags &= ~(os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_DIRECT | os.O_NOATIME)
        return os.open(f"/proc/self/fd/{self.nodes[node].fd}", flags | os.O_CLOEXEC)

    # Nodes.

    def lookup(self, node: int, body: bytes) -> bytes:
        return self._below(node, _names(body)[0])

    def forget(self, node: int, body: bytes) -> None:
        self._forget(node, struct.unpack_from("<Q", body)[0])

    def batch_forget(self, _: int, body: bytes) -> None:
        (count,) = struct.unpack_from("<I", body)
        for at in range(count):
            self._forget(*struct.unpack_from("<QQ", body, 8 + 16 * at))

    def _forget(self, number: int, times: int) -> None:
        node = self.nodes.get(number)
        if node is None or number == 1:
            return
        node.seen -= times
        if node.seen <= 0:
            os.close(node.fd)
            del self.nodes[number], self.numbers[node.key]

    def getattr(self, node: int, _: bytes) -> bytes:
        return struct.pack("<QII", 0, 0, 0) + self._attr(self.nodes[node].fd)

    def setattr(self, node: int, body: bytes) -> bytes:
        valid, _, _, size, _, at, mt, _, at_ns, mt_ns, _, mode = struct.unpack_from(
            "<IIQQQQQQIIII", body
        )
        path = f"/proc/self/fd/{self.nodes[node].fd}"
        if valid & SETATTR_SIZE:
            os.truncate(path, size)
        if valid & SETATTR_MODE:
            os.chmod(path, mode & 0o7777)
        if valid & (SETATTR_ATIME | SETATTR_MTIME):
            now, before = time.time_ns(), os.stat(self.nodes[node].fd)
            times = [before.st_atime_ns, before.st_mtime_ns]
            if valid & SETATTR_ATIME:
                times[0] = now if valid & ATIME_NOW else at * 10**9 + at_ns
            if valid & SETATTR_MTIME:
                times[1] = now if valid & MTIME_NOW else mt * 10**9 + mt_ns
            os.utime(path, ns=(times[0], times[1]))
        return self.getattr(node, b"")

    def readlink(self, node: int, _: bytes) -> bytes:
        return os.readlink(b"", dir_fd=self.nodes[node].fd)

    # Names.

    def symlink(self, node: int, body: bytes) -> bytes:
        name, target = _names(body)
        os.symlink(target, name, dir_fd=self.nodes[node].fd)
        return self._below(node, name)

    def mkdir(self, node: int, body: bytes) -> bytes:
        mode, _ = struct.unpack_from("<II", body)
        name = _names(body[8:])[0]
        os.mkdir(name, mode, dir_fd=self.nodes[node].fd)
        return self._below(node, name)

    def unlink(self, node: int, body: bytes) -> bytes:
        os.unlink(_names(body)[0], dir_fd=self.nodes[node].fd)
        return b""

    def rmdir(self, node: int, body: bytes) -> bytes:
        os.rmdir(_names(body)[0], dir_fd=self.nodes[node].fd)
        return b""

    def rename(self, node: int, body: bytes) -> bytes:
        (target,) = struct.unpack_from("<Q", body)
        return self._rename(node, target, 0, body[8:])

    def rename2(self, node: int, body: bytes) -> bytes:
        target, flags, _ = struct.unpack_from("<QII", body)
        return self._rename(node, target, flags, body[16:])

    def _rename(self, node: int, target: int, flags: int, names: bytes) -> bytes:
        old, new = _names(names)
        source, to = self.nodes[node].fd, self.nodes[target].fd
        if LIBC.renameat2(source, old, to, new, flags) != 0:
            raise _failed()
        return b""

    def link(self, node: int, body: bytes) -> bytes:
        (old,) = struct.unpack_from("<Q", body)
        name = _names(body[8:])[0]
        linked = LIBC.linkat(self.nodes[old].fd, b"", self.nodes[node].fd, name, AT_EMPTY_PATH)
        if linked != 0:
            raise _failed()
        return self._below(node, name)

    # Files.

    def _opened(self, handle: int) -> bytes:
        return struct.pack("<QII", handle, self.open_flags, 0)

    def open(self, node: int, body: bytes) -> bytes:
        (flags,) = struct.unpack_from("<I", body)
        return self._opened(self._again(node, flags))

    def create(self, node: int, body: bytes) -> bytes:
        flags, mode, _, _ = struct.unpack_from("<IIII", body)
        name = _names(body[16:])[0]
        made = os.open(
            name, (flags & os.O_EXCL) | os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, mode & 0o7777,
            dir_fd=self.nodes[node].fd,
        )  # fmt: skip
        return self._below(node, name) + self._opened(made)

    def read(self, _: int, body: bytes) -> bytes:
        handle, offset, size = READ.unpack_from(body)[:3]
        inode = os.fstat(handle).st_ino
        holes = self.holes
        hurt = any(
            offset < end and offset + size > start for start, end in holes.by_inode.get(inode, ())
        )
        if inode in holes.by_inode:
            holes.log.append((str(inode), offset, size, hurt))
        if hurt:
            time.sleep(holes.delay_s)
            if holes.waits:
                holes.over.wait()
            raise OSError(holes.number, "a hole")
        return os.pread(handle, size, offset)

    def write(self, _: int, body: bytes) -> bytes:
        handle, offset, size = READ.unpack_from(body)[:3]
        at = struct.calcsize("<QQIIQII")
        return struct.pack("<II", os.pwrite(handle, body[at : at + size], offset), 0)

    def release(self, _: int, body: bytes) -> bytes:
        os.close(struct.unpack_from("<Q", body)[0])
        return b""

    def fsync(self, _: int, body: bytes) -> bytes:
        os.fsync(struct.unpack_from("<Q", body)[0])
        return b""

    def fallocate(self, _: int, body: bytes) -> bytes:
        handle, offset, length, mode, _ = struct.unpack_from("<QQQII", body)
        if LIBC.fallocate(
            ctypes.c_int(handle), mode, ctypes.c_int64(offset), ctypes.c_int64(length)
        ):
            raise _failed()
        return b""

    def statfs(self, node: int, _: bytes) -> bytes:
        found = os.statvfs(f"/proc/self/fd/{self.nodes[node].fd}")
        return struct.pack(
            "<QQQQQIII28x", found.f_blocks, found.f_bfree, found.f_bavail, found.f_files,
            found.f_ffree, found.f_bsize, found.f_namemax, found.f_frsize,
        )  # fmt: skip

    # Folders.

    def opendir(self, node: int, _: bytes) -> bytes:
        handle = self._again(node, os.O_RDONLY | os.O_DIRECTORY)
        entries: list[bytes] = []
        with os.scandir(handle) as found:
            for entry in found:
                kind = modes.S_IFMT(entry.stat(follow_symlinks=False).st_mode) >> 12
                name = os.fsencode(entry.name)
                head = struct.pack("<QQII", entry.inode(), len(entries) + 1, len(name), kind)
                entries.append((head + name).ljust(-(-(24 + len(name)) // 8) * 8, b"\0"))
        self.folders[handle] = entries
        return struct.pack("<QII", handle, 0, 0)

    def readdir(self, _: int, body: bytes) -> bytes:
        handle, offset, size = READ.unpack_from(body)[:3]
        answer = b""
        for entry in self.folders[handle][offset:]:
            if len(answer) + len(entry) > size:
                break
            answer += entry
        return answer

    def releasedir(self, _: int, body: bytes) -> bytes:
        handle = struct.unpack_from("<Q", body)[0]
        del self.folders[handle]
        os.close(handle)
        return b""

    def fsyncdir(self, _: int, body: bytes) -> bytes:
        return self.fsync(0, body)

    # From outside.

    def command(self, asked: dict[str, Any]) -> object:
        """Set the holes, or hand out which reads were asked of files with holes."""
        if "holes" not in asked:
            return [list(one) for one in self.holes.log]
        old, new = (
            self.holes,
            Holes(delay_s=asked["delay_s"], number=asked["number"], waits=asked["waits"]),
        )
        for path, ranges in asked["holes"].items():
            held = os.open(os.path.join(self.backing, path), os.O_PATH | os.O_NOFOLLOW)
            new.held.append(held)
            new.by_inode[os.stat(held).st_ino] = [(start, end) for start, end in ranges]
        self.holes = new
        old.over.set()
        for held in old.held:
            os.close(held)
        return True


def _key(fd: int) -> tuple[int, int]:
    found = os.stat(fd)
    return found.st_dev, found.st_ino


def _names(body: bytes) -> list[bytes]:
    return body.split(b"\0")[:2]


def _failed() -> OSError:
    number = ctypes.get_errno()
    return OSError(number, os.strerror(number))


def _say(answer: object) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


def main() -> None:
    """Mount, serve until unmounted; commands come as lines of JSON, and each is answered."""
    backing, point, how = sys.argv[1:]
    device = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
    options = f"fd={device},rootmode=40000,user_id=0,group_id=0,allow_other,default_permissions"
    mirror = Mirror(backing, device, direct_io=how == "direct")
    if LIBC.mount(b"holey", os.fsencode(point), b"fuse.holey", 0, options.encode()) != 0:
        raise _failed()
    threading.Thread(target=mirror.run, daemon=True).start()
    _say(True)
    for line in sys.stdin:
        _say(mirror.command(json.loads(line)))


if __name__ == "__main__":
    main()

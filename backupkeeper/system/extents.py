"""Where a file lies on its device, as the file system tells it (Linux, linux/fiemap.h)."""

import fcntl
import struct
from typing import Final

_FIEMAP: Final = 0xC020660B
"""FS_IOC_FIEMAP: _IOWR('f', 11, struct fiemap), linux/fs.h."""
_HEAD: Final = struct.Struct("=QQLLLL")
"""struct fiemap: start, length, flags, mapped extents, extents that there is room for, reserved."""
_EXTENT: Final = struct.Struct("=QQQQQLLLL")
"""struct fiemap_extent: logical, physical, length, reserved x2, flags, reserved x3."""
_UNPLACED: Final = 0x0002 | 0x0004 | 0x0200 | 0x0400
"""UNKNOWN, DELALLOC, DATA_INLINE, DATA_TAIL: the position says nothing."""


def first_extent(handle: int) -> int | None:
    """Byte of the device at which the file's first extent begins; None where it has no place.

    Raises:
        OSError: the file system does not tell.
    """
    room = bytearray(_HEAD.size + _EXTENT.size)
    _HEAD.pack_into(room, 0, 0, (1 << 64) - 1, 0, 0, 1, 0)
    fcntl.ioctl(handle, _FIEMAP, room)
    mapped = _HEAD.unpack_from(room)[3]
    if not mapped:
        return None
    extent = _EXTENT.unpack_from(room, _HEAD.size)
    physical, flags = extent[1], extent[5]
    return None if flags & _UNPLACED else physical

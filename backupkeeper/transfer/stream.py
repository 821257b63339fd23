"""A file of a place as a binary stream, for libraries that want one. Read-only, links refused."""

import io

from backupkeeper.ports.files import Files, Handle


class FileStream(io.RawIOBase):
    """Reads a file through the ports. ``OSError`` leaves as it is; close it, or use ``with``."""

    def __init__(self, files: Files, path: str) -> None:
        super().__init__()
        self._files = files
        self._handle: Handle | None = files.open_read(path)
        self._size = files.stat_handle(self._handle).size
        self._at = 0

    def readable(self) -> bool:
        """It is."""
        return True

    def seekable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override] # typeshed: WriteableBuffer
        """Read the next bytes into a buffer; 0 at the end."""
        got = self._files.read_into(self._open(), memoryview(buffer).cast("B"), self._at)
        self._at += got
        return got

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go elsewhere."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        if base + offset < 0:
            raise ValueError("before the beginning of the file")
        self._at = base + offset
        return self._at

    def tell(self) -> int:
        """Where it is."""
        return self._at

    def close(self) -> None:
        """Close the file; a second time is no error."""
        if self._handle is not None:
            handle, self._handle = self._handle, None
            self._files.close(handle)
        super().close()

    def _open(self) -> Handle:
        if self._handle is None:
            raise ValueError("the stream is closed")
        return self._handle

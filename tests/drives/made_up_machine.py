"""The files of a Linux machine that tell about drives, made up below a folder."""

import os

BOOT = "0f0e0d0c-1111-4222-8333-444455556666"


class MadeUpMachine:
    """A tree with ``proc``, ``sys``, ``dev`` and ``run`` below ``root``."""

    def __init__(self, root: str) -> None:
        self.root = root
        self.lines: list[str] = []
        self.write("proc/sys/kernel/random/boot_id", BOOT + "\n")
        self.write("proc/self/mountinfo", "")

    def write(self, path: str, text: str) -> None:
        """A file with its folders."""
        whole = os.path.join(self.root, path)
        os.makedirs(os.path.dirname(whole), exist_ok=True)
        with open(whole, "wb") as file:
            file.write(os.fsencode(text))

    def link(self, path: str, target: str) -> None:
        """A relative link to another path of the tree."""
        whole = os.path.join(self.root, path)
        os.makedirs(os.path.dirname(whole), exist_ok=True)
        os.symlink(os.path.relpath(os.path.join(self.root, target), os.path.dirname(whole)), whole)

    def block(self, folder: str, number: str, attributes: dict[str, str] | None = None) -> str:
        """A block device with its sysfs folder (below ``sys/devices``) and its node."""
        path, name = f"sys/devices/{folder}", os.path.basename(folder)
        self.write(f"{path}/dev", number + "\n")
        for attribute, text in (attributes or {}).items():
            self.write(f"{path}/{attribute}", text)
        self.link(f"sys/dev/block/{number}", path)
        self.link(f"sys/class/block/{name}", path)
        self.write(f"dev/{name.replace('!', '/')}", "")
        return path

    def mount(
        self,
        source: str,
        number: str,
        *,
        point: str = "/media/m",
        fs_type: str = "ext4",
        mount_id: int = 40,
    ) -> None:
        """One more line of the mount table, and the folder it names."""
        os.makedirs(self.root + point, exist_ok=True)
        self.lines.append(f"{mount_id} 1 {number} / {point} rw,relatime - {fs_type} {source} rw")
        self.write("proc/self/mountinfo", "\n".join(self.lines) + "\n")

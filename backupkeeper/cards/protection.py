"""How far a card is protected from being written to by the way it is mounted (pure)."""

from backupkeeper.ports.mounts import Mount


def writing_warnings(mount: Mount) -> tuple[str, ...]:
    """What a person should know before a card is read through this mount.

    This program never writes to a card, and asks the system not to note when a file is read. A
    FUSE driver does not hear of that wish: exFAT's set the access time of each file that was read
    (tried here; with the mount options ``ro`` or ``noatime`` it did not).
    """
    if mount.read_only or not mount.fs_type.startswith("fuse"):
        return ()
    text = (
        "The card is mounted writable, and its driver may note on it when each file is read. "
        "Mounted read-only it can't."
    )
    return (text,)

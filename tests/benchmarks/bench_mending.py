"""What locating and mending damage cost, in bytes of the devices and against copying by hand (issue 4)."""

import json
import os
from collections.abc import Callable

from tests.benchmarks.conftest import Row
from tests.benchmarks.stand import MIB, Stand, cool, fill, shell

MakeStand = Callable[[int], Stand]
SIZE = int(float(os.environ.get("BENCH_MENDING_GB", "4")) * 1e9)


def bench_one_bad_sector_of_a_large_file(make_stand: MakeStand, row: Row) -> None:
    """Found, located and mended: how much is read, and from where."""
    at = make_stand(-(-SIZE * 2 // (1024 * MIB)) + 2)
    fill(at.path("card"), files=1, size=SIZE)
    at.add_drives()
    at.offload()
    folder = at.path("main", "260612 Boatyard", "Originals", "Wide", "Roll 01", "DCIM", "100BOATY")
    copy = os.path.join(folder, "BOAT0001.MP4")
    before = os.stat(copy)
    shell(f"printf rot | dd of='{copy}' bs=1 seek={SIZE // 2} conv=notrunc 2>/dev/null; sync")
    os.utime(copy, ns=(before.st_atime_ns, before.st_mtime_ns))
    cool(at.root)
    main, second = _read(at, "main"), _read(at, "second")
    found = at.keeper("verify", "main", "--json", may_exit=(1,))
    located = _read(at, "main") - main
    assert json.loads(found.output[found.output.index("{") :])["findings"][0]["damage"]
    row(
        f"locating one bad sector in {SIZE / 1e9:.0f} GB, to the byte",
        f"{located / SIZE:.3f} of the file read from its drive, {(_read(at, 'second') - second) / 1e6:.1f} MB from the other",
        "one read",
        "sectors of the devices",
    )
    hand = shell(
        f"cp '{copy}' '{copy}.hand' && sync && dd if='{copy}.hand' of=/dev/null iflag=direct bs=8M 2>/dev/null && rm '{copy}.hand'"
    )
    cool(at.root)
    second = _read(at, "second")
    mended = at.keeper("repair")
    row(
        f"mending it: {mended.seconds:.1f} s; copying the file and reading it back by hand {hand:.1f} s",
        f"{hand / mended.seconds:.2f} times as fast, {(_read(at, 'second') - second) / 1e6:.1f} MB from the other drive",
        "as fast; one block",
        "cp, sync, dd iflag=direct",
    )


def _read(at: Stand, name: str) -> int:
    return at.sectors_read(name) if at.loops else 0

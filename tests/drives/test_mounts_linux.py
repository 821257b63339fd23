"""What is mounted and what lies under it, on machines that are made up."""

import errno
import os
import time
from pathlib import Path

import pytest

from backupkeeper.core.errors import DriveGoneError, MountChangedError, ReadError
from backupkeeper.drives.mounts_linux import LinuxMounts, probe_with_blkid
from backupkeeper.ports.mounts import DeviceInfo, Mounts
from tests.drives.made_up_machine import BOOT, MadeUpMachine

USB = "pci0/usb1/1-2/1-2:1.0/host6/target6:0:0/6:0:0:{lun}/block/{name}"


@pytest.fixture
def machine(tmp_path: Path) -> MadeUpMachine:
    return MadeUpMachine(str(tmp_path))


def mounts_of(machine: MadeUpMachine, told: bytes = b"") -> LinuxMounts:
    return LinuxMounts(root=machine.root, probe=lambda device: told)


def only(machine: MadeUpMachine, told: bytes = b"") -> DeviceInfo:
    mounts = mounts_of(machine, told)
    return mounts.inspect(mounts.current()[-1])


def usb_disk(
    machine: MadeUpMachine, name: str, number: str, *, lun: int = 0, serial: str = "A1B2"
) -> str:
    folder = USB.format(lun=lun, name=name)
    machine.write("sys/devices/pci0/usb1/1-2/idVendor", "1234\n")
    machine.write("sys/devices/pci0/usb1/1-2/idProduct", "5678\n")
    machine.write("sys/devices/pci0/usb1/1-2/serial", serial + "\n")
    machine.block(folder, number, {"queue/rotational": "1\n", "size": "2000\n", "diskseq": "11\n"})
    return folder


def test_it_is_the_port() -> None:
    mounts: Mounts = LinuxMounts()
    assert mounts.current()


def test_a_token_names_boot_mount_device_and_attachment(machine: MadeUpMachine) -> None:
    usb_disk(machine, "sdb", "8:16")
    machine.block(USB.format(lun=0, name="sdb/sdb1"), "8:17", {"partition": "1\n"})
    machine.mount("/dev/sdb1", "8:17")
    (mount,) = mounts_of(machine).current()
    assert mount.token == f"{BOOT}:40:8:17:11"


def test_another_drive_under_the_same_mount_id_and_device_number_has_another_token(
    machine: MadeUpMachine,
) -> None:
    folder = usb_disk(machine, "sdb", "8:16")
    machine.mount("/dev/sdb", "8:16")
    before = mounts_of(machine).current()
    machine.write(f"sys/devices/{folder}/diskseq", "12\n")
    assert mounts_of(machine).current() != before


def test_two_partitions_are_one_device(machine: MadeUpMachine) -> None:
    folder = usb_disk(machine, "sdb", "8:16")
    for part in ("1", "2"):
        machine.block(f"{folder}/sdb{part}", f"8:{16 + int(part)}", {"partition": part})
        machine.mount(f"/dev/sdb{part}", f"8:{16 + int(part)}", point=f"/media/{part}")
    mounts = mounts_of(machine)
    one, two = (mounts.inspect(mount) for mount in mounts.current())
    assert one.device == two.device == "usb:1234:5678:A1B2:0"
    assert (one.block_device, two.block_device) == ("/dev/sdb1", "/dev/sdb2")
    assert one.spins is True


def test_two_slots_of_one_card_reader_are_two_devices(machine: MadeUpMachine) -> None:
    usb_disk(machine, "sdb", "8:16", lun=0)
    usb_disk(machine, "sdc", "8:32", lun=1)
    machine.mount("/dev/sdb", "8:16")
    machine.mount("/dev/sdc", "8:32", mount_id=41)
    mounts = mounts_of(machine)
    assert len({mounts.inspect(mount).device for mount in mounts.current()}) == 2


@pytest.mark.parametrize("serial", ["", "0", "0x00000000", "000000000000", " "])
def test_a_number_that_is_none_names_no_device(machine: MadeUpMachine, serial: str) -> None:
    usb_disk(machine, "sdb", "8:16", serial=serial)
    machine.mount("/dev/sdb", "8:16")
    assert only(machine).device == "unnamed:sdb:1024000"


@pytest.mark.parametrize(
    ("attributes", "device"),
    [
        ({"serial": "S1\n"}, "disk:S1"),
        (
            {"device/serial": "S2\n", "device/model": "Quick  Disk \n", "wwid": "eui.1\n"},
            "disk:Quick Disk S2",
        ),
        ({"device/wwid": "naa.5000\n", "device/model": "Big\n"}, "disk:Big naa.5000"),
        ({"device/cid": "0353445342\n", "device/serial": "0x00000001\n"}, "disk:0353445342"),
        ({"serial": "a\x1b[31m\udcffb\n"}, "disk:a [31m b"),
        ({"serial": "0000\n", "wwid": "eui.7\n"}, "disk:eui.7"),
        ({}, "unnamed:xda:0"),
        ({"size": "many"}, "unnamed:xda:0"),
    ],
)
def test_a_disk_is_known_by_its_own_number(
    machine: MadeUpMachine, attributes: dict[str, str], device: str
) -> None:
    machine.block("virtual/block/xda", "250:0", attributes)
    machine.mount("/dev/xda", "250:0")
    info = only(machine)
    assert info.device == device
    assert info.spins is None


def test_an_encrypted_or_joined_device_is_the_disks_below_it(machine: MadeUpMachine) -> None:
    machine.block("a/block/sda", "8:0", {"serial": "ONE", "queue/rotational": "0"})
    machine.block("a/block/sda/sda1", "8:1", {"partition": "1"})
    machine.block("b/block/sdb", "8:16", {"serial": "TWO", "queue/rotational": "1"})
    machine.block("virtual/block/md0", "9:0", {"queue/rotational": "0"})
    machine.link("sys/devices/virtual/block/md0/slaves/sda1", "sys/devices/a/block/sda/sda1")
    machine.link("sys/devices/virtual/block/md0/slaves/sdb", "sys/devices/b/block/sdb")
    machine.block("virtual/block/dm-0", "253:0")
    machine.link("sys/devices/virtual/block/dm-0/slaves/md0", "sys/devices/virtual/block/md0")
    machine.mount("/dev/mapper/vault", "253:0")
    info = only(machine)
    assert info.device == "disk:ONE+disk:TWO"
    assert info.spins is True
    assert info.block_device == "/dev/dm-0"


def test_devices_that_rest_on_each_other_in_a_ring_end(machine: MadeUpMachine) -> None:
    machine.block("virtual/block/dm-0", "253:0", {"serial": "X"})
    machine.link("sys/devices/virtual/block/dm-0/slaves/dm-0", "sys/devices/virtual/block/dm-0")
    machine.mount("/dev/dm-0", "253:0")
    assert only(machine).device == "disk:X"


def test_a_loop_device_is_its_backing_file(machine: MadeUpMachine) -> None:
    machine.block(
        "virtual/block/loop3",
        "7:3",
        {"loop/backing_file": "/tmp/a b.img\n", "queue/rotational": "0"},
    )
    machine.mount("/dev/loop3", "7:3")
    info = only(machine)
    assert (info.device, info.spins) == ("loop:/tmp/a b.img", False)


def test_a_file_system_with_a_made_up_number_is_found_by_its_source(machine: MadeUpMachine) -> None:
    machine.block("a/block/sda", "8:0", {"serial": "ONE"})
    machine.link("dev/mapper/vault", "dev/sda")
    machine.mount("/dev/mapper/vault", "0:44", fs_type="btrfs")
    info = only(machine)
    assert (info.device, info.block_device) == ("disk:ONE", "/dev/sda")


@pytest.mark.parametrize(
    ("source", "fs_type", "device"),
    [
        ("tmpfs", "tmpfs", "memory"),
        ("tank/card", "zfs", "zfs:tank"),
        ("overlay", "overlay", "fs:overlay:0:44"),
        ("server:/export", "nfs4", "net:nfs4:server:/export"),
        ("//server/share", "cifs", "net:cifs://server/share"),
        ("/dev/nothing", "btrfs", "fs:btrfs:0:44"),
        ("/dev/..", "odd", "fs:odd:0:44"),
        ("/dev/", "odd", "fs:odd:0:44"),
    ],
)
def test_what_has_no_block_device_is_named_too(
    machine: MadeUpMachine, source: str, fs_type: str, device: str
) -> None:
    machine.mount(source, "0:44", fs_type=fs_type)
    info = only(machine, b"UUID=never asked\n")
    assert info.device == device
    assert (info.block_device, info.fs_uuid, info.label, info.spins) == (None, None, None, None)
    assert info.size_bytes


def test_a_block_device_that_sysfs_does_not_show_is_named_by_its_number(
    machine: MadeUpMachine,
) -> None:
    machine.mount("/dev/sdq", "65:0")
    assert only(machine).device == "fs:ext4:65:0"


def test_uuid_and_label_come_from_udevs_record(machine: MadeUpMachine) -> None:
    usb_disk(machine, "sdb", "8:16")
    machine.mount("/dev/sdb", "8:16")
    machine.write(
        "run/udev/data/b8:16",
        "S:disk/by-uuid/X\nE:ID_FS_UUID=12AB-34CD\nE:ID_FS_LABEL_ENC=My\\x20Card\n",
    )
    info = only(machine, b"UUID=never asked\n")
    assert (info.fs_uuid, info.label) == ("12AB-34CD", "My Card")


def test_uuid_and_label_come_from_udevs_links(machine: MadeUpMachine) -> None:
    usb_disk(machine, "sdb", "8:16")
    machine.mount("/dev/sdb", "8:16")
    machine.write("dev/sdz", "")
    machine.link("dev/disk/by-uuid/0000-0000", "dev/sdz")
    machine.link("dev/disk/by-uuid/12AB-34CD", "dev/sdb")
    machine.link("dev/disk/by-label/caf\\xc3\\xa9\\x20\\xff", "dev/sdb")
    info = only(machine, b"UUID=never asked\n")
    assert (info.fs_uuid, info.label) == ("12AB-34CD", "café \udcff")


def test_uuid_and_label_come_from_the_device_where_udev_says_nothing(
    machine: MadeUpMachine,
) -> None:
    usb_disk(machine, "sdb", "8:16")
    machine.mount("/dev/sdb", "8:16")
    machine.write("run/udev/data/b8:16", "E:ID_MODEL=x\n")
    info = only(machine, b"DEVNAME=/dev/sdb\nLABEL=My\\ Card\nUUID=12AB-34CD\nTYPE=exfat\n")
    assert (info.fs_uuid, info.label) == ("12AB-34CD", "My Card")


def test_what_nobody_knows_is_none(machine: MadeUpMachine) -> None:
    usb_disk(machine, "sdb", "8:16")
    machine.mount("/dev/sdb", "8:16")
    os.rmdir(machine.root + "/media/m")
    info = only(machine)
    assert (info.fs_uuid, info.label, info.size_bytes) == (None, None, None)


def test_a_mount_table_that_is_not_there_is_an_error(machine: MadeUpMachine) -> None:
    os.remove(machine.root + "/proc/self/mountinfo")
    with pytest.raises(ReadError, match="mountinfo"):
        mounts_of(machine).current()


@pytest.mark.parametrize("path", ["/no/such/folder", "", "a\0b"])
def test_a_path_that_is_not_there_rests_on_nothing(path: str) -> None:
    with pytest.raises(DriveGoneError):
        LinuxMounts().under(path)


@pytest.mark.parametrize(
    ("number", "error"),
    [(errno.EACCES, ReadError), (errno.EIO, ReadError), (errno.ENOTCONN, DriveGoneError)],
)
def test_a_path_that_can_not_be_reached_is_no_path_that_is_gone(
    monkeypatch: pytest.MonkeyPatch, number: int, error: type[Exception]
) -> None:
    def refuse(path: str, flags: int) -> int:
        raise OSError(number, path)

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(error):
        LinuxMounts().under("/etc")


def test_a_mount_that_the_table_does_not_have_is_told(machine: MadeUpMachine) -> None:
    machine.mount("/dev/sdb", "8:16", mount_id=999_999_999)
    with pytest.raises(MountChangedError):
        mounts_of(machine).under("/etc")
    os.remove(machine.root + "/proc/self/mountinfo")
    with pytest.raises(ReadError):
        mounts_of(machine).under("/etc")


def test_this_machines_own_paths_are_found_by_the_kernel() -> None:
    mounts = LinuxMounts()
    assert mounts.under("/proc/self").fs_type == "proc"
    assert mounts.under("/").point == "/"
    assert mounts.under("/").token == mounts.under("/etc").token


def test_a_device_that_is_none_tells_blkid_nothing() -> None:
    assert probe_with_blkid("/dev/null") == b""
    assert probe_with_blkid("--help") == b""


def test_a_blkid_that_hangs_or_is_missing_tells_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = tmp_path / "blkid"
    slow.write_text("#!/bin/sh\nexec sleep 60\n")
    slow.chmod(0o755)
    monkeypatch.setattr("backupkeeper.drives.mounts_linux.BLKID_PLACES", (str(slow),))
    monkeypatch.setattr("backupkeeper.drives.mounts_linux.BLKID_SECONDS", 0.1)
    began = time.monotonic()
    assert probe_with_blkid("/dev/null") == b""
    assert time.monotonic() - began < 10
    monkeypatch.setattr("backupkeeper.drives.mounts_linux.BLKID_PLACES", ())
    assert probe_with_blkid("/dev/null") == b""

"""Where an output goes: a file is replaced in one step, what is no file is written into, a link stands."""

import os
import stat
import sys
import threading
from pathlib import Path

import pytest

from waykeeper.exchange.files import write_whole
from waykeeper.findings import WaykeeperError


def test_a_link_stands_and_what_it_leads_to_is_replaced(tmp_path):
    (tmp_path / "there").mkdir()
    target, link = tmp_path / "there" / "list.html", tmp_path / "link.html"
    link.symlink_to(target)
    write_whole(str(link), "first")  # it led to nothing yet
    assert (link.is_symlink(), target.read_text("utf-8")) == (True, "first")
    write_whole(str(link), "second")
    assert (link.is_symlink(), target.read_text("utf-8")) == (True, "second")
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link.html", "there"]
    assert [p.name for p in target.parent.iterdir()] == ["list.html"]


def test_links_in_a_circle_are_refused(tmp_path):
    one, other = tmp_path / "one", tmp_path / "other"
    one.symlink_to(other)
    other.symlink_to(one)
    with pytest.raises(WaykeeperError, match="cannot write"):
        write_whole(str(one), "x")
    assert one.is_symlink()


def test_a_pipe_is_written_into(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()), daemon=True)
    reader.start()
    write_whole(str(pipe), ["a part", " and another"])
    reader.join(timeout=10)
    assert got == [b"a part and another"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.skipif(not Path("/dev/fd").is_dir(), reason="the system has no names for what is open")
def test_what_a_shell_opened_for_another_command_is_written_into():
    reads, writes = os.pipe()
    try:
        write_whole(f"/dev/fd/{writes}", "the page")
    finally:
        os.close(writes)
    with os.fdopen(reads) as stream:
        assert stream.read() == "the page"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root makes devices")
def test_a_device_is_written_into(tmp_path):
    device = tmp_path / "nothing"
    try:
        os.mknod(device, 0o666 | stat.S_IFCHR, os.makedev(1, 3))  # as the null device of Linux
        device.open("wb").close()
    except PermissionError:
        pytest.skip("this folder takes no devices")
    write_whole(str(device), "x")
    assert stat.S_ISCHR(device.lstat().st_mode)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root makes devices")
def test_a_disk_is_refused(tmp_path):
    device = tmp_path / "disk"
    try:
        os.mknod(device, 0o600 | stat.S_IFBLK, os.makedev(1, 250))  # a RAM disk that is not there
    except PermissionError:
        pytest.skip("this folder takes no devices")
    with pytest.raises(WaykeeperError, match="it is a disk"):
        write_whole(str(device), "x")
    assert stat.S_ISBLK(device.lstat().st_mode)


def test_standard_output_by_another_name_keeps_what_follows(tmp_path, monkeypatch):
    out = tmp_path / "out"
    with out.open("w", encoding="utf-8") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        write_whole(str(out), "the page, ")
        write_whole("-", "the list")
    assert out.read_text("utf-8") == "the page, the list"

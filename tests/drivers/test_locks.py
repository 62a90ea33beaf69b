"""Address locks, with a second process where one is needed.

Does NOT cover Windows (its road is written by documentation) nor network disks.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.locks import AddressLock, default_lock_directory
from labbench.errors import AddressLocked, InputError

ADDRESS = "TCPIP::meter::5025::SOCKET"
KEY = "tcp meter 5025"

HOLD = """
import sys, time
from pathlib import Path
from drivers.locks import AddressLock
lock = AddressLock(sys.argv[1], address=sys.argv[2], holder="bench-2", directory=Path(sys.argv[3]))
print("held", flush=True)
time.sleep(60)
"""


def take(directory: Path, holder: str = "bench-1") -> AddressLock:
    return AddressLock(KEY, address=ADDRESS, holder=holder, directory=directory)


def test_a_second_opening_in_this_process_is_told_who_holds_the_address(tmp_path: Path) -> None:
    first = take(tmp_path, "bench-1, verify")
    with pytest.raises(AddressLocked) as told:
        take(tmp_path)
    assert ADDRESS in str(told.value)
    assert "bench-1, verify" in str(told.value)
    assert f"process {os.getpid()}" in str(told.value)
    first.release()
    first.release()
    take(tmp_path).release()


def test_two_addresses_do_not_lock_each_other(tmp_path: Path) -> None:
    first = take(tmp_path)
    other = AddressLock("tcp meter 5026", address="x", holder="y", directory=tmp_path)
    assert first.path != other.path
    first.release()
    other.release()


def test_keys_that_differ_only_in_signs_have_different_files(tmp_path: Path) -> None:
    first = AddressLock("tcp a-b 1", address="x", holder="y", directory=tmp_path)
    other = AddressLock("tcp a_b 1", address="x", holder="y", directory=tmp_path)
    assert first.path != other.path
    first.release()
    other.release()


def test_another_process_holds_the_address_until_it_dies_however_it_dies(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, KEY, ADDRESS, str(tmp_path)],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(AddressLocked, match=f"bench-2 .process {other.pid}"):
            take(tmp_path)
        other.send_signal(signal.SIGKILL)
        other.wait()
    take(tmp_path).release()


def test_a_text_that_cannot_be_read_still_locks(tmp_path: Path) -> None:
    first = take(tmp_path)
    first.path.write_text("{")
    with pytest.raises(AddressLocked, match="did not say who"):
        take(tmp_path)
    first.release()


def test_a_lock_folder_that_cannot_be_used_says_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="lock file"):
        take(tmp_path / "file")


def test_the_lock_file_can_be_used_by_others_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        lock = take(tmp_path / "shared")
    finally:
        os.umask(before)
    assert lock.path.stat().st_mode & 0o777 == 0o666
    assert lock.path.parent.stat().st_mode & 0o7777 == 0o1777
    lock.release()


def test_a_lock_file_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    lock = take(tmp_path)
    lock.release()
    victim = tmp_path / "victim"
    victim.write_text("precious")
    lock.path.unlink()
    lock.path.symlink_to(victim)
    with pytest.raises(InputError):
        take(tmp_path)
    assert victim.read_text() == "precious"


def test_locks_lie_in_one_folder_for_all_users_by_default() -> None:
    assert default_lock_directory().name == "labbench-locks"

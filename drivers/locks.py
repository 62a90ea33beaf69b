"""Keep two labbench processes off one instrument: an advisory lock file for each address.

VISA's own locks do not exist for sockets and serial ports. The operating system drops the lock when
its holder dies, however it dies; the text in the file only tells a person who holds it.
The POSIX road (fcntl) is tested; the Windows road (msvcrt) is written by its documentation.
"""

from __future__ import annotations

__all__ = ["AddressLock", "default_lock_directory"]

import contextlib
import errno
import hashlib
import json
import os
import re
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from labbench.errors import AddressLocked, InputError

if sys.platform == "win32":
    import msvcrt

    #: Windows locks bytes against reading as well: one far behind the text is locked
    _FAR = 1 << 30

    def _lock(file: int) -> None:
        os.lseek(file, _FAR, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        os.lseek(file, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


#: how long a lock may be held before its text is there (s)
_SAYS_WHO_S = 0.02
_UNKNOWN_HOLDER = "another program that did not say who it is"
#: what a lock that somebody else holds looks like (POSIX: EAGAIN; Windows: EACCES, EDEADLK)
_HELD = frozenset({errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK})


def default_lock_directory() -> Path:
    """Name the folder that all users of this computer share for locks."""
    return Path(tempfile.gettempdir()) / "labbench-locks"


class AddressLock:
    """Hold the lock of one address until `release`."""

    def __init__(
        self, key: str, *, address: str, holder: str, directory: Path | None = None
    ) -> None:
        """Take the lock or raise AddressLocked, which says who holds it.

        key: the same text for every spelling of the address. holder: who we are, for others.
        """
        directory = directory or default_lock_directory()
        readable = re.sub(r"[^A-Za-z0-9.]+", "-", key)[:60].strip("-")
        name = f"{readable}-{hashlib.sha256(key.encode()).hexdigest()[:12]}.lock"
        self.path = directory / name
        self._file: int | None = None
        try:
            _make_shared(directory)
            file = _open_shared(self.path)
        except OSError as error:
            raise InputError(
                f"the lock file {self.path} cannot be opened: {error.strerror}",
                hint="give a lock folder that you may write to",
            ) from error
        for attempts_left in (2, 1, 0):
            try:
                _lock(file)
                break
            except OSError as error:
                if error.errno not in _HELD:
                    os.close(file)
                    raise InputError(
                        f"the lock file {self.path} cannot be locked: {error.strerror}",
                        hint="give a lock folder on a disk of this computer",
                    ) from error
                held_by = _read_holder(file)
                if held_by is None and attempts_left:
                    time.sleep(_SAYS_WHO_S)  # its holder is about to say who it is, or to let go
                    continue
                os.close(file)
                raise AddressLocked(
                    f"{address} is in use by {held_by or _UNKNOWN_HOLDER}",
                    instrument=address,
                    hint="close the other program; two programs would get each other's answers",
                ) from error
        # A full disk must not matter: the lock holds without its text.
        with contextlib.suppress(OSError):
            os.ftruncate(file, 0)
            text = {
                "pid": os.getpid(),
                "holder": holder,
                "address": address,
                "since": datetime.now(UTC).isoformat(timespec="seconds"),
            }
            os.write(file, (json.dumps(text) + "\n").encode())
        self._file = file

    def release(self) -> None:
        """Let go. The file stays: removing it could take the lock from the next holder."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                os.ftruncate(file, 0)
            os.close(file)


def _make_shared(directory: Path) -> None:
    if not directory.is_dir():
        directory.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(OSError):
            directory.chmod(0o1777)  # like the folder for temporary files: others may use it too


def _open_shared(path: Path) -> int:
    """Open for reading and writing by every user, making the file where there is none."""
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0)
    try:
        # without O_CREAT: Linux refuses that for a file of somebody else in a sticky folder
        return os.open(path, flags)
    except FileNotFoundError:
        file = os.open(path, flags | os.O_CREAT, 0o666)
    with contextlib.suppress(OSError, AttributeError):
        os.fchmod(file, 0o666)  # whatever the umask
    return file


def _read_holder(file: int) -> str | None:
    try:
        os.lseek(file, 0, os.SEEK_SET)
        text = json.loads(os.read(file, 4096))
        who = str(text["holder"]) or "labbench"
        return f"{who} (process {text['pid']}, since {text['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return None

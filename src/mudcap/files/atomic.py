"""A folder's files replaced all together or not at all, whatever kills the program meanwhile.

New files are written into a hidden folder inside the target, each one flushed to the disk. One rename of that folder is
the moment of truth: before it the old files stand, after it the new ones count, and a run that was killed while moving
them into place is finished by the next one (`settle`). Files that are not ours are never touched.
"""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sys
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from mudcap.errors import StoreError
from mudcap.lang import _

LOCK: Final = ".mudcap-lock"
STAGE: Final = ".mudcap-stage"
READY: Final = ".mudcap-ready"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """Proof that this run alone may write into `directory`."""

    directory: Path


def check_directory(directory: Path) -> None:
    """Refuse, before any work, a target that cannot become a folder of outputs. Nothing is created.

    Raises ``StoreError`` naming the folder and what to do.
    """
    try:
        if directory.is_dir():
            if not os.access(directory, os.W_OK | os.X_OK):
                raise StoreError(
                    _("{folder}: this folder may not be written. Choose another with -o.").format(
                        folder=directory
                    )
                )
            return
        if os.path.lexists(directory):
            raise StoreError(
                _("{folder}: this is a file, not a folder. Choose a folder for the outputs with -o.").format(
                    folder=directory
                )
            )
        parent = directory.absolute().parent
        if not parent.is_dir():
            raise StoreError(
                _(
                    "{folder}: the folder {parent} does not exist. Make it first, or choose another with -o."
                ).format(folder=directory, parent=parent)
            )
    except OSError as error:
        raise _refusal(directory, error) from error


@contextmanager
def locked(directory: Path) -> Iterator[Lock]:
    """Hold the right to write into `directory`, made if it is missing; what a killed run left there is settled first.

    Raises ``StoreError`` where another run holds it or the folder cannot be written.
    """
    check_directory(directory)
    made = False
    try:
        if not directory.is_dir():
            directory.mkdir()
            made = True
        handle = _take(directory / LOCK)
    except OSError as error:
        raise _refusal(directory, error) from error
    if handle is None:
        raise StoreError(
            _("{folder}: another run of mudcap is writing here. Wait until it ends, or choose another folder with -o.")
            .format(folder=directory)
        )  # fmt: skip
    try:
        try:
            settle(directory)
        except OSError as error:
            raise _refusal(directory, error) from error
        yield Lock(directory=directory)
    finally:
        # unlinked while still held, so that no later run can hold a lock on a file that is gone
        with suppress(OSError):
            os.unlink(directory / LOCK)
        handle.close()
        if made:
            with suppress(OSError):
                directory.rmdir()


@contextmanager
def staged(lock: Lock, names: Collection[str]) -> Iterator[Path]:
    """A folder to write files of the given `names` into; on leaving they replace those of the target, all together.

    Names of the collection that were not written are removed from the target: old outputs are replaced whole. After an
    exception the target is as it was.
    """
    directory, stage = lock.directory, lock.directory / STAGE
    try:
        _refuse_folders(directory, names)
        shutil.rmtree(stage, ignore_errors=True)
        stage.mkdir()
        yield stage
        foreign = sorted(p.name for p in stage.iterdir() if p.name not in names)
        if foreign:
            raise ValueError(f"{foreign[0]}: no name of an output.")
        for path in stage.iterdir():
            _flush(path)
        (stage / LOCK).write_text("\n".join(sorted(set(names) - {p.name for p in stage.iterdir()})))
        _flush(stage / LOCK)
        _flush_folder(stage)
        with _undisturbed():
            os.rename(stage, directory / READY)
            _flush_folder(directory)
            settle(directory)
    except OSError as error:
        raise _refusal(directory, error) from error
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def settle(directory: Path) -> None:
    """Finish what a killed run had made ready, and clear away what it had not."""
    ready = directory / READY
    if ready.is_dir():
        gone = ready / LOCK
        old = gone.read_text().split("\n") if gone.exists() else []
        for path in sorted(ready.iterdir()):
            if path.name != LOCK:
                os.replace(path, directory / path.name)
        for name in filter(None, old):
            (directory / name).unlink(missing_ok=True)
        _flush_folder(directory)
        shutil.rmtree(ready)
    shutil.rmtree(directory / STAGE, ignore_errors=True)


def write_file(path: Path, content: str | bytes) -> None:
    """Write one file whole: temporary name beside it, flushed, renamed. Raises ``StoreError``."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        temporary.write_bytes(content.encode() if isinstance(content, str) else content)
        _flush(temporary)
        os.replace(temporary, path)
        _flush_folder(path.parent)
    except OSError as error:
        raise _refusal(path, error) from error
    finally:
        temporary.unlink(missing_ok=True)


def _refuse_folders(directory: Path, names: Collection[str]) -> None:
    for name in names:
        if (directory / name).is_dir() and not (directory / name).is_symlink():
            raise StoreError(
                _(
                    "{path}: a folder stands where an output file belongs. Move it away, or choose another -o."
                ).format(path=directory / name)
            )


def _refusal(path: Path, error: OSError) -> StoreError:
    full = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    if error.errno in full:
        text = _("{path}: the disk is full. Nothing was changed; make room and run again.")
    elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        text = _(
            "{path}: may not be written ({reason}). Close programs that have it open, or choose another with -o."
        )
    else:
        text = _("{path}: cannot be written ({reason}). Choose another folder with -o.")
    return StoreError(text.format(path=path, reason=error.strerror or error))


def _flush(path: Path) -> None:
    with open(path, "rb+") as handle:
        os.fsync(handle.fileno())


def _flush_folder(path: Path) -> None:
    if sys.platform == "win32":  # a folder cannot be opened there; NTFS journals renames itself
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Put Ctrl-C off until the few renames are done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _take(path: Path) -> IO[bytes] | None:
    """The open, locked file, or None where another process holds it."""
    while True:
        handle = open(path, "ab")  # noqa: SIM115  # held open as long as the lock is
        if not _try_lock(handle):
            handle.close()
            return None
        try:
            same = os.path.samestat(os.fstat(handle.fileno()), os.stat(path))
        except FileNotFoundError:
            same = False
        if same:
            return handle
        handle.close()  # its owner unlinked it between our open and our lock: try the new one


if sys.platform == "win32":
    import msvcrt

    def _try_lock(handle: IO[bytes]) -> bool:
        try:
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(handle: IO[bytes]) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

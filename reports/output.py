"""Writes the report and its twin: both whole, or neither.

What is promised: at any moment, and whenever the process ends, each of the two files is the whole
former one or the whole new one. Runs on one machine that write to the same place take turns, so
the last of them leaves both its files. A process killed between the two moves leaves the new page
beside the former twin; the digests of the inputs, which stand in both, show it.

Only a file that this program wrote is ever replaced (`recognise`). Where a link stands in the place
of an output, what it leads to is judged and replaced, and the link stays.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from estimator.errors import OutputError
from estimator.processes import held, stop_signals
from reports.recognise import is_page, is_twin

Json = dict[str, Any]
"""What a twin holds: plain dicts, lists, strings and numbers."""

_PAGE_SUFFIXES = (".html", ".htm")


@dataclass(frozen=True)
class Destination:
    """Where the page and its twin go."""

    page: Path
    twin: Path


def destination(out: Path, inputs: Iterable[Path]) -> Destination:
    """The two files for `out`, checked as far as can be before anything is computed.

    Args:
        out: the page; the twin stands beside it with the suffix .json.
        inputs: files that must not be written over.

    Raises:
        OutputError: naming the rule, what was found and the remedy.
    """
    if out.suffix.lower() == ".json":
        _refuse(out, "the report is an HTML file and its twin takes .json; name it .html")
    if not out.name:
        _refuse(out, "a folder has that name; choose another --out")
    named = out.suffix.lower() in _PAGE_SUFFIXES
    where = Destination(out, out.with_suffix(".json") if named else Path(f"{out}.json"))
    if not os.path.isdir(out.parent):
        rule = "the folder for the report must exist; make it or choose another --out"
        _refuse(out.parent, rule)
    for path, is_ours in ((where.page, is_page), (where.twin, is_twin)):
        _check_place(path, inputs)
        _check_ours(path, is_ours)
    _try_folder(out)
    return where


@held(*stop_signals())
def write(where: Destination, page: str, twin: str) -> None:
    """Write both files, or leave all as it was.

    Both are written in full beside their places, then moved in; should the second move fail, the
    first is undone. A signal to end waits until that is done.

    Raises:
        OutputError: naming the file and what the system said, or that the file was put there
            meanwhile by somebody else.
    """
    where = Destination(_followed(where.page), _followed(where.twin))
    parts: dict[Path, Path] = {}
    try:
        for path, text in ((where.page, page), (where.twin, twin)):
            parts[path] = _part(path, "new")
            # A file name that is not text must not make hours of work fail here.
            _write_new(parts[path], text.encode("utf-8", "replace"))
        with _taking_turns(where.page.parent):
            _check_ours(where.page, is_page)
            _check_ours(where.twin, is_twin)
            _move_both(where, parts)
    except OSError as error:
        _refuse_write(where.page, error)
    finally:
        for part in parts.values():
            _discard(part)


def create(files: Mapping[Path, bytes]) -> None:
    """Write new files, all of them or none; what stands there already is never touched.

    Raises:
        OutputError: naming the file that could not be made.
    """
    made: list[Path] = []
    try:
        for path, data in files.items():
            with path.open("xb") as file:
                made.append(path)
                file.write(data)
    except BaseException as error:
        for each in made:
            _discard(each)
        if isinstance(error, OSError):
            reason = error.strerror or str(error)
            _refuse(path, f"could not be made ({reason}); nothing was written")
        raise


def rewrite(path: Path, change: Callable[[bytes], bytes], limit_bytes: int) -> None:
    """Give the keeper's own file a new content: it is the whole former or the whole new one at any
    moment. Permissions stay, and so does a link to it.

    Args:
        path: the file.
        change: from the former content, cut where it is larger than the limit, to the new one.
        limit_bytes: no more is read.

    Raises:
        OutputError: it cannot be written, or somebody else changed it meanwhile.
        Whatever `change` raises: nothing is written then.
    """
    if not os.path.isfile(path):
        _refuse(path, "there is no such file, or it is no ordinary one; check the path")
    path = _followed(path)
    part = _part(path, "new")
    try:
        with _taking_turns(path.parent):
            former = _content(path, limit_bytes)
            # To move a file over it takes no right to write to it.
            if not os.access(path, os.W_OK):
                _refuse(path, "may not be written to; nothing was changed; see its permissions")
            _write_new(part, change(former))
            _copy_rights(path, part)
            if _content(path, limit_bytes) != former:
                _refuse(path, "was changed by another program just now; run this again")
            os.replace(part, path)
    except OSError as error:
        reason = error.strerror or str(error)
        _refuse(path, f"could not be written ({reason}); nothing was changed; mend the cause")
    finally:
        _discard(part)


def _content(path: Path, limit_bytes: int) -> bytes:
    with path.open("rb") as file:
        return file.read(limit_bytes + 1)


def _copy_rights(path: Path, part: Path) -> None:
    status = path.stat()
    if hasattr(os, "chown"):
        with contextlib.suppress(OSError):  # only some users may give a file away
            os.chown(part, status.st_uid, status.st_gid)
    shutil.copymode(path, part)


def _check_place(path: Path, inputs: Iterable[Path]) -> None:
    if os.path.isdir(path):
        _refuse(path, "a folder has that name; choose another --out")
    if any(_same_file(path, source) for source in inputs):
        rule = "that is an input file, which is never written over; choose another --out"
        _refuse(path, rule)
    # Whoever may write to a device's folder could replace the device by a report.
    if os.path.exists(path) and not os.path.isfile(path):
        rule = "that is a device or a pipe, not an ordinary file; choose another --out"
        _refuse(path, rule)


def _check_ours(path: Path, is_ours: Callable[[Path], bool]) -> None:
    """Nothing of anybody else's may stand at `path`."""
    if not os.path.lexists(path):
        return
    try:
        known = os.path.isfile(path) and is_ours(path)
    except OSError as error:
        reason = error.strerror or str(error)
        rule = f"cannot be looked into ({reason}), so that it is not replaced; choose another --out"
        _refuse(path, rule)
    if not known:
        rule = (
            "what stands there is not known as a file that this program wrote, and no other is "
            "written over; choose another --out, or move it away"
        )
        _refuse(path, rule)


def _followed(path: Path) -> Path:
    """The file that a link leads to; any other path as it is."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def _move_both(where: Destination, parts: dict[Path, Path]) -> None:
    former = _part(where.page, "old")
    had_former = os.path.lexists(where.page)
    try:
        if had_former:
            shutil.copy2(where.page, former, follow_symlinks=False)
        try:
            os.replace(parts[where.page], where.page)
            os.replace(parts[where.twin], where.twin)
        except BaseException:
            if had_former:
                os.replace(former, where.page)
            else:
                where.page.unlink(missing_ok=True)
            raise
    finally:
        _discard(former)


@contextlib.contextmanager
def _taking_turns(folder: Path) -> Iterator[None]:
    """One run at a time moves its files into `folder`, where the system can lock a folder.

    The lock leaves no file and ends with the process, however that ends.
    """
    handle = None
    # ImportError: the system has no such locks; OSError: the file system has none.
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
        fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _part(path: Path, what: str) -> Path:
    """A name beside `path` that no other run has; process numbers repeat, in containers often."""
    return path.with_name(f".{path.name}.{secrets.token_hex(8)}.{what}")


def _discard(part: Path) -> None:
    with contextlib.suppress(OSError):
        part.unlink()


def _write_new(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _try_folder(out: Path) -> None:
    """Permissions, read-only disks and names that are too long show only on trying."""
    probe = _part(out, "new")
    try:
        _write_new(probe, b"")
    except OSError as error:
        _refuse_write(out, error)
    finally:
        _discard(probe)


def _same_file(path: Path, source: Path) -> bool:
    try:
        return path.samefile(source)
    except OSError:
        return path.absolute() == source.absolute()


def _refuse_write(path: Path, error: OSError) -> NoReturn:
    reason = error.strerror or str(error)
    rule = "nothing was changed; choose another --out or mend the cause"
    _refuse(path, f"could not be written ({reason}); {rule}")


def _refuse(path: Path, rule: str) -> NoReturn:
    raise OutputError(f"{path}: {rule}")

"""Writes the report, its twin and what is asked for beside them: all whole, or none.

What is promised: at any moment, and whenever the process ends, each of the files is the whole
former one or the whole new one. Runs on one machine that write to the same place take turns, so
the last of them leaves all its files. A process killed between two moves leaves the new page
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
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from estimator.errors import OutputError
from estimator.processes import held, stop_signals
from reports.recognise import is_page, is_twin

Json = dict[str, Any]
"""What a twin holds: plain dicts, lists, strings and numbers."""

Put = Callable[[Path], object]
"""Writes a file that is not there yet."""

_PAGE_SUFFIXES = (".html", ".htm")


@dataclass(frozen=True)
class Destination:
    """Where the page and its twin go."""

    page: Path
    twin: Path


@dataclass(frozen=True)
class Beside:
    """One more file that is written with the report.

    Attributes:
        path: its place.
        option: by which it is asked for.
        is_ours: whether the file that stands there is one that this program wrote; no other is
            written over.
    """

    path: Path
    option: str
    is_ours: Callable[[Path], bool]


def destination(out: Path, inputs: Iterable[Path], beside: Iterable[Beside] = ()) -> Destination:
    """The two files for `out`, checked as far as can be before anything is computed.

    Args:
        out: the page; the twin stands beside it with the suffix .json.
        inputs: files that must not be written over.
        beside: more files, checked likewise.

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
    taken: list[Path] = []
    for one in (*_own(where), *beside):
        _check_output(one, inputs, taken)
        taken.append(one.path)
    return where


def _own(where: Destination) -> tuple[Beside, Beside]:
    """Page and twin as any other file."""
    return Beside(where.page, "--out", is_page), Beside(where.twin, "--out", is_twin)


@held(*stop_signals())
def write(
    where: Destination, page: str, twin: str, beside: Iterable[tuple[Beside, Put]] = ()
) -> None:
    """Write all files, or leave all as it was.

    Each is written in full beside its place, then moved in; should one move fail, those before it
    are undone. A signal to end waits until that is done.

    Args:
        where: of the report.
        page, twin: its two texts.
        beside: more files, with what writes them.

    Raises:
        OutputError: naming the file and what the system said, or that the file was put there
            meanwhile by somebody else.
    """
    # A file name that is not text must not make hours of work fail here.
    texts: list[Put] = [
        partial(_write_new, data=text.encode("utf-8", "replace")) for text in (page, twin)
    ]
    files: list[tuple[Beside, Put]] = [
        (replace(one, path=_followed(one.path)), put)
        for one, put in (*zip(_own(where), texts, strict=True), *beside)
    ]
    parts: dict[Path, Path] = {}
    one = files[0][0]
    try:
        for one, put in files:
            parts[one.path] = _part(one.path, "new")
            put(parts[one.path])
            _flush(parts[one.path])
        with contextlib.ExitStack() as turns:
            # In one order for all, or two runs could wait for each other.
            for folder in sorted({path.parent for path in parts}):
                turns.enter_context(_taking_turns(folder))
            for one, _ in files:
                _check_ours(one)
            _move_all(parts)
    except OSError as error:
        _refuse_write(one.path, error, one.option)
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


def _check_output(one: Beside, inputs: Iterable[Path], taken: Iterable[Path]) -> None:
    """Whether a file may go to its place, as far as can be told before anything is computed."""
    path, remedy = one.path, f"choose another {one.option}"
    if not path.name:
        _refuse(path, f"a folder has that name; {remedy}")
    if not os.path.isdir(path.parent):
        _refuse(path.parent, f"the folder for the file must exist; make it or {remedy}")
    if os.path.isdir(path):
        _refuse(path, f"a folder has that name; {remedy}")
    if any(_same_file(path, source) for source in inputs):
        _refuse(path, f"that is an input file, which is never written over; {remedy}")
    # Whoever may write to a device's folder could replace the device by a report.
    if os.path.exists(path) and not os.path.isfile(path):
        _refuse(path, f"that is a device or a pipe, not an ordinary file; {remedy}")
    if any(_same_file(path, other) for other in taken):
        _refuse(path, f"another file of this report goes there; {remedy}")
    _check_ours(one)
    _try_folder(path, one.option)


def _check_ours(one: Beside) -> None:
    """Nothing of anybody else's may stand at its place."""
    path, remedy = one.path, f"choose another {one.option}"
    if not os.path.lexists(path):
        return
    try:
        known = os.path.isfile(path) and one.is_ours(path)
    except OSError as error:
        reason = error.strerror or str(error)
        _refuse(path, f"cannot be looked into ({reason}), so that it is not replaced; {remedy}")
    if not known:
        rule = (
            "what stands there is not known as a file that this program wrote, and no other is "
            f"written over; {remedy}, or move it away"
        )
        _refuse(path, rule)


def _followed(path: Path) -> Path:
    """The file that a link leads to; any other path as it is."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def _move_all(parts: Mapping[Path, Path]) -> None:
    """Each part into its place; should one move fail, those before it are undone."""
    formers = {path: _part(path, "old") for path in parts if os.path.lexists(path)}
    try:
        for path, former in formers.items():
            shutil.copy2(path, former, follow_symlinks=False)
        try:
            for path, part in parts.items():
                os.replace(part, path)
        except BaseException:
            for path in (path for path, part in parts.items() if not os.path.lexists(part)):
                if path in formers:
                    os.replace(formers[path], path)
                else:
                    path.unlink(missing_ok=True)
            raise
    finally:
        for former in formers.values():
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


def _flush(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _try_folder(out: Path, option: str = "--out") -> None:
    """Permissions, read-only disks and names that are too long show only on trying."""
    probe = _part(out, "new")
    try:
        _write_new(probe, b"")
    except OSError as error:
        _refuse_write(out, error, option)
    finally:
        _discard(probe)


def _same_file(path: Path, source: Path) -> bool:
    try:
        return path.samefile(source)
    except OSError:
        return path.absolute() == source.absolute()


def _refuse_write(path: Path, error: OSError, option: str) -> NoReturn:
    reason = error.strerror or str(error)
    rule = f"nothing was changed; choose another {option} or mend the cause"
    _refuse(path, f"could not be written ({reason}); {rule}")


def _refuse(path: Path, rule: str) -> NoReturn:
    raise OutputError(f"{path}: {rule}")

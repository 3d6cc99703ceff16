"""Writes the report, its twin and what is asked for beside them: all whole, or none.

What is promised: at any moment, and whenever the process ends, each of the files is the whole
former one or the whole new one. Runs on one machine that write to the same place take turns, so
the last of them leaves all its files. A process killed between two moves leaves the new page
beside the former twin; the digests of the inputs, which stand in both, show it.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from estimator.errors import OutputError

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

    A link in the place of either file is replaced itself; what it points to is left alone.

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
    is_page = out.suffix.lower() in _PAGE_SUFFIXES
    where = Destination(out, out.with_suffix(".json") if is_page else Path(f"{out}.json"))
    if not os.path.isdir(out.parent):
        rule = "the folder for the report must exist; make it or choose another --out"
        _refuse(out.parent, rule)
    for path in (where.page, where.twin):
        _check_place(path, inputs)
    _try_folder(out)
    taken = [where.page, where.twin]
    for one in beside:
        _check_beside(one, inputs, taken)
        taken.append(one.path)
    return where


def write(
    where: Destination, page: str, twin: str, beside: Iterable[tuple[Beside, Put]] = ()
) -> None:
    """Write all files, or leave all as it was.

    Each is written in full beside its place, then moved in; should one move fail, those before it
    are undone.

    Args:
        where: of the report.
        page, twin: its two texts.
        beside: more files, with what writes them.

    Raises:
        OutputError: naming the file and what the system said.
    """
    # A file name that is not text must not make hours of work fail here.
    texts = {
        path: partial(_write_new, data=text.encode("utf-8", "replace"))
        for path, text in ((where.page, page), (where.twin, twin))
    }
    parts: dict[Path, Path] = {}
    path, option = where.page, "--out"
    try:
        for path, put in texts.items():
            parts[path] = _part(path, "new")
            put(parts[path])
        for one, put_one in beside:
            path, option = one.path, one.option
            parts[path] = _part(path, "new")
            put_one(parts[path])
            _flush(parts[path])
        with contextlib.ExitStack() as turns:
            # In one order for all, or two runs could wait for each other.
            for folder in sorted({path.parent for path in parts}):
                turns.enter_context(_taking_turns(folder))
            _move_all(parts)
    except OSError as error:
        _refuse_write(path, error, option)
    finally:
        for part in parts.values():
            _discard(part)


def _check_place(path: Path, inputs: Iterable[Path], option: str = "--out") -> None:
    if os.path.isdir(path):
        _refuse(path, f"a folder has that name; choose another {option}")
    if any(_same_file(path, source) for source in inputs):
        rule = f"that is an input file, which is never written over; choose another {option}"
        _refuse(path, rule)
    # Whoever may write to a device's folder could replace the device by a report.
    if os.path.exists(path) and not os.path.isfile(path):
        rule = f"that is a device or a pipe, not an ordinary file; choose another {option}"
        _refuse(path, rule)


def _check_beside(one: Beside, inputs: Iterable[Path], taken: Iterable[Path]) -> None:
    remedy = f"choose another {one.option}"
    if not one.path.name:
        _refuse(one.path, f"a folder has that name; {remedy}")
    if not os.path.isdir(one.path.parent):
        _refuse(one.path.parent, f"the folder for the file must exist; make it or {remedy}")
    _check_place(one.path, inputs, one.option)
    if any(_same_file(one.path, path) for path in taken):
        _refuse(one.path, f"another file of this report goes there; {remedy}")
    try:
        known = not os.path.lexists(one.path) or one.is_ours(one.path)
    except OSError as error:
        reason = error.strerror or str(error)
        _refuse(one.path, f"cannot be looked into ({reason}), so that it is kept; {remedy}")
    if not known:
        rule = "what stands there is not known as a file that this program wrote"
        _refuse(one.path, f"{rule}; {remedy}, or move it away")
    _try_folder(one.path, one.option)


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

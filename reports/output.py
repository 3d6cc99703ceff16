"""Writes the report and its twin: both whole, or neither."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from estimator.errors import OutputError

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
    is_page = out.suffix.lower() in _PAGE_SUFFIXES
    twin = out.with_suffix(".json") if is_page else out.with_name(out.name + ".json")
    if out.suffix.lower() == ".json":
        msg = f"{out}: the report is an HTML file and its twin takes .json; name it .html"
        raise OutputError(msg)
    folder = out.parent
    if not os.path.isdir(folder):
        msg = f"{folder}: the folder for the report must exist; make it or choose another --out"
        raise OutputError(msg)
    for path in (out, twin):
        if os.path.isdir(path):
            msg = f"{path}: a folder has that name; choose another --out"
            raise OutputError(msg)
        for source in inputs:
            if _same_file(path, source):
                msg = f"{path}: that is an input file, which is never written over; choose another"
                raise OutputError(msg + " --out")
    _try_folder(out)
    return Destination(out, twin)


def write(where: Destination, page: str, twin: str) -> None:
    """Write both files, or leave all as it was.

    Both are written in full beside their places, then moved in; should the second move fail, the
    first is undone.

    Raises:
        OutputError: naming the file and what the system said.
    """
    parts: dict[Path, Path] = {}
    try:
        for path, text in ((where.page, page), (where.twin, twin)):
            parts[path] = _part(path, "new")
            _write_new(parts[path], text.encode("utf-8"))
        _move_both(where, parts)
    except OSError as error:
        raise _output_error(where.page, error) from error
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


def _move_both(where: Destination, parts: dict[Path, Path]) -> None:
    former = _part(where.page, "old")
    had_former = where.page.exists()
    try:
        if had_former:
            shutil.copy2(where.page, former)
        os.replace(parts[where.page], where.page)
        try:
            os.replace(parts[where.twin], where.twin)
        except BaseException:
            if had_former:
                os.replace(former, where.page)
            else:
                where.page.unlink(missing_ok=True)
            raise
    finally:
        former.unlink(missing_ok=True)


def _part(path: Path, what: str) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}.{what}")


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
        raise _output_error(out, error) from error
    finally:
        with contextlib.suppress(OSError):
            probe.unlink()


def _same_file(path: Path, source: Path) -> bool:
    try:
        return path.samefile(source)
    except OSError:
        return path.absolute() == source.absolute()


def _output_error(path: Path, error: OSError) -> OutputError:
    reason = error.strerror or str(error)
    return OutputError(
        f"{path}: could not be written ({reason}); nothing was changed; choose another --out or "
        "mend the cause"
    )

"""What both readers of input files share: the bytes, the faults found so far, names and units.

Files are opened here and nowhere else.
"""

from __future__ import annotations

import difflib
import hashlib
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import NoReturn, TypeVar

from estimator import units
from estimator.errors import Fault, InputError

_Item = TypeVar("_Item")

_FOUND_LENGTH = 60
_FILE_LENGTH = 80
_RULE_LENGTH = 1200
_LISTED_NAMES = 20
GIVE_UP_AFTER = 1000
"""Faults after which a reader gives up on the file: it is not what it was taken for."""
_WIDE_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")


class FaultList:
    """Collects every fault of one file, so that the keeper mends them all in one go."""

    def __init__(self, file: str) -> None:
        name = printable(file).strip()
        # The end of a path tells more than its beginning.
        self.file = name if len(name) <= _FILE_LENGTH else "…" + name[1 - _FILE_LENGTH :]
        self._faults: list[Fault] = []
        self._more_rows: dict[Fault, list[int]] = {}
        self._told: dict[tuple[str, str], Fault] = {}
        self._gave_up = False

    def __len__(self) -> int:
        return len(self._faults)

    def add(self, rule: str, found: str = "", row: int | None = None, column: str = "") -> None:
        """Note one broken rule; text from the file is cut and stripped of control characters.

        An invisible character in `found` is named: nobody would see what is wrong.
        """
        self._faults.append(
            Fault(
                file=self.file,
                rule=printable((rule + _unseen(found))[:_RULE_LENGTH]),
                found=shorten(found),
                row=row,
                column=shorten(column),
            )
        )

    def add_once(self, rule: str, found: str, row: int, column: str) -> None:
        """Note a rule that many rows may break alike: told at the first, the others are counted."""
        first = self._told.get((rule, column))
        if first is None:
            self.add(rule, found, row, column)
            self._told[rule, column] = self._faults[-1]
        elif row not in (first.row, *self._more_rows.get(first, ())[-1:]):
            self._more_rows.setdefault(first, []).append(row)

    def refuse(self, rule: str, found: str = "", row: int | None = None) -> NoReturn:
        """Note a fault that leaves nothing more to check. Raises: InputError, with all faults."""
        self.add(rule, found, row)
        raise InputError(self.in_file_order())

    def until_full(self, items: Iterable[_Item]) -> Iterator[_Item]:
        """`items`, up to `GIVE_UP_AFTER`; that the rest was left unread is a fault of its own."""
        for item in items:
            if len(self) >= GIVE_UP_AFTER:
                if not self._gave_up:
                    self._gave_up = True
                    self.add(
                        "reading stopped there; check that it is the right file, or mend these",
                        found=f"over {GIVE_UP_AFTER} faults",
                    )
                return
            yield item

    def in_file_order(self) -> list[Fault]:
        """All faults; those of the whole file come first."""
        told = (
            replace(fault, more_rows=tuple(self._more_rows.get(fault, ())))
            for fault in self._faults
        )
        return sorted(told, key=lambda fault: fault.row or 0)

    def raise_if_any(self) -> None:
        """Raises: InputError, with all faults in file order."""
        if self._faults:
            raise InputError(self.in_file_order())


def printable(text: str) -> str:
    """`text` with each control or invisible character turned into a blank."""
    return "".join(mark if mark.isprintable() else " " for mark in text)


def _unseen(text: str) -> str:
    """`; it holds ...`, naming the first character of `text` that nobody sees, "" where none is."""
    mark = next((mark for mark in text[:_RULE_LENGTH] if not mark.isprintable()), "")
    if not mark or mark in "\n\t":
        return ""
    name = unicodedata.name(mark, "a control character").lower()
    return f"; it holds an invisible character (U+{ord(mark):04X}, {name}): type it anew"


def shorten(text: str) -> str:
    """`text` made printable and cut to a length that fits a message."""
    cut = printable(text[: 4 * _FOUND_LENGTH]).strip()
    return cut if len(cut) <= _FOUND_LENGTH else cut[: _FOUND_LENGTH - 1] + "…"


def read_source(
    path: Path, data: bytes | None, limit_bytes: int, faults: FaultList
) -> tuple[str, str]:
    """(text, sha256 of the bytes) of the file at `path`, or of `data` in its place.

    Raises:
        InputError: it cannot be opened, is too large, or is not UTF-8 text.
    """
    if data is None:
        data = _read_bytes(path, limit_bytes, faults)
    _check_size(len(data), limit_bytes, faults)
    return _decode(data, faults), hashlib.sha256(data).hexdigest()


def _read_bytes(path: Path, limit_bytes: int, faults: FaultList) -> bytes:
    try:
        status = path.stat()
        # A pipe may keep a reader waiting for ever, and a device may never end.
        if not stat.S_ISREG(status.st_mode) and not stat.S_ISDIR(status.st_mode):
            raise ValueError("not an ordinary file")
        _check_size(status.st_size, limit_bytes, faults)
        with path.open("rb") as handle:
            return handle.read(limit_bytes + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        faults.refuse(f"cannot be opened ({reason}); check the path and its permissions")


def _check_size(size: int, limit_bytes: int, faults: FaultList) -> None:
    if size > limit_bytes:
        faults.refuse(
            f"a file of this kind may hold at most {limit_bytes / 1e6:g} MB; "
            "check that it is the right file, or split it",
            found=f"{size / 1e6:.1f} MB",
        )


def _decode(data: bytes, faults: FaultList) -> str:
    def row_of(place: int) -> int:
        return data[:place].count(b"\n") + 1

    if data.startswith(_WIDE_MARKS):
        faults.refuse("the text is UTF-16 or UTF-32; save it again as UTF-8")
    if b"\0" in data:
        rule = "this is not a text file (or it is UTF-16); save it again as UTF-8 text"
        faults.refuse(rule, "a zero byte", row_of(data.index(b"\0")))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        rule = "the text must be UTF-8; save it again as UTF-8"
        faults.refuse(rule, f"byte 0x{data[error.start]:02x}", row_of(error.start))


def name_list(names: Iterable[str]) -> str:
    """Names as `a, b, c`, cut where there are very many."""
    known = [shorten(name) for name in names]
    more = f", and {len(known) - _LISTED_NAMES} more" if len(known) > _LISTED_NAMES else ""
    return ", ".join(known[:_LISTED_NAMES]) + more


def nearest_hint(name: str, known: Iterable[str]) -> str:
    """`did you mean x? Accepted: x, y`, or only the second half where nothing comes near."""
    return _nearest_hint(name[:_FOUND_LENGTH].casefold(), tuple(known))


@lru_cache(maxsize=1024)  # a log repeats its mistakes, and the comparison is slow
def _nearest_hint(folded: str, names: tuple[str, ...]) -> str:
    by_fold = {each.casefold(): each for each in names}
    near = difflib.get_close_matches(folded, by_fold, n=1, cutoff=0.6)
    near += [each for each in by_fold if len(folded) > 1 and each.startswith(folded)]
    hint = f"did you mean {shorten(by_fold[near[0]])}? " if near else ""
    return f"{hint}Accepted: {name_list(names)}"


def match_name(name: str, known: Iterable[str]) -> str | None:
    """The known name that `name` writes, by exact spelling first, then without case or blanks."""
    names = list(known)
    if name in names:
        return name
    alike = [each for each in names if _plain(each) == _plain(name)]
    return alike[0] if len(alike) == 1 else None


def match_unit(text: str, accepted: Iterable[str]) -> str | None:
    """The accepted unit that `text` spells, in any case and with its usual other names."""
    names = {_plain(unit): unit for unit in accepted}
    for alias, unit in units.UNIT_ALIASES:
        if unit in names.values():
            names.setdefault(_plain(alias), unit)
    return names.get(_plain(text))


def unknown_unit(text: str, what: str, accepted: Iterable[str]) -> str:
    """The rule that `text` breaks where it should be a unit of `what`."""
    return f"unknown unit for {what}; {nearest_hint(text, accepted)}"


def _plain(text: str) -> str:
    """Without case, degree sign or doubled blanks, for comparing names and units."""
    return " ".join(text.casefold().replace("°", "").split())

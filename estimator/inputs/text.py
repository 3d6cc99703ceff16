"""What both readers of input files share: the bytes, the faults found so far, names and units.

Files are opened here and nowhere else.
"""

from __future__ import annotations

import difflib
import hashlib
import math
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from estimator import units
from estimator.errors import Fault, InputError
from estimator.inputs.parameters import Parameter

_Item = TypeVar("_Item")

_FOUND_LENGTH = 60
_FILE_LENGTH = 80
_RULE_LENGTH = 1200
_LISTED_NAMES = 16
MOST_FAULTS = 1000
"""Faults after which a reader gives up on the file: it is not what it was taken for."""
_WIDE_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")


class FaultList:
    """Collects every fault of one file, so that the keeper mends them all in one go."""

    def __init__(self, file: str) -> None:
        name = printable(file).strip()
        # The end of a path tells more than its beginning.
        self.file = name if len(name) <= _FILE_LENGTH else "…" + name[1 - _FILE_LENGTH :]
        self._faults: list[Fault] = []
        self._gave_up = False

    def __len__(self) -> int:
        return len(self._faults)

    def add(self, rule: str, found: str = "", row: int | None = None, column: str = "") -> None:
        """Note one broken rule; text from the file is cut and stripped of control characters."""
        self._faults.append(
            Fault(
                file=self.file,
                rule=printable(rule[:_RULE_LENGTH]),
                found=shorten(found),
                row=row,
                column=shorten(column),
            )
        )

    def until_full(self, items: Iterable[_Item]) -> Iterator[_Item]:
        """`items`, up to `MOST_FAULTS`; that the rest was left unread is a fault of its own."""
        for item in items:
            if len(self) >= MOST_FAULTS:
                if not self._gave_up:
                    self._gave_up = True
                    self.add(
                        "reading stopped there; check that it is the right file, or mend these",
                        found=f"over {MOST_FAULTS} faults",
                    )
                return
            yield item

    def in_file_order(self) -> list[Fault]:
        """All faults; those of the whole file come first."""
        return sorted(self._faults, key=lambda fault: fault.row or 0)

    def raise_if_any(self) -> None:
        """Raises: InputError, with all faults in file order."""
        if self._faults:
            raise InputError(self.in_file_order())


@dataclass(frozen=True)
class Source:
    """A whole input file: its name as the keeper gave it, its text and the sha256 of its bytes."""

    name: str
    text: str
    sha256: str


def printable(text: str) -> str:
    """`text` with each control or invisible character turned into a blank."""
    if text.isprintable():
        return text
    return "".join(" " if unicodedata.category(mark)[0] == "C" else mark for mark in text)


def shorten(text: str) -> str:
    """`text` made printable and cut to a length that fits a message."""
    cut = printable(text[: 4 * _FOUND_LENGTH]).strip()
    return cut if len(cut) <= _FOUND_LENGTH else cut[: _FOUND_LENGTH - 1] + "…"


def read_source(path: Path, data: bytes | None, limit_bytes: int) -> Source:
    """The file at `path`, or `data` in its place.

    Raises:
        InputError: it cannot be opened, is too large, or is not UTF-8 text.
    """
    faults = FaultList(str(path))
    if data is None:
        data = _read_bytes(path, limit_bytes, faults)
    if len(data) > limit_bytes:
        _refuse_size(len(data), limit_bytes, faults)
    text = _decode(data, faults)
    return Source(name=str(path), text=text, sha256=hashlib.sha256(data).hexdigest())


def _read_bytes(path: Path, limit_bytes: int, faults: FaultList) -> bytes:
    try:
        status = path.stat()
        # A pipe may keep a reader waiting for ever, and a device may never end.
        if not stat.S_ISREG(status.st_mode) and not stat.S_ISDIR(status.st_mode):
            raise ValueError("not an ordinary file")
        if status.st_size > limit_bytes:
            _refuse_size(status.st_size, limit_bytes, faults)
        with path.open("rb") as handle:
            return handle.read(limit_bytes + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        faults.add(f"cannot be opened ({reason}); check the path and its permissions")
        raise InputError(faults.in_file_order()) from error


def _refuse_size(size: int, limit_bytes: int, faults: FaultList) -> None:
    faults.add(
        f"a file of this kind may hold at most {limit_bytes / 1e6:g} MB; "
        "check that it is the right file, or split it",
        found=f"{size / 1e6:.1f} MB",
    )
    faults.raise_if_any()


def _decode(data: bytes, faults: FaultList) -> str:
    if data.startswith(_WIDE_MARKS):
        faults.add("the text is UTF-16 or UTF-32; save it again as UTF-8")
    elif b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        faults.add(
            "this is not a text file (or it is UTF-16); save it again as UTF-8 text",
            found="a zero byte",
            row=row,
        )
    faults.raise_if_any()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        faults.add(
            "the text must be UTF-8; save it again as UTF-8",
            found=f"byte 0x{data[error.start]:02x}",
            row=row,
        )
        raise InputError(faults.in_file_order()) from error


def listed(names: Iterable[str]) -> str:
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
    return f"{hint}Accepted: {listed(names)}"


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
    for alias, unit in units.UNIT_ALIASES.items():
        if unit in names.values():
            names.setdefault(_plain(alias), unit)
    return names.get(_plain(text))


def _plain(text: str) -> str:
    """Without case, degree sign or doubled blanks, for comparing names and units."""
    return " ".join(text.casefold().replace("°", "").split())


def unit_size(parameter: Parameter, unit: str) -> float:
    """Canonical size of a difference of one `unit`; unlike a level, it knows no offset."""
    return parameter.to_canonical(1.0, unit) - parameter.to_canonical(0.0, unit)


def range_text(parameter: Parameter, limits: tuple[float, float], unit: str) -> str:
    """`3 to 20 dKH` from canonical `limits`; an upper limit of infinity reads `or more`."""
    low, high = (parameter.from_canonical(limit, unit) for limit in limits)
    if math.isinf(high):
        return f"{low:g} {unit} or more"
    return f"{low:.4g} to {high:.4g} {unit}"


def level_is_possible(parameter: Parameter, value: float) -> bool:
    """Whether a canonical `value` can be meant at all; NaN (already a fault) passes."""
    low, high = parameter.possible
    return not (value < low or value > high)


def fallback_unit(parameter: Parameter, *candidates: str | None) -> str | None:
    """The first unit stated among `candidates`, else the parameter's default, else None."""
    return next((unit for unit in candidates if unit), parameter.default_unit or None)

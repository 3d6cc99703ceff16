"""By what a report was made; apart from `build`, which loads all that a fit needs."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

PACKAGES = ("reef-uptake", "arviz", "matplotlib", "numpy", "pymc", "pytensor", "scipy")
ROOT = Path(__file__).parents[2]
OWN_FILES = ("*.py", "*.jinja", "*.css")


def versions() -> dict[str, str]:
    """Versions of this program and of what the numbers depend on."""
    found = {"python": platform.python_version()}
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "not installed as a package"
    return found


@cache
def made_by() -> dict[str, str]:
    """All on which the bytes of a report hang but its input: two machines alike in this make the
    same. The program is told by its files, since two states of it may bear one number."""
    whole = hashlib.sha256()
    for package in ("estimator", "reports"):
        for path in sorted(path for kind in OWN_FILES for path in (ROOT / package).rglob(kind)):
            whole.update(f"{path.relative_to(ROOT).as_posix()}\n".encode() + path.read_bytes())
    return versions() | {"numba": version("numba"), "program's files": whole.hexdigest()[:12]}

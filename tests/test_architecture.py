"""The shape of the program: who may import whom, and which library is used where."""

from __future__ import annotations

import ast
import graphlib
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

ORDER = (
    "errors",
    "units",
    "parameters",
    "dosing",
    "tank",
    "records",
    "input_text",
    "tank_file",
    "log_file",
    "ingest",
    "carbonate",
    "settings",
    "kalman",
    "schedule",
    "mass_balance",
    "simulation",
    "priors",
    "likelihood",
    "model",
    "fit",
    "watch",
    "posterior",
    "recommendation",
    "foresight",
    "worth",
    "planning",
    "chamber",
    "tank_ph",
    "futures",
    "steering",
    "ladder",
    "change_over",
    "supplies",
    "outlook",
    "study",
    "demo_case",
)
"""A module of `estimator` imports only from modules above it. Add a new module where it belongs."""

FENCES = {
    "pymc": {"estimator/model.py", "estimator/fit.py"},
    "pytensor": {"estimator/model.py", "estimator/fit.py"},
    "arviz": {"estimator/posterior.py"},
    "xarray": {"estimator/posterior.py"},
    "numba": {
        "estimator/kalman.py",
        "estimator/mass_balance.py",
        "estimator/priors.py",
        "estimator/likelihood.py",
        "estimator/simulation.py",
        "estimator/foresight.py",
        "estimator/worth.py",
    },
    "matplotlib": {"reports/figures.py"},
    "pandas": {"estimator/log_file.py"},
    "tomllib": {"estimator/tank_file.py"},
    "PyCO2SYS": {"estimator/carbonate.py"},
}
"""Where each library may be imported."""

READERS = {"open", "read_bytes", "read_text"}
WRITERS = {"write_text", "write_bytes"}


def sources(package: str) -> dict[str, ast.Module]:
    """Syntax trees of a package by path from the root."""
    files = sorted((ROOT / package).rglob("*.py"))
    return {
        path.relative_to(ROOT).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
        for path in files
    }


def imported(tree: ast.Module, package: str) -> Iterator[str]:
    """Full dotted names that a module imports, anywhere in it; relative ones made absolute."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(part for part in (package * bool(node.level), node.module) if part)
            yield from (f"{base}.{alias.name}" for alias in node.names)


def own_modules(tree: ast.Module, package: str) -> set[str]:
    """Names of this package's modules that a module imports."""
    parts = [name.split(".") for name in imported(tree, package)]
    names = {part[1] for part in parts if part[0] == package and len(part) > 1}
    return {name for name in names if (ROOT / package / f"{name}.py").exists()}


def called(tree: ast.Module) -> set[str]:
    """Names of all functions and methods called."""
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return {
        call.attr if isinstance(call, ast.Attribute) else getattr(call, "id", "") for call in calls
    }


def test_every_module_has_its_place() -> None:
    """The order names all of `estimator`: a module that is missing must be added to `ORDER`."""
    found = {Path(path).stem for path in sources("estimator")} - {"__init__"}
    assert found - set(ORDER) == set(), "add these modules to ORDER, below all that they import"
    assert set(ORDER) - found == set(), "remove these modules from ORDER"


@pytest.mark.parametrize("module", ORDER)
def test_modules_import_only_from_above(module: str) -> None:
    """No module imports from one at or below its own place."""
    tree = sources("estimator")[f"estimator/{module}.py"]
    assert own_modules(tree, "estimator") <= set(ORDER[: ORDER.index(module)])


def test_the_estimator_never_imports_the_reports() -> None:
    """The estimate must be usable without any report."""
    for path, tree in sources("estimator").items():
        names = {name.split(".")[0] for name in imported(tree, "estimator")}
        assert "reports" not in names, path


def test_reports_do_not_import_in_circles() -> None:
    """The modules of `reports` can be put in an order too."""
    graph = {
        Path(path).stem: own_modules(tree, "reports") for path, tree in sources("reports").items()
    }
    assert set(graphlib.TopologicalSorter(graph).static_order()) >= set(graph)


@pytest.mark.parametrize("library", FENCES)
def test_libraries_stay_behind_their_fences(library: str) -> None:
    """Each heavy or changeable library is met in its own few modules only."""
    users = {
        path
        for package in ("estimator", "reports")
        for path, tree in sources(package).items()
        if library in {name.split(".")[0] for name in imported(tree, package)}
    }
    assert users <= FENCES[library]
    assert users, f"{library} is not used any more: remove its fence"


def test_files_are_read_in_one_place_of_the_estimator() -> None:
    """Only `input_text` opens files; only the demo writes them."""
    readers = {path for path, tree in sources("estimator").items() if called(tree) & READERS}
    writers = {path for path, tree in sources("estimator").items() if called(tree) & WRITERS}
    assert readers == {"estimator/input_text.py"}
    assert writers <= {"estimator/demo_case.py"}


def test_reading_input_loads_no_sampler() -> None:
    """A bad log must be answered at once: reading it reaches no module of the fit."""
    wanted = {"ingest", "log_file", "tank_file", "input_text"}
    trees = sources("estimator")
    reached: set[str] = set()
    pending = set(wanted)
    while pending:
        module = pending.pop()
        reached.add(module)
        pending |= own_modules(trees[f"estimator/{module}.py"], "estimator") - reached
    assert not reached & {
        "priors",
        "likelihood",
        "model",
        "fit",
        "posterior",
        "recommendation",
        "kalman",
        "mass_balance",
    }


def test_only_the_standard_library_and_declared_packages_are_imported() -> None:
    """Every third-party import is a dependency that pyproject.toml states, or comes with one."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {entry.split(">")[0].split("<")[0].strip() for entry in project["dependencies"]}
    # Parts of declared packages: pytensor and xarray of PyMC and ArviZ, markupsafe of Jinja.
    declared |= {"pytensor", "xarray", "markupsafe", "estimator", "reports"}
    for package in ("estimator", "reports"):
        for path, tree in sources(package).items():
            names = {name.split(".")[0] for name in imported(tree, package)}
            assert names - declared <= set(sys.stdlib_module_names), path

"""The shape of the program: who may import whom, and which library is used where."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

ORDER = {
    "estimator": {
        "errors": (),
        "units": (),
        "remark": (),
        "unknowns": (),
        "processes": (),
        "surroundings": (),
        "kernels": (),
        "inputs": (
            *("salinity_scales", "parameters", "missing_unit", "dosing", "tank", "records"),
            *("actions", "text", "moment", "key_hint", "toml_table", "tank_file", "cell"),
            *("csv_table", "columns", "log_file", "additions", "read", "new_row", "asked"),
        ),
        "water": (
            *("chamber_table", "carbonate", "chamber_ph", "settings", "media", "salinity"),
            *("light", "supply"),
        ),
        "synthetic": ("simulation", "magnesium", "demo_case"),
        "fit": (
            *(
                "either_arviz",
                "kalman",
                "layout",
                "used",
                "instruments",
                "bottles",
                "load",
                "start",
                "steps",
            ),
            *("schedule", "jumps"),
            *("mass_balance", "priors", "problem", "likelihood", "moves", "trace"),
            *("model", "sampling", "apart", "state"),
            *("forecast", "states", "checks", "posterior", "kit_in_use", "fitting"),
            *("change", "watch", "doubts"),
        ),
        "advice": (
            *(
                "gravity",
                "fit_failure",
                "ahead",
                "flow",
                "chamber_ph",
                "asked_tests",
                "alarms",
                "trust",
                "chamber",
                "effluent_check",
                "ph_and_flow",
                "air_exchange",
                "tank_ph",
            ),
            *("dissolved", "magnesium", "supplies", "outlook"),
        ),
        "next_tests": (
            *("candidates", "foresight", "outcomes", "worth", "ranking", "linear"),
            *("enough", "timetable", "planning"),
        ),
        "plan": (
            *("present", "guard", "futures", "means", "belief", "course", "search"),
            *("result", "gains", "foretold", "schedule", "ground", "task", "told", "planner"),
        ),
        "study": (),
        "draws": (),
        "pipeline": (),
        "frames": (),
    },
    "reports": {
        "recognise": (),
        "output": (),
        "demo": (),
        "template": (),
        "wording": (),
        "words": (
            "values",
            "fit",
            "advice",
            "alarms",
            "reactor",
            "plan",
            "keys",
            "unused",
            "table",
        ),
        "reference": (),
        "tank_text": (),
        "questions": (),
        "twin": (
            *(
                "versions",
                "quantities",
                "former",
                "since",
                "serialise",
                "tank",
                "reactor",
                "plan",
                "build",
            ),
        ),
        "blocks": (),
        "figures": ("canvas", "drawing", "captions"),
        "page": ("report", "sections", "contents", "shell"),
        "calendar_file": (),
        "extras": (),
        "summary": (),
        "workers": (),
        "many": (),
        "cluster": (),
        "index": (),
        "terminal": (),
        "add": (),
        "new": (),
        "cli": (),
        "start": (),
    },
}
"""By package: its parts in order, and the modules of each. A part imports only from parts above it,
and a module only from modules above it in its part. Add a new module where it belongs."""

SAMPLER_FREE = ("errors", "units", "inputs")
"""Parts of `estimator` that reading a log may load: a bad log must be answered at once."""

FENCES = {
    "pymc": {"estimator/fit/model.py", "estimator/fit/sampling.py"},
    "pytensor": {"estimator/fit/model.py", "estimator/fit/sampling.py"},
    "arviz": {"estimator/fit/either_arviz.py"},
    "xarray": {"estimator/fit/checks.py", "estimator/fit/either_arviz.py", "estimator/draws.py"},
    "numba": {"estimator/fit/either_arviz.py", "estimator/kernels.py"},
    "matplotlib": {"reports/figures/canvas.py", "reports/figures/drawing.py"},
    "tomllib": {"estimator/inputs/toml_table.py"},
    "PyCO2SYS": {"estimator/water/carbonate.py"},
    "pandas": {"estimator/frames.py"},
    "distributed": {"reports/cluster.py"},
}
"""Where each library may be imported."""

READERS = {"open", "read_bytes", "read_text"}
WRITERS = {"write_text", "write_bytes"}
LONGEST_MODULE = 450
LONGEST_FUNCTION = 60
LONG_BY_NATURE = {
    *("forward", "log_likelihood_and_adjoint", "step_response", "draw_states", "move_apart"),
}
"""Compiled loops of the fit, one each, that read worse in parts."""


@cache
def sources(package: str) -> dict[str, ast.Module]:
    """Syntax trees of a package by path from the root."""
    files = sorted((ROOT / package).rglob("*.py"))
    return {
        path.relative_to(ROOT).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
        for path in files
    }


def imported(tree: ast.Module) -> Iterator[str]:
    """Full dotted names that a module imports, anywhere in it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, "write imports in full"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def dotted(path: str) -> tuple[str, ...]:
    """("estimator", "fit", "posterior") of a path; a package's own file stands for the package."""
    parts = Path(path).with_suffix("").parts
    return parts[:-1] if parts[-1] == "__init__" else parts


def place(name: tuple[str, ...]) -> tuple[int, int]:
    """Place of a module in `ORDER`; a part's own file comes before its modules."""
    package, part, *rest = name
    parts = ORDER[package]
    return list(parts).index(part), parts[part].index(rest[0]) if rest else -1


def own(tree: ast.Module, package: str) -> set[tuple[str, ...]]:
    """Modules of this package that a module imports."""
    found = set()
    for name in imported(tree):
        parts = name.split(".")
        if parts[0] != package or len(parts) < 2:
            continue
        while not any((ROOT / "/".join(parts)).with_suffix(end).exists() for end in (".py", "")):
            parts.pop()
        found.add(tuple(parts))
    return {name for name in found if len(name) > 1}


MODULES = [path for package in ORDER for path in sources(package) if len(dotted(path)) > 1]


@pytest.mark.parametrize("package", ORDER)
def test_every_module_has_its_place(package: str) -> None:
    """The order names all modules: one that is missing must be added to `ORDER`."""
    named = {
        (package, part, *([module] if module else []))
        for part, modules in ORDER[package].items()
        for module in (*modules, "")
    }
    found = {dotted(path)[:3] for path in sources(package)} - {(package,)}
    assert found - named == set(), "add these modules to ORDER, below all that they import"
    assert named - found == set(), "remove these modules from ORDER"


@pytest.mark.parametrize("path", MODULES)
def test_modules_import_only_from_above(path: str) -> None:
    """No module imports from one at or below its own place; sections share one place."""
    name = dotted(path)
    tree = sources(name[0])[path]
    for other in own(tree, name[0]):
        if other[:3] == name[:3] and len(name) > 3:
            continue
        assert place(other[:3]) < place(name[:3]), other


def test_the_estimator_never_imports_the_reports() -> None:
    """The estimate must be usable without any report."""
    for path, tree in sources("estimator").items():
        assert "reports" not in {name.split(".")[0] for name in imported(tree)}, path


@pytest.mark.parametrize("library", FENCES)
def test_libraries_stay_behind_their_fences(library: str) -> None:
    """Each heavy or changeable library is met in its own few modules only."""
    users = {
        path
        for package in ORDER
        for path, tree in sources(package).items()
        if library in {name.split(".")[0] for name in imported(tree)}
    }
    assert users <= FENCES[library]
    assert users, f"{library} is not used any more: remove its fence"


def test_modules_and_functions_stay_short() -> None:
    """A module beyond one reading is split by what it answers, a function by its steps."""
    for package in ORDER:
        for path, tree in sources(package).items():
            lines = (ROOT / path).read_text(encoding="utf-8").count("\n")
            assert lines <= LONGEST_MODULE, path
            for node in ast.walk(tree):
                if isinstance(node, ast.FunctionDef) and node.name not in LONG_BY_NATURE:
                    assert node.end_lineno is not None
                    length = node.end_lineno - node.lineno + 1
                    assert length <= LONGEST_FUNCTION, f"{path}: {node.name}"


def called(tree: ast.Module) -> set[str]:
    """Names of all functions and methods called."""
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return {
        call.attr if isinstance(call, ast.Attribute) else getattr(call, "id", "") for call in calls
    }


def test_files_are_read_in_one_place_of_the_estimator() -> None:
    """Only `inputs.text` opens files, and nothing writes them."""
    readers = {path for path, tree in sources("estimator").items() if called(tree) & READERS}
    writers = {path for path, tree in sources("estimator").items() if called(tree) & WRITERS}
    assert readers == {"estimator/inputs/text.py"}
    assert not writers


def test_reading_input_loads_no_sampler() -> None:
    """A bad log must be answered at once: reading it reaches nothing beyond `inputs`."""
    for path, tree in sources("estimator/inputs").items():
        assert {name[1] for name in own(tree, "estimator")} <= set(SAMPLER_FREE), path


def test_every_dependency_has_its_bounds() -> None:
    """A release that breaks something must not reach who installs the program a year later, and
    one that lacks something must not be taken for enough."""
    import tomllib

    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    project = stated["project"]
    extras = [entry for extra in project["optional-dependencies"].values() for entry in extra]
    extras.remove(f"{project['name']}[cluster]")  # the tests' extra takes that in
    every = [*stated["build-system"]["requires"], *project["dependencies"], *extras]
    for entry in every:
        assert re.fullmatch(r"[\w-]+>=[\d.]+,<[\d.]+", entry), entry
    floors = {entry for entry in every if entry.startswith("setuptools")}
    assert len(floors) == 1, "built and run with the same"


def test_only_the_standard_library_and_declared_packages_are_imported() -> None:
    """Every third-party import is a dependency that pyproject.toml states, or comes with one."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    stated = [*project["dependencies"], *project["optional-dependencies"]["cluster"]]
    declared = {entry.split(">")[0].split("<")[0].strip() for entry in stated}
    # Parts of declared packages: pytensor and xarray of PyMC and ArviZ, markupsafe of Jinja.
    declared |= {"pytensor", "xarray", "markupsafe", "estimator", "reports"}
    for package in ORDER:
        for path, tree in sources(package).items():
            names = {name.split(".")[0] for name in imported(tree)}
            assert names - declared <= set(sys.stdlib_module_names), path

"""Small slips put into the code one by one: does a test fail?

Of the modules that decide what a keeper is told (`MIRRORS`) a seeded sample of places is drawn,
and for each place one of the changes that Cosmic Ray makes there: `<` for `<=`, minus for plus, a
number one larger, a loop never entered. Each is made in a copy of the project, where the tests that
mirror the module's package are run until the first one fails, those of the module itself first.
What no test notices has survived; `mutants_equivalent.json` lists those that change nothing, with
the reason.

    pip install -e '.[test,mutation]'
    python tests/mutants.py --sample 150 --seed 1 --out tests/mutants.json

`--again` runs only those that the file of `--out` has as survivors, after tests were added.
Not for Windows: the tests are run in forked processes, so that libraries load once.
"""

from __future__ import annotations

import argparse
import ast
import json
import logging
import os
import platform
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path

import numpy as np

# Before Cosmic Ray, whose own order of imports does not find all of its parts.
import parso  # noqa: F401
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

ROOT = Path(__file__).resolve().parents[1]
PLACES = ("estimator", "reports", "tests", "demo", "pyproject.toml", "README.md", "DEVELOPERS.md")
"""What the tests need of the project."""
MIRRORS = {
    "estimator/plan": ("tests/estimator/plan",),
    "estimator/advice": ("tests/estimator/advice",),
    "estimator/fit/posterior.py": ("tests/estimator/fit",),
    "estimator/fit/state.py": ("tests/estimator/fit",),
    "reports/twin": ("tests/reports/twin", "tests/reports/page"),
}
"""Packages and modules that are changed, and the tests that are to notice."""
CHOICE = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", "-p", "no:xdist")
MARKED = "not sampler and not browser and not slow"
GUARDS = ("frozen", "strict")
"""Arguments that only refuse what no code does: turned off they change no result."""
ARITHMETIC = ("Add", "Sub", "Mul", "Div", "FloorDiv")
"""A slip of the pen takes one of these for another, not a shift of bits for a minus."""
PRELOADED = ("numba", "numpy", "scipy.stats", "xarray", "pandas", "pymc", "arviz", "matplotlib")
EQUIVALENT = Path(__file__).with_name("mutants_equivalent.json")
SLOWEST = 4.0
"""A change with which the tests take so many times as long as without it hangs: it is noticed."""


@dataclass(frozen=True)
class Mutant:
    """One change: the lines before and after it, and what came of it.

    Attributes:
        file, line: where, the line as of the day of the run.
        before, after: the lines that differ, stripped.
        outcome: `caught`, `hangs`, `survived`, or `equivalent`.
        by: the test that noticed.
    """

    file: str
    line: int
    before: str
    after: str
    outcome: str = ""
    by: str = ""

    @property
    def key(self) -> tuple[str, str, str]:
        """What it is known by when lines have moved."""
        return self.file, self.before, self.after


def modules() -> Iterator[Path]:
    """The modules that are changed, in order."""
    for place in MIRRORS:
        path = ROOT / place
        yield from [path] if path.is_file() else sorted(path.glob("*.py"))


def _tests_of(file: str) -> list[str]:
    """The tests that are to notice: those of the module itself first."""
    folders = next(tests for place, tests in MIRRORS.items() if file.startswith(place))
    own = [f"{folder}/test_{Path(file).name}" for folder in folders]
    return [*(one for one in own if (ROOT / one).exists()), *folders]


class _Bare(ast.NodeTransformer):
    """The code without what is never run: annotations, and the `GUARDS`."""

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        self.generic_visit(node)
        node.annotation = ast.Constant(None)
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        self.generic_visit(node)
        node.returns = None
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        self.generic_visit(node)
        node.keywords = [one for one in node.keywords if one.arg not in GUARDS]
        return node


def _bare(code: str) -> str:
    return ast.dump(_Bare().visit(ast.parse(code)))


def _differs(code: str, changed: str) -> bool:
    """Whether what is run differs, and can be compiled."""
    try:
        compile(changed, "mutant", "exec")
    except SyntaxError:
        return False
    return _bare(code) != _bare(changed)


def _lines_changed(file: str, code: str, changed: str) -> Mutant:
    old, new = code.splitlines(), changed.splitlines()
    first = next(at for at, (a, b) in enumerate(zip(old, new, strict=False)) if a != b)
    last = next(at for at, (a, b) in enumerate(zip(old[::-1], new[::-1], strict=False)) if a != b)
    before, after = ("\n".join(one[first : len(one) - last]).strip() for one in (old, new))
    return Mutant(file, first + 1, before, after)


def _likely(operator: str) -> bool:
    """Whether a person might make this change, and it does not fail at once on any number."""
    kind, *names = operator.split("/")[-1].split("_")
    before, after = names if len(names) == 2 else ("", "")
    if kind == "ReplaceBinaryOperator":
        return after in ARITHMETIC if before[:3] != "Bit" else after in ("BitAnd", "BitOr")
    if kind == "ReplaceComparisonOperator":
        return (before[:2] == "Is") == (after[:2] == "Is")
    if kind == "ReplaceUnaryOperator":
        return before == "Delete"
    return kind != "RemoveDecorator"


def drawn(sample: int, seed: int) -> list[tuple[Mutant, str]]:
    """Changes at a sample of places, each with the module's text: of one place one change."""
    operators = [
        (name, operator())
        for name in sorted(operator_names())
        if _likely(name) and not (operator := get_operator(name)).arguments()
    ]
    places: dict[tuple[str, int, int], list[tuple[str, int]]] = {}
    codes = {}
    for path in modules():
        file = path.relative_to(ROOT).as_posix()
        codes[file] = path.read_text()
        nodes = list(ast_nodes(get_ast(codes[file])))
        for name, operator in operators:
            spots = [spot[0] for node in nodes for spot in operator.mutation_positions(node)]
            for occurrence, start in enumerate(spots):
                places.setdefault((file, *start), []).append((name, occurrence))
    rng = np.random.default_rng(seed)
    known = sorted(places)
    found: list[tuple[Mutant, str]] = []
    for at in rng.permutation(len(known)):
        file, code = known[at][0], codes[known[at][0]]
        for choice in rng.permutation(len(places[known[at]])):
            name, occurrence = places[known[at]][choice]
            changed = mutate_code(code, get_operator(name)(), occurrence)
            if changed is not None and _differs(code, changed):
                found.append((_lines_changed(file, code, changed), changed))
                break
        if len(found) == sample:
            break
    return found


def _run_tests(folder: str, tests: Sequence[str], told: str) -> None:
    """In a process of its own: tests in a copy of the project, what failed first into a file."""
    import pytest

    class First:
        def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
            if report.failed:
                Path(told).write_text(report.nodeid)

        def pytest_collectreport(self, report: pytest.CollectReport) -> None:
            if report.failed:
                Path(told).write_text(report.nodeid or "collection")

    os.chdir(folder)
    os.environ["PYTHONPATH"] = folder
    sys.path[:] = [
        one for one in sys.path if Path(one or ".").resolve() not in (ROOT, ROOT / "tests")
    ]
    with Path(os.devnull).open("w") as nothing:
        os.dup2(nothing.fileno(), 1)
        os.dup2(nothing.fileno(), 2)
        code = pytest.main([*CHOICE, "-m", MARKED, *tests], plugins=[First()])
    if code not in (0, 1) and not Path(told).exists():
        Path(told).write_text("collection")


class Trial:
    """A copy of the project, in which one change at a time is made and tested."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.told = folder / "project", folder / "told"
        for place in PLACES:
            source = ROOT / place
            if source.is_dir():
                shutil.copytree(source, self.folder / place)
            else:
                shutil.copy2(source, self.folder / place)
        self.context = get_context("forkserver")
        self.context.set_forkserver_preload(list(PRELOADED))
        self.usual_s: dict[str, float] = {}

    def failed_first(self, tests: Sequence[str], limit_s: float | None) -> str | None:
        """The first test that fails, `hangs` after the limit, None where all pass."""
        self.told.unlink(missing_ok=True)
        work = self.context.Process(
            target=_run_tests, args=(str(self.folder), tests, str(self.told))
        )
        work.start()
        work.join(limit_s)
        if work.is_alive():
            work.kill()
            work.join()
            return "hangs"
        if self.told.exists():
            return self.told.read_text()
        return None if work.exitcode == 0 else "the interpreter ended"

    def of(self, mutant: Mutant, changed: str) -> Mutant:
        """What becomes of a change."""
        tests = _tests_of(mutant.file)
        usual = self._usual(tests[-1], [one for one in tests if not one.endswith(".py")])
        target = self.folder / mutant.file
        unchanged = target.read_text()
        target.write_text(changed)
        try:
            found = self.failed_first(tests, 60.0 + SLOWEST * usual)
        finally:
            target.write_text(unchanged)
        if found in (None, "hangs"):
            return replace(mutant, outcome=found or "survived")
        return replace(mutant, outcome="caught", by=found)

    def _usual(self, key: str, tests: Sequence[str]) -> float:
        """Seconds that tests take without a change; compiles what is to be compiled, too."""
        if key not in self.usual_s:
            begun = time.monotonic()
            failed = self.failed_first(tests, None)
            if failed is not None:
                sys.exit(f"without any change a test fails: {failed}")
            self.usual_s[key] = time.monotonic() - begun
        return self.usual_s[key]


def _equivalent() -> set[tuple[str, str, str]]:
    known = json.loads(EQUIVALENT.read_text()) if EQUIVALENT.exists() else []
    return {(one["file"], one["before"], one["after"]) for one in known}


def results(found: Iterable[Mutant], sample: int, seed: int) -> dict[str, object]:
    """What is written: counts, by package too, and every change."""
    same = _equivalent()
    all_of = [
        replace(one, outcome="equivalent") if one.outcome == "survived" and one.key in same else one
        for one in found
    ]

    def counts(some: Sequence[Mutant]) -> dict[str, float]:
        told = [one for one in some if one.outcome != "equivalent"]
        caught = sum(one.outcome != "survived" for one in told)
        share = round(caught / len(told), 3) if told else 0.0
        return {
            "changes": len(some),
            "equivalent": len(some) - len(told),
            "caught": caught,
            "share": share,
        }

    return {
        "sample": sample,
        "seed": seed,
        "date": date.today().isoformat(),
        "python": platform.python_version(),
        "cosmic_ray": version("cosmic-ray"),
        **counts(all_of),
        "by_place": {
            place: counts(some)
            for place in MIRRORS
            if (some := [one for one in all_of if one.file.startswith(place)])
        },
        "mutants": [asdict(one) for one in all_of],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", action="store_true", help="only the survivors of --out")
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".json"))
    given = parser.parse_args()
    logging.disable()
    sample = drawn(given.sample, given.seed)
    before = {}
    if given.again:
        mutants = json.loads(given.out.read_text())["mutants"]
        before = {one.key: one for one in (Mutant(**each) for each in mutants)}
    found: list[Mutant] = []
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder))
        for at, (mutant, changed) in enumerate(sample):
            known = before.get(mutant.key)
            again = known is None or known.outcome == "survived"
            found.append(trial.of(mutant, changed) if again else known)
            told = found[-1]
            if again:
                print(f"{at + 1} {told.file}:{told.line} {told.outcome} {told.by}", flush=True)
            given.out.write_text(
                json.dumps(results(found, given.sample, given.seed), indent=1) + "\n"
            )
    told = results(found, given.sample, given.seed)
    print(f"{told['caught']} caught, {told['equivalent']} equivalent of {told['changes']}")


if __name__ == "__main__":
    main()

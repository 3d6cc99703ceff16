"""Small slips put into the code one by one: does a test fail?

Of the modules that decide what a keeper is told (`MIRRORS`) a seeded sample of places is drawn,
and for each place one of the changes that Cosmic Ray makes there: `<` for `<=`, minus for plus, a
number one larger, a loop never entered. With each the tests that mirror the module's package are
run until the first one fails, those of the module itself first. What no test notices has survived;
`mutants_equivalent.json` lists those that change nothing, with the reason.

    pip install -e '.[test,mutation]'
    python tests/mutants.py --sample 150 --seed 1

`--again` runs only those that the file of `--out` has as survivors, or not yet: after tests were
added, or where a run was stopped.

No file is changed. Tests and libraries load once; each change is made in a forked process, in the
code of the one function or the value of the one constant that it is in. So this is not for Windows,
and what a test starts as a process of its own, or a constant made from another, is unchanged.
"""

from __future__ import annotations
import __future__

import argparse
import ast
import functools
import gc
import importlib
import inspect
import json
import logging
import os
import platform
import select
import signal
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from importlib.metadata import version
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import numpy as np

# Before Cosmic Ray, whose own order of imports does not find all of its parts.
import parso  # noqa: F401
import pytest
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

ROOT = Path(__file__).resolve().parents[1]
MIRRORS = {
    "estimator/plan": ("tests/estimator/plan",),
    "estimator/advice": ("tests/estimator/advice",),
    "estimator/fit/posterior.py": ("tests/estimator/fit/test_posterior.py",),
    "estimator/fit/state.py": (
        "tests/estimator/fit/test_posterior.py",
        "tests/estimator/fit/test_forecast.py",
    ),
    "reports/twin": ("tests/reports/twin", "tests/reports/page"),
}
"""Packages and modules that are changed, and the tests that are to notice."""
CHOICE = ("-s", "-p", "no:terminal", "-p", "no:cacheprovider", "-p", "no:xdist")
MARKED = "not sampler and not browser and not slow"
ELSEWHERE = "test_bytes_repeat_across_processes"
"""Compares with a process of its own, in which nothing is changed."""
GUARDS = ("frozen", "strict")
"""Arguments that only refuse what no code does: turned off they change no result."""
ARITHMETIC = ("Add", "Sub", "Mul", "Div", "FloorDiv")
"""A slip of the pen takes one of these for another, not a shift of bits for a minus."""
EQUIVALENT = Path(__file__).with_name("mutants_equivalent.json")
PASSED = "passed"


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


def _differs(code: str, changed: str) -> bool:
    """Whether what is run differs, and can be compiled."""
    try:
        compile(changed, "mutant", "exec")
    except SyntaxError:
        return False
    bare, other = (ast.dump(_Bare().visit(ast.parse(text))) for text in (code, changed))
    return bare != other


def _lines_changed(file: str, code: str, changed: str) -> Mutant:
    old, new = code.splitlines(), changed.splitlines()
    pairs = list(zip(old, new, strict=False))
    first = next(at for at, (a, b) in enumerate(pairs) if a != b)
    ends = zip(old[::-1], new[::-1], strict=False)
    last = next(at for at, (a, b) in enumerate(ends) if a != b)
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


def make(file: str, changed: str) -> None:
    """Make a change in the loaded module: in a function's code, or in the value of a constant
    wherever that was imported."""
    module = importlib.import_module(file.removesuffix(".py").replace("/", "."))
    bodies = (ast.parse(text).body for text in ((ROOT / file).read_text(), changed))
    pairs = zip(*bodies, strict=True)
    ((former, statement),) = [(a, b) for a, b in pairs if ast.dump(a) != ast.dump(b)]
    was_code, code = (
        compile(ast.Module([one], []), file, "exec", __future__.annotations.compiler_flag)
        for one in (former, statement)
    )
    made = dict(vars(module))
    exec(code, made)
    if isinstance(statement, ast.FunctionDef):
        _transplant(vars(module)[statement.name], made[statement.name], file)
        return
    if isinstance(statement, ast.ClassDef):
        old, new = vars(module)[statement.name], made[statement.name]
        for name, value in vars(new).items():
            if not _transplant(vars(old).get(name), value, file) and not name.startswith("__"):
                setattr(old, name, value)
        return
    # The functions in a table, which may have been copied into others.
    functions = [one for one in gc.get_objects() if type(one) is FunctionType]
    for old_code, new_code in zip(_codes(was_code), _codes(code), strict=True):
        for function in functions:
            if old_code != new_code and function.__code__ == old_code:
                function.__code__ = new_code
    was = {name: old for name, old in vars(module).items() if made[name] is not old}
    for name, old in was.items():
        for other in list(sys.modules.values()):
            if getattr(other, "__dict__", {}).get(name) is old:
                setattr(other, name, made[name])
        for function in functions:
            if name in function.__globals__ and function.__defaults__:
                function.__defaults__ = tuple(
                    made[name] if one is old else one for one in function.__defaults__
                )


def _codes(code: CodeType) -> Iterator[CodeType]:
    """All code within a piece of code."""
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield one
            yield from _codes(one)


def _transplant(old: Any, new: Any, file: str) -> bool:
    """Give a function the code of another; whether it is one."""
    if isinstance(new, property):
        return _transplant(old.fget, new.fget, file)
    if isinstance(new, functools.cached_property):
        return _transplant(old.func, new.func, file)
    old, new = (inspect.unwrap(getattr(one, "__func__", one)) for one in (old, new))
    if not isinstance(new, FunctionType):
        return False
    if new.__code__.co_filename == file:
        old.__code__ = new.__code__
    old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
    return True


class Trial:
    """A run of pytest that, in place of running its tests, tries one change after the other."""

    def __init__(self, wanted: Iterable[tuple[Mutant, str]], limit_s: float) -> None:
        self.wanted, self.limit_s = wanted, limit_s
        self.tried: list[Mutant] = []
        self.failed = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed = report.nodeid

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        proved = set()
        for mutant, changed in self.wanted:
            tests = _tests_of(mutant.file, session.items)
            found = self._outcome(tests, mutant.file, changed)
            outcome = {PASSED: "survived", "hangs": "hangs"}.get(found, "caught")
            by = found if outcome == "caught" else ""
            self.tried.append(replace(mutant, outcome=outcome, by=by))
            print(len(self.tried), f"{mutant.file}:{mutant.line}", outcome, by, flush=True)
            if outcome == "survived":
                # So these tests pass where nothing is changed.
                proved.add(MIRRORS[_place(mutant.file)])
        for tests in {MIRRORS[_place(one.file)] for one in self.tried} - proved:
            items = [item for item in session.items if item.nodeid.startswith(tests)]
            if (found := self._outcome(items, "", "")) != PASSED:
                sys.exit(f"without any change a test fails: {found}")
        return True

    def _outcome(self, items: Sequence[pytest.Item], file: str, changed: str) -> str:
        """The first test that fails with a change, or `PASSED`, or "hangs"."""
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            os.dup2(nothing, 2)
            try:
                told = self._failed_first(items, file, changed)
            except BaseException as error:
                told = f"{type(error).__name__}: {error}"
            os.write(write, told[:2000].encode())
            os._exit(0)
        os.close(write)
        over = not select.select([read], [], [], self.limit_s)[0]
        if over:
            os.kill(child, signal.SIGKILL)
        told = os.read(read, 4000).decode()
        os.close(read)
        os.waitpid(child, 0)
        return "hangs" if over else told or "the process ended"

    def _failed_first(self, items: Sequence[pytest.Item], file: str, changed: str) -> str:
        if changed:
            make(file, changed)
        for item, following in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self.failed:
                return self.failed
        return PASSED


def _place(file: str) -> str:
    return next(place for place in MIRRORS if file.startswith(place))


def _tests_of(file: str, items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """The tests that are to notice: those of the module itself first."""
    places = MIRRORS[_place(file)]
    own = f"/test_{Path(file).name}::"
    in_order = [item for one in places for item in items if item.nodeid.startswith(one)]
    return sorted(in_order, key=lambda item: own not in item.nodeid)


def results(tried: Iterable[Mutant], sample: int, seed: int) -> dict[str, object]:
    """What is written: counts, by package too, and every change."""
    known = json.loads(EQUIVALENT.read_text()) if EQUIVALENT.exists() else []
    same = {(one["file"], one["before"], one["after"]) for one in known}
    all_of = [
        replace(one, outcome="equivalent") if one.outcome == "survived" and one.key in same else one
        for one in tried
    ]

    def counts(some: Sequence[Mutant]) -> dict[str, float]:
        told = [one for one in some if one.outcome != "equivalent"]
        caught = sum(one.outcome != "survived" for one in told)
        return {
            "changes": len(some),
            "equivalent": len(some) - len(told),
            "caught": caught,
            "share": round(caught / len(told), 3) if told else 0.0,
        }

    by_place = {place: [one for one in all_of if _place(one.file) == place] for place in MIRRORS}
    return {
        "command": f"python tests/mutants.py --sample {sample} --seed {seed}",
        "date": date.today().isoformat(),
        "python": platform.python_version(),
        "cosmic_ray": version("cosmic-ray"),
        **counts(all_of),
        "by_place": {place: counts(some) for place, some in by_place.items()},
        "mutants": [asdict(one) for one in all_of],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=float, default=900.0, help="seconds for the tests of one")
    parser.add_argument("--again", action="store_true", help="only the survivors of --out")
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".json"))
    given = parser.parse_args()
    logging.disable()
    sample = drawn(given.sample, given.seed)
    known: dict[tuple[str, str, str], Mutant] = {}
    if given.again:
        former = json.loads(given.out.read_text())["mutants"]
        known = {one.key: one for one in (Mutant(**each) for each in former)}
    wanted = [
        pair
        for pair in sample
        if pair[0].key not in known or known[pair[0].key].outcome == "survived"
    ]

    def written() -> Iterator[tuple[Mutant, str]]:
        """What is to be tried; what was found is written before the next one and at the end."""
        for pair in [*wanted, None]:
            found = known | {one.key: one for one in trial.tried}
            told = [found[mutant.key] for mutant, _ in sample if mutant.key in found]
            of = results(told, given.sample, given.seed)
            given.out.write_text(json.dumps(of, indent=1) + "\n")
            if pair is not None:
                yield pair
        print(f"{of['caught']} caught, {of['equivalent']} equivalent of {of['changes']}")

    trial = Trial(written(), given.limit)
    tests = sorted({test for tests in MIRRORS.values() for test in tests})
    sys.path.insert(0, str(ROOT))
    os.chdir(ROOT)
    sys.exit(
        pytest.main([*CHOICE, "-k", f"not {ELSEWHERE}", "-m", MARKED, *tests], plugins=[trial])
    )


if __name__ == "__main__":
    main()
